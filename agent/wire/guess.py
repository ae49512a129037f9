"""What an unknown transmitter's bytes look like: line form, numbers, units. Pure; `sumpside listen` shows it.

A guess is for a person to confirm: it says what it saw and proposes, it decides nothing.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from typing import Final

from agent.wire.ascii_line import FILLERS, Form, Line, LineDecoder, checksum_of, reading_in
from agent.wire.outcomes import NEED_MORE, Fault

TERMINATORS: Final = (b"\x03\r\n", b"\r\n", b"\n", b"\r", b"\x03", b";")
STARTS: Final = (b"\x02", b"$", b"!", b":", b"#", b"@", b">", b"*")
FEWEST_LINES: Final = 2  # one alone tells nothing of what changes
TEXT_SHARE: Final = 0.9  # of the bytes must be text, or it is no line of text
NUMBER: Final = re.compile(r"(?:[-+] *)?\d+(?:[.,]\d+)?")
UNITS: Final = {"mm": "level", "cm": "level", "m": "level", "in": "level", "%": "level", "l": "level", "mbar": "level",
                "c": "temperature", "°c": "temperature", "f": "temperature", "degc": "temperature",
                "brix": "brix", "bx": "brix", "%brix": "brix", "ma": "level"}  # fmt: skip
SIGNAL_WORDS: Final = {"level": "level", "dist": "level", "height": "level", "temp": "temperature", "brix": "brix"}
_UNIT: Final = re.compile(r"\s*([A-Za-z%°]{1,6})(?![A-Za-z])")
_CHECK: Final = re.compile(r"\*?([0-9A-Fa-f]{2})$")


@dataclass(frozen=True, slots=True)
class Number:
    """One number of the lines: where it stands among them, what was seen, and what it may be."""

    least: float
    most: float
    unit: str
    signal: str
    pattern: str  # a regular expression for the whole line with this number as its group `value`


@dataclass(frozen=True, slots=True)
class Guess:
    """The form of the lines, and the numbers in them."""

    start: bytes
    terminator: bytes
    checksum: str
    lines: tuple[str, ...]
    numbers: tuple[Number, ...]


def is_text(data: bytes) -> bool:
    """Whether most of it is text: if not, it is another baud rate, or no line of text."""
    text = sum(32 <= byte < 127 or byte in b"\t\r\n\x02\x03\x00" for byte in data)
    return bool(data) and text >= TEXT_SHARE * len(data)


def guess(data: bytes) -> Guess | None:
    """The form of what was heard; None where it shows none."""
    if not is_text(data):
        return None
    for terminator in TERMINATORS:
        start = _start(data, terminator)
        lines = _lines(data, start, terminator)
        shape, count = Counter(_shape(line) for line in lines).most_common(1)[0] if lines else ("", 0)
        alike = [line for line in lines if _shape(line) == shape]
        if count >= FEWEST_LINES and count >= 0.6 * len(lines) and NUMBER.search(alike[0]):
            kind = _checksum(alike)
            return Guess(start, terminator, kind, tuple(alike), _numbers(alike, kind))
    return None


def _start(data: bytes, terminator: bytes) -> bytes:
    """The one character that begins every line, if there is one; the first piece may be half a line."""
    pieces = [piece.lstrip(FILLERS) for piece in data.split(terminator)[1:-1]]
    firsts = {piece[:1] for piece in pieces if piece}
    first = firsts.pop() if len(firsts) == 1 else b""
    return first if first in STARTS else b""


def _lines(data: bytes, start: bytes, terminator: bytes) -> list[str]:
    decoder = LineDecoder(start, terminator)
    decoder.receive(data)
    lines = []
    while (event := decoder.next_event()) is not NEED_MORE:
        if isinstance(event, Line):
            lines.append(event.text)
    return lines


def _shape(line: str) -> str:
    """The line with its numbers made one, so that lines which differ in them alone are alike."""
    return re.sub(" *0", "0", NUMBER.sub("0", _CHECK.sub("*", line) if "*" in line else line))


def _checksum(lines: list[str]) -> str:
    """ "xor" or "sum" where the last two digits of every line are that of what stands before them."""
    found = [_CHECK.search(line) for line in lines]
    for kind in ("xor", "sum"):
        if all(match and int(match[1], 16) == checksum_of(match.string[: match.start()], kind) for match in found):
            return kind
    return "none"


def _numbers(lines: list[str], checksum: str) -> tuple[Number, ...]:
    first = _without_check(lines[0], checksum)
    places = list(NUMBER.finditer(first))
    columns = list(zip(*(NUMBER.findall(_without_check(line, checksum)) for line in lines), strict=True))
    fixed = {i for i, place in enumerate(places) if _is_name(first, place) and len(set(columns[i])) == 1}
    numbers = []
    for index in set(range(len(places))) - fixed:
        pattern = _pattern(first, places, index, fixed, checksum)
        form = Form(re.compile(pattern), checksum=checksum)
        values = [v for line in lines if not isinstance(v := reading_in(Line(line), form), Fault)]
        if len(values) < FEWEST_LINES:
            continue
        unit = _UNIT.match(first, places[index].end())
        named = unit[1] if unit else ""
        before = first[places[index - 1].end() if index else 0 : places[index].start()].lower()
        by_word = next((signal for word, signal in SIGNAL_WORDS.items() if word in before), "")
        numbers.append(Number(min(values), max(values), named, by_word or UNITS.get(named.lower(), ""), pattern))
    return tuple(numbers)


def _without_check(line: str, checksum: str) -> str:
    return line if checksum == "none" else _CHECK.sub("", line)


def _is_name(line: str, place: re.Match[str]) -> bool:
    """A digit that belongs to a word before it, as in L1, may be part of a name."""
    return place.start() > 0 and line[place.start() - 1].isalpha() and place[0].isdigit()


def _pattern(line: str, places: list[re.Match[str]], wanted: int, fixed: set[int], checksum: str) -> str:
    """The line as a regular expression: what stands fast by itself, numbers by their form, the wanted one named."""
    parts, at = [], 0
    for index, place in enumerate(places):
        parts.append(_literal(line[at : place.start()]))
        form = r"(?:[-+] *)?\d+[.,]\d+" if re.search(r"[.,]", place[0]) else r"(?:[-+] *)?\d+"
        one = re.escape(place[0]) if index in fixed else form
        parts.append(f"(?P<value>{form})" if index == wanted else one)
        at = place.end()
    tail = {"none": ""}.get(checksum, r"\*?(?P<check>[0-9A-Fa-f]{2})")
    return "".join(parts) + _literal(line[at:]) + tail


def _literal(text: str) -> str:
    """Fixed text; the spaces in it may be more, and before a number, which may be padded, fewer."""
    spaced = re.sub(r"(?:\\? )+", " +", re.escape(text))
    return spaced[:-1] + "*" if spaced.endswith(" +") else spaced
