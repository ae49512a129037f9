"""Rows become points that a store cannot misunderstand, and always the same ones."""

from __future__ import annotations

import json
import math
import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.io.blocks import Sample, pack
from agent.io.chain import LogRow
from agent.io.points import PointOf, Unfit, points
from agent.io.timeseries import line_of

NOW_S = 1_790_000_000.25
SIMULATED = frozenset({"mill-2"})


def row(kind: str, body: dict[str, Any] | bytes, sump: str | None = "mill-2") -> LogRow:
    data = body if isinstance(body, bytes) else json.dumps(body).encode()
    return LogRow(5, NOW_S, 1, kind, sump, None, data, None)


def lines(row: LogRow) -> list[str]:
    return [line_of(point.checked()) for point in points(row, "harrow-lane", SIMULATED)]


def test_a_block_gives_a_point_a_sample_with_raw_and_calibrated_value() -> None:
    samples = [
        Sample(NOW_S, "mill-2", "level", 120.5, 118.0, 0, True),
        Sample(NOW_S + 1, "mill-2", "temperature", 23.5, 23.5, 4, True),
        Sample(NOW_S + 2, "mill-1", "running", 1.0, 1.0, 0, False),
    ]
    tags = "site=harrow-lane,source=sensor,sump=mill-2"
    assert lines(row("block", pack(samples), None)) == [
        f"sump_level,simulated=true,{tags} litres=118,quality=0i,raw=120.5 1790000000250",
        f"sump_temperature,simulated=true,{tags} celsius=23.5,quality=4i,raw=23.5 1790000001250",
        "sump_running,simulated=false,site=harrow-lane,source=sensor,sump=mill-1 quality=0i,running=1 1790000002250",
    ]


def test_what_is_unknown_is_left_out_of_a_belief_and_its_status_is_a_number() -> None:
    body = {"time": NOW_S, "volume_l": 300, "strength_pct": 7.1, "hours_to_low": None, "status": "settled"}
    (line,) = lines(row("belief", body))
    assert line.split(" ")[1] == "status=1i,strength_pct=7.1,volume_l=300"


@pytest.mark.parametrize(
    ("kind", "measurement"), [("top_off", "sump_addition"), ("recharge", "sump_addition"), ("leak", "sump_finding")]
)
def test_findings_say_what_they_are(kind: str, measurement: str) -> None:
    body = {"kind": kind, "volume_l": 21.5, "makeup_pct": 2.5, "start": NOW_S - 90, "revision": 2, "text": "said"}
    (line,) = lines(row("finding", body))
    assert line.startswith(f"{measurement},kind={kind},simulated=true,")
    assert "start_s=1789999910.25" in line
    assert "text" not in line


def test_advice_is_open_until_it_is_withdrawn() -> None:
    body = {"kind": "top_off", "volume_l": 50.0, "reason": "level"}
    assert "open=1i" in lines(row("advice", body))[0]
    assert "open=0i" in lines(row("advice", body | {"withdrawn": True}))[0]


@pytest.mark.parametrize(
    ("record", "fields"),
    [
        ({"signal": "hand_reading", "value": 4.7}, ["sump_reading brix=4.7"]),
        ({"signal": "titration", "value": 7}, ["sump_reading strength_pct=7"]),
        ({"signal": "addition", "volume_l": 20, "pct": None}, ["sump_poured volume_l=20"]),
        ({"signal": "addition", "volume_l": None, "pct": None}, []),
        ({"signal": "dismissal", "of": "f-1"}, []),
    ],
)
def test_people_s_words_are_points_where_they_hold_a_number(record: dict[str, Any], fields: list[str]) -> None:
    found = lines(row("word", record | {"by": "Alex", "note": "as seen"}))
    assert [re.sub(r",\S+", "", line).rsplit(" ", 1)[0] for line in found] == fields
    assert not [line for line in found if "Alex" in line], "names of people are no tags"


@pytest.mark.parametrize("kind", ["review", "alert", "agent"])
def test_other_rows_are_no_points(kind: str) -> None:
    assert not lines(row(kind, {"event": "approve", "volume_l": 3}))


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        ({"litres": math.nan}, "litres is nan"),
        ({"litres": math.inf}, "litres is inf"),
        ({"litres": "12"}, "litres is no number"),
        ({"litres": True}, "litres is no number"),
        ({}, "no number in it"),
    ],
)
def test_a_point_that_a_store_would_turn_into_something_else_is_unfit(fields: dict[str, Any], why: str) -> None:
    with pytest.raises(Unfit, match=why):
        PointOf("sump_level", {"sump": "mill-2"}, fields, 1).checked()


@pytest.mark.parametrize(("tags", "time_ms"), [({"sump": ""}, 1), ({"sump": "a\nb"}, 1), ({}, -1), ({}, 2**62)])
def test_unfit_tags_and_times_are_refused(tags: dict[str, str], time_ms: int) -> None:
    with pytest.raises(Unfit):
        PointOf("sump_level", tags, {"litres": 1.0}, time_ms).checked()


@given(
    st.lists(
        st.builds(
            Sample,
            time=st.floats(0, 4e9),
            sump=st.sampled_from(["mill-1", "mill-2"]),
            signal=st.sampled_from(["level", "temperature", "brix", "running"]),
            raw=st.floats(allow_nan=False, allow_infinity=False),
            value=st.floats(-1e6, 1e6),
            flags=st.integers(0, 255),
            simulated=st.booleans(),
        ),
        min_size=1,
        max_size=30,
    )
)
def test_the_same_row_always_gives_the_same_lines_one_a_sample(samples: list[Sample]) -> None:
    block = row("block", pack(samples), None)
    assert lines(block) == lines(block)
    assert len(lines(block)) == len(samples)
    for line, sample in zip(lines(block), samples, strict=True):
        assert re.fullmatch(r"sump_\w+,[\w=,-]+ \S+ \d+", line)
        assert int(line.rsplit(" ", 1)[1]) == pytest.approx(sample.time * 1000, abs=0.51)
