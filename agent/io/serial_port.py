"""A serial port: opened for one bus alone, drained, and its many ways to fail made one (`PortGone`)."""

from __future__ import annotations

import termios
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Final

import serial

from agent.io.bus import READ_SLICE_S, PortGone
from agent.site_buses import SerialBus

WRITE_TIMEOUT_S = 1.0  # a request is a few bytes; a port that takes none for so long is stuck
CHUNK_BYTES = 4096
OWED_S = 60.0  # an answer that has not come by then has been lost on the way
TOO_LATE: Final = "answers later than timeout_s: raise it"
AGAIN: Final = "answers again after a miss: from the next one on it counts"
PORT_ERRORS = (serial.SerialException, OSError, termios.error)


@contextmanager
def port_faults(port: str) -> Iterator[None]:
    """Whatever the port raises inside is a PortGone that names the port."""
    try:
        yield
    except PORT_ERRORS as error:
        raise PortGone(f"{port}: {getattr(error, 'strerror', None) or error}") from error


@contextmanager
def open_port(bus: SerialBus) -> Iterator[serial.Serial]:
    """The bus's port, held exclusively; closed at the end. Raises PortGone."""
    with port_faults(bus.port):
        port = serial.Serial(
            bus.port,
            bus.baud,
            bytesize=bus.bytesize,
            parity=bus.parity,
            stopbits=bus.stopbits,
            timeout=READ_SLICE_S,
            write_timeout=WRITE_TIMEOUT_S,
            exclusive=True,
        )
    try:
        yield port
    finally:
        with suppress(*PORT_ERRORS):  # it is gone, which is as closed as can be
            port.close()


def heard(port: serial.Serial, most_s: float) -> bytes:
    """What comes within `most_s`, at the first byte; empty where nothing does. Raises what the port raises."""
    port.timeout = max(0.0, min(most_s, READ_SLICE_S))
    data = bytes(port.read(1))
    return data + bytes(port.read(min(port.in_waiting, CHUNK_BYTES))) if data else data


class Debts:
    """Who may still send an answer that nobody waits for any more, and until when that is reckoned with.

    While one is owed, an answer may be that to an earlier question, from a device that is late each time. It then still
    owes the next, as much later as that was asked later. Once it has been quiet behind an answer for the longest time
    that lay between two questions, every debt is paid. That answer is old by then: it does not count, the next does.

    Where answers do not say whose they are, one may also be another's. It is then believed if nothing comes behind it:
    behind another's comes the one that was asked for, and which is which nobody can tell.
    """

    def __init__(self, are_named: bool) -> None:
        self._are_named = are_named
        self._until: dict[object, float] = {}  # monotonic s
        self._asked: dict[object, tuple[float, float]] = {}  # last question, monotonic s; longest time between two, s

    def asked(self, who: object) -> None:
        """A question is sent."""
        now = time.monotonic()
        last, longest_s = self._asked.get(who, (now, 0.0))
        self._asked[who] = (now, max(longest_s, now - last) if who in self._owing() else 0.0)

    def owes(self, who: object) -> None:
        """An answer was waited for in vain."""
        self._until[who] = time.monotonic() + OWED_S

    def are_others(self, who: object) -> bool:
        """Whether an answer may be somebody else's."""
        return not self._are_named and bool(self._owing() - {who})

    def _owing(self) -> set[object]:
        return {who for who, until in self._until.items() if time.monotonic() < until}

    def doubt(
        self, who: object, port: serial.Serial, timeout_s: float, behind: bytes, stopping: Callable[[], bool]
    ) -> str:
        """Why the answer that has just come, and `behind` it, is not to be believed; empty where it is.

        It waits for what may come behind it, `timeout_s` longer than is said above: nothing is late to the moment.
        """
        owes, others = who in self._owing(), self.are_others(who)
        if not owes and not others:
            return ""
        end = time.monotonic() + (self._asked[who][1] if owes else 0.0) + timeout_s
        while not behind and (left := end - time.monotonic()) > 0.0 and not stopping():
            behind = heard(port, left)
        if behind:
            drain(port, timeout_s, 2.0 * timeout_s)
            if owes:
                self.owes(who)
            return TOO_LATE
        if owes:
            del self._until[who]
        return AGAIN if owes else ""


def drain(port: serial.Serial, quiet_s: float, most_s: float) -> bytes:
    """Take what comes until the line has been quiet for `quiet_s`, at most for `most_s`; the last CHUNK_BYTES of it."""
    end = time.monotonic() + most_s
    quiet_from, thrown = time.monotonic(), b""
    while (now := time.monotonic()) < end and now - quiet_from < quiet_s:
        waiting = port.in_waiting
        if waiting:
            thrown = (thrown + bytes(port.read(min(waiting, CHUNK_BYTES))))[-CHUNK_BYTES:]
            quiet_from = now
        else:
            time.sleep(min(quiet_s, 0.005))
    return thrown
