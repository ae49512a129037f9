"""`sumpside listen`: what an unknown device says, what it may mean, and the piece of the site file for it.

Listens first and asks only a silent line: Modbus questions that read, one at a time, each with a short deadline.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import serial

from agent.io.bus import PortGone
from agent.io.modbus import Answer, ask_rtu
from agent.io.modbus_tcp import connected
from agent.io.scan import NAMES, Ask, Register, registers_of, units_that_answer
from agent.io.serial_port import drain, heard, open_port, port_faults
from agent.site_buses import AsciiLineBus
from agent.site_piece import line_piece, meanings, register_piece
from agent.wire.guess import Guess, guess, is_text
from agent.wire.modbus import Question
from agent.wire.outcomes import shown

BAUDS = (9600, 19200, 38400, 115200, 57600, 4800, 2400)  # the commonest first
SCANNED_BAUDS = (9600, 19200)
WIDTH = 16  # bytes a line of the dump
MOST_DUMPED = 2_048  # bytes that are shown; what a device sends repeats itself
ENOUGH_BYTES = 4_096
MOST_UNITS_READ = 4  # whose registers are read: more is a whole works on one line
QUIET_S = 0.004
ASK_EVERY_S = 0.5  # several answers are needed to see what changes in them
ASK_TIMES = 5

Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Wish:
    """What the person asked for. `baud` None: the usual ones are tried."""

    port: str
    baud: int | None = None
    parity: str = "N"
    seconds: float = 5.0
    poll: str = ""
    units: range = range(1, 17)
    registers: range = range(16)
    timeout_s: float = 0.2
    modbus: bool = True
    sump: str = "my-sump"
    signal: str = "level"

    @property
    def address(self) -> tuple[str, int] | None:
        """Host and port, where PORT names a network device."""
        host, colon, number = self.port.rpartition(":")
        return (host, int(number)) if colon and number.isdigit() and "/" not in self.port else None


def listen(wish: Wish, tell: Tell) -> str | None:
    """The piece of the site file; None where nothing was made out. Raises PortGone."""
    if wish.address is not None:
        return _network(wish, *wish.address, tell)
    for baud in (wish.baud,) if wish.baud else BAUDS:
        data = _hear(wish, baud, tell)
        if not data:
            break  # silence is silence at any rate
        if (found := guess(data)) is not None:
            _tell_guess(found, tell)
            return line_piece(wish.port, baud, found, wish.sump, wish.signal, wish.poll)
        tell(_why_no_form(data, baud))
        if is_text(data):
            break  # the rate is right
    return _serial_modbus(wish, tell) if wish.modbus and not data else None


# -- lines ------------------------------------------------------------------------------------------------------------


def _hear(wish: Wish, baud: int, tell: Tell) -> bytes:
    tell(f"listening on {wish.port} at {baud} baud for {wish.seconds:g} s")
    data = b""
    with _opened(wish, baud) as port:
        end, ask_at = time.monotonic() + wish.seconds, 0.0
        while (left := end - time.monotonic()) > 0.0 and len(data) < ENOUGH_BYTES:
            if wish.poll and time.monotonic() >= ask_at:
                ask_at = time.monotonic() + min(ASK_EVERY_S, wish.seconds / ASK_TIMES)
                port.write(wish.poll.encode("latin-1"))
            data += heard(port, left)
    for line in dump(data[:MOST_DUMPED]):
        tell(line)
    tell(f"{len(data)} bytes" if data else "nothing came")
    return data


def dump(data: bytes) -> Iterator[str]:
    """Bytes as lines of offset, hexadecimal and text."""
    for at in range(0, len(data), WIDTH):
        piece = data[at : at + WIDTH]
        text = "".join(chr(byte) if 32 <= byte < 127 else "." for byte in piece)
        yield f"{at:06x}  {piece.hex(' '):<{3 * WIDTH}} {text}"


def _tell_guess(found: Guess, tell: Tell) -> None:
    start = f"begin with {shown(found.start)}, " if found.start else ""
    check = f", last two digits: checksum {found.checksum}" if found.checksum != "none" else ""
    tell(f"lines {start}end with {shown(found.terminator)}{check}")
    for one in found.numbers:
        tell(f"a number from {one.least:g} to {one.most:g} {one.unit or '(no unit)'}: {one.signal or 'signal unknown'}")


def _why_no_form(data: bytes, baud: int) -> str:
    if is_text(data):
        return "text, but no line that comes again: listen longer (--seconds), or it must be asked (--ask)"
    return f"no text at {baud} baud: another rate, another parity, or a bus on which others speak"


@contextmanager
def _opened(wish: Wish, baud: int) -> Iterator[serial.Serial]:
    table = {"id": "new", "driver": "ascii_line", "port": wish.port, "baud": baud, "parity": wish.parity}
    with open_port(AsciiLineBus.model_validate(table)) as port, port_faults(wish.port):
        yield port


# -- Modbus -----------------------------------------------------------------------------------------------------------


def _serial_modbus(wish: Wish, tell: Tell) -> str | None:
    for baud in (wish.baud,) if wish.baud else SCANNED_BAUDS:
        units = f"units {wish.units.start} to {wish.units.stop - 1}"
        tell(f"asking Modbus {units} at {baud} baud, reading only, {wish.timeout_s:g} s each")
        with _opened(wish, baud) as port:
            found = _scan(wish, _patient(port, wish), tell)
        if found:
            head = ['driver = "modbus_rtu"', f'port = "{wish.port}"', f"baud = {baud}", f'parity = "{wish.parity}"']
            return register_piece(head, found, wish.sump, wish.signal)
    tell("nobody answers: see to supply, polarity of the two wires, baud rate and unit number")
    return None


def _patient(port: serial.Serial, wish: Wish) -> Ask:
    """Asks on a line that is quiet, and lets a late answer go by before the next question."""

    def ask(question: Question) -> Answer:
        drain(port, QUIET_S, wish.timeout_s)
        return ask_rtu(port, question, wish.timeout_s, lambda: False)

    return ask


def _network(wish: Wish, host: str, number: int, tell: Tell) -> str | None:
    tell(f"asking Modbus units {wish.units.start} to {wish.units.stop - 1} at {host}:{number}, reading only")
    try:
        with connected(host, number) as connection:
            found = _scan(wish, lambda question: connection.ask(question, wish.timeout_s, lambda: False), tell)
    except OSError as error:
        raise PortGone(f"{wish.port}: {error.strerror or error}") from error
    if not found:
        tell("nobody answers: see to the unit number, and whether it is Modbus that listens there")
        return None
    head = ['driver = "modbus_tcp"', f'host = "{host}"', f"port = {number}"]
    return register_piece(head, found, wish.sump, wish.signal)


def _scan(wish: Wish, ask: Ask, tell: Tell) -> list[Register]:
    found: list[Register] = []
    for unit in list(units_that_answer(ask, wish.units, tell))[:MOST_UNITS_READ]:
        mine = list(registers_of(ask, unit, wish.registers))
        words = {(one.unit, one.function, one.address): one.word for one in mine}
        for one in mine:
            if one.word:
                tell(f"unit {unit} {NAMES[one.function]} {one.address}: {meanings(one, words)}")
        found += mine
    return found
