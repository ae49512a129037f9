"""Registers and loop currents: a number, or words on why there is none."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.wire.current_loop import raw_at
from agent.wire.outcomes import Fault, shown
from agent.wire.registers import number, words_of

LAYOUTS = {"uint16": "H", "int16": "h", "uint32": "I", "int32": "i", "float32": "f"}
RANGES = {"uint16": (0, 65_535), "int16": (-32_768, 32_767), "uint32": (0, 2**32 - 1), "int32": (-(2**31), 2**31 - 1)}


def as_words(value: float, kind: str, order: str) -> list[int]:
    """The registers a device would show, by way of bytes."""
    data = struct.pack(">" + LAYOUTS[kind], value)
    words = [int.from_bytes(data[i : i + 2], "big") for i in range(0, len(data), 2)]
    return words if order == "big" else words[::-1]


@given(st.data(), st.sampled_from(sorted(RANGES)), st.sampled_from(["big", "little"]))
def test_whole_numbers_survive(data: st.DataObject, kind: str, order: str) -> None:
    value = data.draw(st.integers(*RANGES[kind]))
    assert number(as_words(value, kind, order), kind, order) == value


@given(st.floats(width=32, allow_nan=False, allow_infinity=False), st.sampled_from(["big", "little"]))
def test_floats_survive(value: float, order: str) -> None:
    assert number(as_words(value, "float32", order), "float32", order) == value


def test_word_order_is_told_apart() -> None:
    assert number([1, 2], "uint32", "big") == 65_538
    assert number([1, 2], "uint32", "little") == 131_073


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_float_that_says_no_reading_is_no_reading(value: float) -> None:
    outcome = number(as_words(value, "float32", "big"), "float32")
    assert isinstance(outcome, Fault)
    assert "no reading" in outcome.text


@pytest.mark.parametrize(("words", "kind"), [([], "uint16"), ([1, 2], "int16"), ([1], "float32"), ([1, 2, 3], "int32")])
def test_a_wrong_count_of_registers_is_a_fault(words: list[int], kind: str) -> None:
    outcome = number(words, kind)
    assert isinstance(outcome, Fault)
    assert f"{len(words)} registers came, {kind} takes {words_of(kind)}" == outcome.text


@pytest.mark.parametrize("word", [-1, 65_536])
def test_a_register_beyond_16_bits_is_a_fault(word: int) -> None:
    assert isinstance(number([word], "uint16"), Fault)


def test_a_kind_that_is_none_is_a_bug() -> None:
    with pytest.raises(KeyError):
        words_of("float64")


# -- current loop -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("current_ma", "raw"), [(4.0, 0.0), (12.0, 300.0), (20.0, 600.0), (3.9, -3.75), (20.4, 615.0), (4.0 + 1.6, 60.0)]
)
def test_a_loop_between_its_ends_measures(current_ma: float, raw: float) -> None:
    assert raw_at(current_ma, 0.0, 600.0) == pytest.approx(raw)


def test_a_loop_may_fall_while_the_reading_rises() -> None:
    assert raw_at(8.0, 560.0, 0.0) == pytest.approx(420.0)


@pytest.mark.parametrize(
    ("current_ma", "words"),
    [
        (0.0, "wire broken"),
        (3.6, "wire broken"),
        (3.7, "lower end"),
        (3.8, "lower end"),
        (20.5, "upper end"),
        (20.9, "upper end"),
        (21.0, "shorted"),
        (23.0, "shorted"),
        (-1.0, "wire broken"),
        (math.nan, "not a number"),
        (math.inf, "not a number"),
    ],
)
def test_the_ends_of_a_loop_are_no_measurements(current_ma: float, words: str) -> None:
    outcome = raw_at(current_ma, 0.0, 600.0)
    assert isinstance(outcome, Fault)
    assert words in outcome.text


def test_bytes_are_shown_so_that_a_person_can_read_them() -> None:
    assert shown(b"L 1\xff\x00\r") == r"'L 1\xff\x00\x0d'"
    assert shown(b"x" * 50, 5) == "'xxxxx'…"
