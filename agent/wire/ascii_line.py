"""Lines of text from a transmitter: [start mark] text terminator. Bytes in, events out, no port inside.

Three outcomes of `next_event`: a `Line`, a `Fault` that says what was wrong, or NEED_MORE.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from agent.wire.outcomes import NEED_MORE, Fault, NeedMore, shown

LONGEST_LINE_BYTES = 512  # transmitters send some 20; what goes on longer is a wrong baud rate or a stuck line
_HEX_BYTE = re.compile(r"[0-9A-Fa-f]{2}")
_DIGITS = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{1,3})?", re.ASCII)
FILLERS = b" \t\r\n\x00"  # between lines these are no rubbish: printers' feeds and idle fill


@dataclass(frozen=True, slots=True)
class Line:
    """The text of one line, without its marks."""

    text: str


class LineDecoder:
    """Cuts a stream into lines; holds at most LONGEST_LINE_BYTES and what was handed in last.

    Without a start mark, what comes first may be the rear half of a line, whose number would be wrong: unless
    `in_step`, everything up to the first terminator is passed over.
    """

    def __init__(self, start: bytes, terminator: bytes, in_step: bool = False) -> None:
        if not terminator:
            raise ValueError("a line needs a terminator")
        self._start, self._terminator = start, terminator
        self._data = b""
        self._skip = False
        self._faults: list[Fault] = []
        self.reset(in_step)

    def reset(self, in_step: bool) -> None:
        """Forget what was begun; `in_step` when the next byte is known to begin a line."""
        self._data = b""
        self._faults.clear()
        self._skip = not (in_step or self._start)

    def receive(self, data: bytes) -> None:
        """Hand in bytes as they come."""
        self._data += data

    @property
    def held(self) -> bytes:
        """What has come behind the lines that were taken."""
        return self._data

    def next_event(self) -> Line | Fault | NeedMore:
        """The next line or fault in what was received."""
        while not self._faults:
            frame, found, rest = self._data.partition(self._terminator)
            if not found:
                return self._overlong()
            self._data = rest
            if self._skip:
                self._skip = False
                continue
            event = self._frame(frame)
            if event is not NEED_MORE:
                return event
        return self._faults.pop(0)

    def _overlong(self) -> Fault | NeedMore:
        if len(self._data) <= LONGEST_LINE_BYTES:
            return NEED_MORE
        was_skipping, lost = self._skip, self._data
        mark = lost.rfind(self._start, 1) if self._start else -1
        self._skip = not 0 < len(lost) - mark <= LONGEST_LINE_BYTES or mark < 0
        # Go on at a start mark; else half a terminator may be the last of it.
        self._data = lost[-len(self._terminator) :] if self._skip else lost[mark:]
        return NEED_MORE if was_skipping else Fault(f"no line end in {len(lost)} bytes: {shown(lost)}")

    def _frame(self, frame: bytes) -> Line | Fault | NeedMore:
        if len(frame) > LONGEST_LINE_BYTES:
            return Fault(f"a line of {len(frame)} bytes: {shown(frame)}")
        before, mark, text = frame.rpartition(self._start) if self._start else (b"", b"", frame)
        if self._start and not mark:
            return Fault(f"no start mark in {shown(frame)}") if frame.strip(FILLERS) else NEED_MORE
        event = self._text(text)
        if before.strip(FILLERS):
            return self._after(Fault(f"rubbish before the start mark: {shown(before)}"), event)
        return event

    def _after(self, fault: Fault, event: Line | Fault | NeedMore) -> Line | Fault | NeedMore:
        """The line is sound by its start mark; the rubbish before it is told next."""
        self._faults.append(fault)
        return event

    def _text(self, text: bytes) -> Line | Fault | NeedMore:
        stripped = text.strip(FILLERS)
        if not stripped:
            return NEED_MORE
        if not stripped.isascii() or not stripped.decode("ascii").isprintable():
            return Fault(f"not text: {shown(stripped)}")
        return Line(stripped.decode("ascii"))


@dataclass(frozen=True, slots=True)
class Form:
    """What a whole line looks like. Groups of `pattern`: `value`, and where there are any `unit` and `check`.

    `units`: by what the numbers of each unit are multiplied; a unit that is not among them is no measurement.
    `checksum`: "xor" or "sum" of all characters before the group `check` (but for a `*` just before it), 8 bits.
    """

    pattern: re.Pattern[str]
    units: Mapping[str, float] = field(default_factory=dict)
    checksum: str = "none"


def reading_in(line: Line, form: Form) -> float | Fault:
    """The number in a line of this form, its unit and checksum minded."""
    match = form.pattern.fullmatch(line.text)
    if match is None:
        return Fault(f"the pattern does not fit the line {shown(line.text.encode())}")
    if form.checksum != "none" and (wrong := _check_fault(match, form.checksum)):
        return wrong
    value = _number(match["value"] or "")
    if isinstance(value, Fault) or not form.units:
        return value
    unit = match["unit"] or ""
    return value * form.units[unit] if unit in form.units else Fault(f"unit {shown(unit.encode())} is not in units")


def value_in(line: Line, pattern: re.Pattern[str]) -> float | Fault:
    """The number that `pattern` finds as its group `value`, in the transmitter's unit.

    The pattern must describe the whole line, or a number with a wrecked digit would pass for a shorter one.
    A decimal comma is read as a point.
    """
    return reading_in(line, Form(pattern))


def checksum_of(text: str, kind: str) -> int:
    """Eight bits over characters: "xor" (as in NMEA 0183) or "sum"."""
    total = 0
    for byte in text.encode("ascii", "replace"):
        total = total ^ byte if kind == "xor" else total + byte & 0xFF
    return total


def _check_fault(match: re.Match[str], kind: str) -> Fault | None:
    sent = match["check"] or ""
    ours = checksum_of(match.string[: match.start("check")].removesuffix("*"), kind)
    if _HEX_BYTE.fullmatch(sent) and int(sent, 16) == ours:
        return None
    return Fault(f"checksum {shown(sent.encode())} does not fit, {ours:02X} would")


def _number(text: str) -> float | Fault:
    digits = text.replace(" ", "").replace(",", ".")
    if not _DIGITS.fullmatch(digits):  # float() would also take 1_000, infinity and nan
        return Fault(f"{shown(digits.encode())} is no number")
    value = float(digits)
    return value if math.isfinite(value) else Fault(f"{shown(digits.encode())} is no measurement")
