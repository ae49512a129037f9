"""What unknown bytes are guessed to be: form, numbers, units; and the guess reads the lines that it was made from."""

from __future__ import annotations

import re

import pytest

from agent.wire.ascii_line import Form, Line, checksum_of, reading_in
from agent.wire.guess import Guess, guess, is_text


def checked(text: str) -> bytes:
    return f"{text}*{checksum_of(text, 'xor'):02X}".encode()


CASES = [
    # what is heard, start, terminator, checksum, then (value of the last line, unit, signal) for each number
    (b"8.4 MM\r\nL1 LEVEL 0168.4 MM\r\nL1 LEVEL 0168.6 MM\r\nL1 LE", b"", b"\r\n", "none", [(168.6, "MM", "level")]),
    (b"\x02D 0123,4 cm T 23.5 C\x03\r\n" * 3, b"\x02", b"\x03\r\n", "none",
     [(123.4, "cm", "level"), (23.5, "C", "temperature")]),
    (b"R0231\rR0231\rR0232\rR0233\r", b"", b"\r", "none", [(233.0, "", "")]),
    (b"4.5\r\n4.6\r\n-4.7\r\n", b"", b"\r\n", "none", [(-4.7, "", "")]),
    (b"x\r\n$" + checked("B=  4.75") + b"\r\n$" + checked("B= 14.76") + b"\r\n", b"$", b"\r\n", "xor",
     [(14.76, "", "")]),
    (b";Temp=+ 21 ;Temp=- 3 ;Temp=+ 22 ;", b"", b";", "none", [(22.0, "", "temperature")]),
    (b"1 BRIX 4.75\n1 BRIX 4.80\n1 BRIX 4.85\n", b"", b"\n", "none", [(1.0, "BRIX", "brix"), (4.85, "", "brix")]),
]  # fmt: skip


@pytest.mark.parametrize(("heard", "start", "terminator", "checksum", "numbers"), CASES)
def test_the_form_of_lines_is_guessed_and_reads_them(
    heard: bytes, start: bytes, terminator: bytes, checksum: str, numbers: list[tuple[float, str, str]]
) -> None:
    found = guess(heard)
    assert found is not None
    assert (found.start, found.terminator, found.checksum) == (start, terminator, checksum)
    assert [(value(found, i), one.unit, one.signal) for i, one in enumerate(found.numbers)] == numbers


def value(found: Guess, index: int) -> object:
    form = Form(re.compile(found.numbers[index].pattern), checksum=found.checksum)
    return reading_in(Line(found.lines[-1]), form)


@pytest.mark.parametrize(
    "heard", [b"", b"\x00" * 50, bytes(range(256)) * 4, b"hello\r\nworld\r\nfoo\r\n", b"no end to it 5", b"1\r\n"]
)
def test_what_has_no_form_is_not_given_one(heard: bytes) -> None:
    assert guess(heard) is None


def test_a_pattern_says_no_to_what_is_not_like_the_lines() -> None:
    found = guess(b"..\r\nL1 LEVEL 0168.4 MM\r\nL1 LEVEL 0168.6 MM\r\n")
    assert found is not None
    pattern = re.compile(found.numbers[0].pattern)
    assert pattern.fullmatch("L1 LEVEL -12.0 MM")
    for other in ("L2 LEVEL 0168.4 MM", "L1 LEVEL 0168.4 M", "L1 LEVEL 016?.4 MM", "L1 LEVEL 0168.4 MM 7"):
        assert not pattern.fullmatch(other)


def test_a_wrong_baud_rate_is_no_text() -> None:
    assert not is_text(bytes([0x80, 0xE6, 0x9E, 0x00, 0xF8, 0x06]) * 20)
    assert is_text(b"\x02L 12.5\x03\r\n")
