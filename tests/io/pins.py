"""Pins for tests: the kernel's own simulated chip where this machine has it (gpio-sim), and a stand-in everywhere."""

from __future__ import annotations

import errno
import os
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from gpiod.line import Bias, Direction, Edge, Value
from gpiod.line_settings import LineSettings

from agent.io import pins

CONFIG = Path("/sys/kernel/config/gpio-sim")
LINES = 32
LIST = 16  # edges that the stand-in keeps: fewer than a test makes between two looks


class Board:
    """A stand-in for the chip: lines with levels, each claimed by one at a time, edges numbered and then listed."""

    def __init__(self) -> None:
        self._levels: dict[int, bool] = {}
        self._claims: dict[int, Claim] = {}

    def request_lines(self, path: str, config: dict[int, LineSettings], **_: Any) -> Claim:
        """As gpiod.request_lines, of one line."""
        ((line, settings),) = config.items()
        if line >= LINES:
            raise ValueError(f"line {line} is none of {path}")
        if line in self._claims:
            raise OSError(errno.EBUSY, os.strerror(errno.EBUSY))
        self._claims[line] = claim = Claim(self, line, settings)
        if settings.direction == Direction.OUTPUT:
            claim.set_value(line, settings.output_value)
        elif settings.bias in (Bias.PULL_UP, Bias.PULL_DOWN):
            self._levels[line] = settings.bias == Bias.PULL_UP
        return claim

    def drive(self, line: int, high: bool) -> None:
        """Something outside brings the line to this level."""
        changed = self.is_high(line) != high
        self._levels[line] = high
        if changed and (claim := self._claims.get(line)):
            claim.edge(high)

    def is_high(self, line: int) -> bool:
        """Its level."""
        return self._levels.get(line, False)

    def free(self, line: int) -> None:
        """Its claim ends."""
        self._claims.pop(line, None)


class Claim:
    """What gpiod calls a LineRequest."""

    def __init__(self, board: Board, line: int, settings: LineSettings) -> None:
        self._board, self._line, self._settings = board, line, settings
        self._edges: deque[int] = deque(maxlen=LIST)
        self._numbered = 0

    def edge(self, high: bool) -> None:
        if self._settings.edge_detection == Edge.RISING and high != self._settings.active_low:
            self._numbered += 1
            self._edges.append(self._numbered)

    def get_value(self, line: int) -> Value:
        assert line == self._line
        return Value.ACTIVE if self._board.is_high(line) != self._settings.active_low else Value.INACTIVE

    def set_value(self, line: int, value: Value) -> None:
        assert self._settings.direction == Direction.OUTPUT
        self._board.drive(line, (value == Value.ACTIVE) != self._settings.active_low)

    def wait_edge_events(self, timeout: float) -> bool:
        return bool(self._edges)

    def read_edge_events(self) -> list[SimpleNamespace]:
        return [SimpleNamespace(line_seqno=self._edges.popleft()) for _ in range(min(8, len(self._edges)))]

    def release(self) -> None:
        self._board.free(self._line)


class Simulated:
    """The kernel's simulated chip; what it is driven with is its pull."""

    def __init__(self, sysfs: Path) -> None:
        self._sysfs = sysfs

    def drive(self, line: int, high: bool) -> None:
        """See Board."""
        (self._sysfs / f"sim_gpio{line}" / "pull").write_text("pull-up" if high else "pull-down")

    def is_high(self, line: int) -> bool:
        """See Board."""
        return (self._sysfs / f"sim_gpio{line}" / "value").read_text().strip() == "1"


@contextmanager
def _kernels() -> Iterator[Simulated]:
    device = CONFIG / "sumpside-test"
    bank = device / "bank0"
    bank.mkdir(parents=True)
    try:
        (bank / "num_lines").write_text(str(LINES))
        (bank / "label").write_text(f"{pins.PI_LABEL}sim")
        (device / "live").write_text("1")
        name = (device / "dev_name").read_text().strip()
        yield Simulated(Path("/sys/devices/platform") / name / (bank / "chip_name").read_text().strip())
    finally:
        (device / "live").write_text("0")
        bank.rmdir()
        device.rmdir()


@contextmanager
def stand_in(patch: pytest.MonkeyPatch) -> Iterator[Board]:
    """The driver speaks to a `Board` instead of the kernel."""
    board = Board()
    patch.setattr(pins, "_header", lambda: "/dev/gpiochip0")
    patch.setattr(pins.gpiod, "request_lines", board.request_lines)
    yield board


@pytest.fixture(params=["stand-in", "kernel"])
def board(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[Board | Simulated]:
    """Pins to be driven and looked at: the same test on both."""
    if request.param == "kernel" and not CONFIG.is_dir():
        pytest.skip("this kernel has no gpio-sim (modprobe gpio-sim, configfs mounted)")
    with stand_in(monkeypatch) if request.param == "stand-in" else _kernels() as made:
        yield made
