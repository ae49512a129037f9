"""The Pi's own pins through the kernel's character device, which has been the same from Python 3.11 to 3.13."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Final, Literal

import gpiod
from gpiod.line import Bias, Direction, Edge, Value
from gpiod.line_settings import LineSettings

DEVICES: Final = "/dev"
PI_LABEL: Final = "pinctrl-"  # -bcm2835, -bcm2711, -rp1: the header's chip on every Pi; its number differs
EVENTS: Final = 1024  # edges that the kernel keeps until they are fetched: the most it takes for a line
_BIAS: Final = {"up": Bias.PULL_UP, "down": Bias.PULL_DOWN, "none": Bias.DISABLED}


class NoPin(Exception):
    """A pin cannot be had, looked at or set; says which and why."""


class Pin:
    """A line of the header (Broadcom number), this process's alone until it is released. All of it raises NoPin."""

    def __init__(self, line: int, settings: LineSettings) -> None:
        self._line = line
        self._edges = 0
        with self._telling():
            self._request = gpiod.request_lines(
                _header(), {line: settings}, consumer="sumpside", event_buffer_size=EVENTS
            )

    def is_active(self) -> bool:
        """The level now, after debouncing, in the sense in which it was claimed; of an output too."""
        with self._telling():
            return self._request.get_value(self._line) == Value.ACTIVE

    def edges(self) -> int:
        """How often the line has become active since it was claimed. The kernel numbers the edges, so that the count
        stays right though more came than its list holds."""
        with self._telling():
            while self._request.wait_edge_events(0):
                self._edges = self._request.read_edge_events()[-1].line_seqno
        return self._edges

    def set(self, active: bool) -> None:
        """Drive an output."""
        with self._telling():
            self._request.set_value(self._line, Value.ACTIVE if active else Value.INACTIVE)

    def release(self) -> None:
        """Give it back."""
        self._request.release()

    @contextmanager
    def _telling(self) -> Iterator[None]:
        try:
            yield
        # So the library tells that the kernel refuses: taken, no right to it, no such line, no such pull.
        except (OSError, ValueError, NotImplementedError) as error:
            raise NoPin(f"pin {self._line}: {error}") from error


def contact(line: int, pull: Literal["up", "down", "none"], active_low: bool, debounce_s: float, count: bool) -> Pin:
    """An input; only one that counts can tell its edges."""
    return Pin(
        line,
        LineSettings(
            direction=Direction.INPUT,
            bias=_BIAS[pull],
            active_low=active_low,
            edge_detection=Edge.RISING if count else Edge.NONE,  # rising: becoming active
            debounce_period=timedelta(seconds=debounce_s),
        ),
    )


def relay(line: int, active_high: bool) -> Pin:
    """An output, off from the first moment."""
    return Pin(line, LineSettings(direction=Direction.OUTPUT, active_low=not active_high, output_value=Value.INACTIVE))


def _header() -> str:
    labels = {}
    for path in sorted(Path(DEVICES).glob("gpiochip*")):
        with gpiod.Chip(str(path)) as chip:
            labels[str(path)] = chip.get_info().label
    return header_of(labels)


def header_of(labels: dict[str, str]) -> str:
    """The chip that has the header, of path → label: a Pi's, or the only one of another board. Raises OSError."""
    pis = [path for path, label in labels.items() if label.startswith(PI_LABEL)]
    chips = pis or list(labels)
    if len(chips) != 1:
        told = ", ".join(f"{path} ({labels[path]})" for path in chips)
        raise OSError(f"cannot tell which chip has the header: {told}" if chips else "this machine has no pins")
    return chips[0]
