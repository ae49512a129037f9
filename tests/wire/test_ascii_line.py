"""Lines: whole, byte by byte, and with rubbish before, inside and after."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.wire.ascii_line import LONGEST_LINE_BYTES, Line, LineDecoder, value_in
from agent.wire.outcomes import NEED_MORE, Fault

LEVEL = re.compile(r"L1 LEVEL (?P<value>[-+]?\d+\.\d) MM")


def events(decoder: LineDecoder, *chunks: bytes) -> list[Line | Fault]:
    """Everything the decoder says to these bytes, handed in as they are cut."""
    told: list[Line | Fault] = []
    for chunk in chunks:
        decoder.receive(chunk)
        while (event := decoder.next_event()) is not NEED_MORE:
            assert not isinstance(event, type(NEED_MORE))
            told.append(event)
    return told


def texts(told: list[Line | Fault]) -> list[str]:
    return [event.text for event in told if isinstance(event, Line)]


def faults(told: list[Line | Fault]) -> list[str]:
    return [event.text for event in told if isinstance(event, Fault)]


@pytest.mark.parametrize("start", [b"", b"$"])
@pytest.mark.parametrize("terminator", [b"\r\n", b"\r", b"\x03"])
def test_lines_whole_and_byte_by_byte_are_the_same(start: bytes, terminator: bytes) -> None:
    stream = b"".join(start + text + terminator for text in (b"L 1.0", b"L 2.0", b"", b"L 3.0"))
    whole = events(LineDecoder(start, terminator, in_step=True), stream)
    single = events(LineDecoder(start, terminator, in_step=True), *(stream[i : i + 1] for i in range(len(stream))))
    assert whole == single == [Line("L 1.0"), Line("L 2.0"), Line("L 3.0")]


def test_a_line_that_is_not_whole_asks_for_more() -> None:
    decoder = LineDecoder(b"", b"\r\n", in_step=True)
    decoder.receive(b"L 120.5\r")
    assert decoder.next_event() is NEED_MORE
    decoder.receive(b"\n")
    assert decoder.next_event() == Line("L 120.5")
    assert decoder.next_event() is NEED_MORE


def test_without_a_start_mark_the_first_half_line_is_passed_over_in_silence() -> None:
    assert events(LineDecoder(b"", b"\r\n"), b"20.5 MM\r\nL 1.0\r\n") == [Line("L 1.0")]


def test_with_a_start_mark_the_first_line_counts_and_what_was_before_it_is_told() -> None:
    told = events(LineDecoder(b"$", b"\r\n"), b"20.5 MM$L 1.0\r\n$L 2.0\r\n")
    assert texts(told) == ["L 1.0", "L 2.0"]
    assert faults(told) == ["rubbish before the start mark: '20.5 MM'"]


def test_a_line_that_was_cut_off_by_the_next_one_is_rubbish() -> None:
    told = events(LineDecoder(b"$", b"\r\n"), b"$L 12$L 120.5\r\n")
    assert texts(told) == ["L 120.5"]
    assert faults(told) == ["rubbish before the start mark: '$L 12'"]


def test_a_line_without_its_start_mark_is_rubbish() -> None:
    told = events(LineDecoder(b"$", b"\r\n"), b"L 1.0\r\n$L 2.0\r\n")
    assert told == [Fault("no start mark in 'L 1.0'"), Line("L 2.0")]


@pytest.mark.parametrize("rubbish", [b"\xff", b"\x01", b"\x7f", b"\xc3\xa4"])
def test_rubbish_inside_a_line_is_never_text(rubbish: bytes) -> None:
    told = events(LineDecoder(b"", b"\r\n", in_step=True), b"L 12" + rubbish + b".5\r\nL 2.0\r\n")
    assert texts(told) == ["L 2.0"]
    assert len(faults(told)) == 1
    assert "not text" in faults(told)[0]


def test_idle_fill_between_lines_is_no_rubbish() -> None:
    assert events(LineDecoder(b"$", b"\r"), b"\n\x00 $L 1.0\r\n\x00 $L 2.0\r") == [Line("L 1.0"), Line("L 2.0")]


def test_a_stream_without_line_ends_is_told_once_and_held_within_bounds() -> None:
    decoder = LineDecoder(b"", b"\r\n", in_step=True)
    told = events(decoder, *[b"x" * 100] * 200)
    assert len(told) == 1
    assert "no line end" in faults(told)[0]
    assert len(decoder._data) <= LONGEST_LINE_BYTES + 100
    assert events(decoder, b"tail of it\r\nL 1.0\r\n") == [Line("L 1.0")]


def test_a_half_terminator_at_the_end_of_an_overlong_line_is_not_lost() -> None:
    decoder = LineDecoder(b"", b"\r\n", in_step=True)
    events(decoder, b"x" * (LONGEST_LINE_BYTES + 1) + b"\r")
    assert events(decoder, b"\nL 1.0\r\n") == [Line("L 1.0")]


def test_after_an_overlong_line_a_start_mark_is_enough_to_go_on() -> None:
    decoder = LineDecoder(b"$", b"\r\n")
    told = events(decoder, b"x" * LONGEST_LINE_BYTES + b"$L 1", b".0\r\n")
    assert texts(told) == ["L 1.0"]
    assert len(faults(told)) == 1


def test_reset_forgets_what_was_begun() -> None:
    decoder = LineDecoder(b"", b"\r\n", in_step=True)
    events(decoder, b"L 12")
    decoder.reset(in_step=True)
    assert events(decoder, b"L 3.0\r\n") == [Line("L 3.0")]


def test_a_decoder_without_terminator_is_refused() -> None:
    with pytest.raises(ValueError, match="terminator"):
        LineDecoder(b"$", b"")


@given(st.binary(max_size=2000), st.integers(1, 50), st.sampled_from([b"", b"$"]))
def test_any_bytes_cut_anywhere_give_the_same_lines_and_after_them_a_good_one_is_read(
    rubbish: bytes, size: int, start: bytes
) -> None:
    """Faults may fall otherwise where the stream is cut otherwise; what passes for a line may not."""
    stream = rubbish + b"\r\n" + start + b"L1 LEVEL 120.5 MM\r\n"
    whole = events(LineDecoder(start, b"\r\n"), stream)
    cut = events(LineDecoder(start, b"\r\n"), *(stream[i : i + size] for i in range(0, len(stream), size)))
    if len(rubbish) < LONGEST_LINE_BYTES - 40:
        assert texts(whole) == texts(cut)
    for told in (whole, cut):
        assert texts(told)[-1].endswith("L1 LEVEL 120.5 MM")
        assert value_in(Line(texts(told)[-1].rpartition("$")[2]), LEVEL) == 120.5


@pytest.mark.parametrize(
    ("text", "value"),
    [("L1 LEVEL 120.5 MM", 120.5), ("L1 LEVEL -3.0 MM", -3.0), ("L1 LEVEL +003.5 MM", 3.5)],
)
def test_the_number_in_a_line(text: str, value: float) -> None:
    assert value_in(Line(text), LEVEL) == value


@pytest.mark.parametrize(
    "text",
    ["L1 LEVEL 120.5", "XL1 LEVEL 120.5 MM", "L1 LEVEL 12?.5 MM", "L1 LEVEL 120.5 MM 7", "L1 LEVEL ---.- MM"],
)
def test_a_line_that_the_pattern_does_not_describe_whole_is_no_reading(text: str) -> None:
    fault = value_in(Line(text), LEVEL)
    assert isinstance(fault, Fault)
    assert text in fault.text


def test_a_decimal_comma_and_a_spaced_sign_are_understood() -> None:
    pattern = re.compile(r"(?P<value>.*) mm")
    assert value_in(Line("- 12,5 mm"), pattern) == -12.5


@pytest.mark.parametrize("text", ["nan mm", "inf mm", "1e999 mm", "--- mm", " mm"])
def test_what_is_no_number_is_no_measurement(text: str) -> None:
    assert isinstance(value_in(Line(text), re.compile(r"(?P<value>.*) mm")), Fault)
