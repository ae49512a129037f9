"""The document of a calibration: written once, read back whole, and its seal."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.document import Document, NotOurs, read, written
from calibration.line import Value

CURVE = Document(
    "curve", "mill-2", 1_750_340_000.25, 'Petra "P." Hahn', {"points": 9, "rms_leave_one_out_l": 0.4},
    ({"poured_l": 0.0, "raw": 3.2, "raw_se": 0.1, "said": ""}, {"poured_l": 20.0, "raw": 37.9, "raw_se": 0.2}),
    ((3.2, 0.0), (37.9, 20.0), (60.4, 40.0)), "LT-4711", "L", "after the new pump\nwas fitted", False, "",
    ("step 2 is odd",), {"poured_with": "pail", "own_l": 0.1},
)  # fmt: skip


def test_it_reads_back_what_was_written() -> None:
    again = read(written(CURVE))
    assert replace(again, digest="") == CURVE
    assert len(again.digest) == 64


def test_its_name_carries_the_sump_the_kind_and_the_moment() -> None:
    assert CURVE.file_name == "mill-2-curve-20250619T133320Z.toml"


def test_any_program_reads_its_points_as_toml() -> None:
    raw = tomllib.loads(written(CURVE))
    assert raw["points"] == [[3.2, 0.0], [37.9, 20.0], [60.4, 40.0]]
    assert raw["calibration"]["by"] == CURVE.by
    assert raw["calibration"]["sensor_serial"] == "LT-4711"


def test_one_digit_changed_is_found() -> None:
    text = written(CURVE)
    with pytest.raises(NotOurs, match="changed after"):
        read(text.replace("[60.4, 40.0]", "[60.4, 41.0]"))
    for rubbish in ("", "points = [[0.0, 1.0]]", "[seal]\ndigest = 1\n", "\x00", text[:200]):
        with pytest.raises(NotOurs):
            read(rubbish)


@given(st.text(max_size=80), st.floats(allow_nan=False, allow_infinity=False))
def test_whatever_a_person_types_comes_back_as_typed(note: str, number: float) -> None:
    document = replace(CURVE, note=note, fit={"factor": {"value": number}}, kind="factor")
    again = read(written(document))
    assert again.note == note
    assert again.fit["factor"]["value"] == number
    assert again.setting == ("refractometer_factor", number)


def test_nobody_s_calibration_and_unknown_kinds_are_refused() -> None:
    with pytest.raises(NotOurs, match="name of the person"):
        replace(CURVE, by=" ")
    with pytest.raises(NotOurs, match="kind"):
        replace(CURVE, kind="mood")
    assert replace(CURVE, kind="hold_up").setting is None
    assert Value(1.0, 0.1, 0.8, 1.2).z(0.5) == pytest.approx(5.0)
