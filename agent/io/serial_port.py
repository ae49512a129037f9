"""A serial port: opened for one bus alone, drained, and its many ways to fail made one (`PortGone`)."""

from __future__ import annotations

import termios
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import serial

from agent.io.bus import READ_SLICE_S, PortGone
from agent.site_buses import SerialBus

WRITE_TIMEOUT_S = 1.0  # a request is a few bytes; a port that takes none for so long is stuck
CHUNK_BYTES = 4096
OWED_S = 60.0  # an answer that has not come by then has been lost on the way
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

    While one is owed, an answer counts only when it stays the only one to its question: behind a late answer comes the
    one that was asked for, and which is which nobody can tell, so that neither counts, and the debt is paid.
    """

    def __init__(self) -> None:
        self._until: dict[object, float] = {}  # monotonic s

    def owes(self, who: object) -> None:
        """An answer was waited for in vain, longer than any takes that are known."""
        self._until[who] = time.monotonic() + OWED_S

    def is_alone(self, who: object, port: serial.Serial, timeout_s: float, behind: bytes) -> bool:
        """Whether the answer that has just come, and `behind` it, may count; waits `timeout_s` where one is owed."""
        if time.monotonic() >= self._until.get(who, 0.0):
            self._until.pop(who, None)
            return True
        if not behind and not heard(port, timeout_s):
            return True
        del self._until[who]
        drain(port, timeout_s, 2.0 * timeout_s)
        return False


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
