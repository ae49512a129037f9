"""Records at the door: taken as meant, or refused for a stated reason."""

import json
import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.errors import BadRecord
from agent.records import LATEST_S, SENSED, SIGNALS, Record, decode_line, encode, record_from, rows

T = 1_750_000_000.0
BASE = {"time": T, "sump": "mill-2"}

GOOD = [
    {"signal": "level", "value": 203.4},
    {"signal": "running", "value": 1.0},
    {"signal": "temperature", "value": -4.0},
    {"signal": "brix", "value": 4.7},
    {"signal": "hand_reading", "value": 4.7, "temperature": 24.0, "by": "Ada", "note": "clean prism", "at": T - 600.0},
    {"signal": "titration", "value": 7.1},
    {"signal": "addition", "volume_l": 38.0, "pct": 2.5, "of": "mill-2-7"},
    {"signal": "addition"},
    {"signal": "metered", "volume_l": 0.0},
    {"signal": "recharge", "volume_l": 340.0, "pct": 7.0},
    {"signal": "drained", "volume_l": 20.0},
    {"signal": "dismissal", "of": "mill-2-7"},
    {"signal": "setting", "field": "usual_pct", "value": 3.0},
    {"signal": "setting", "field": "refractometer_factor", "value": 1.6},
    {"signal": "setting", "field": "curve", "value": [[0.0, 0.0], [100.0, 90.0]]},
    {"signal": "void", "record_time": T - 60.0, "record_signal": "addition"},
]


def line(**fields) -> bytes:
    return json.dumps(BASE | fields).encode() + b"\n"


def reason(raw: bytes) -> str:
    with pytest.raises(BadRecord) as refused:
        decode_line(raw)
    assert "\n" not in refused.value.reason
    return refused.value.reason


@pytest.mark.parametrize("fields", GOOD, ids=lambda f: f"{f['signal']}-{len(f)}")
def test_every_signal_is_taken_with_its_fields(fields):
    record = decode_line(line(**fields))
    for name, value in (BASE | fields).items():
        assert getattr(record, name) == value
    assert decode_line(encode(record)) == record
    assert record_from(BASE | fields) == record


def test_there_is_an_example_for_every_signal():
    assert {fields["signal"] for fields in GOOD} | {"mark"} == SIGNALS


@pytest.mark.parametrize("fields", GOOD, ids=lambda f: f"{f['signal']}-{len(f)}")
@pytest.mark.parametrize("lacks", ["time", "sump", "signal"])
def test_time_sump_and_signal_must_be_there(fields, lacks):
    row = BASE | fields
    del row[lacks]
    assert reason(json.dumps(row).encode()) == f"{lacks} is missing"


@pytest.mark.parametrize("fields", GOOD, ids=lambda f: f"{f['signal']}-{len(f)}")
def test_a_field_of_the_wrong_type_is_named(fields):
    for name in set(fields) - {"value"}:
        assert reason(line(**fields | {name: [1]})).startswith((name, f"unknown {name}"))


@given(st.sampled_from(GOOD), st.integers(0, int(LATEST_S)), st.sampled_from([0, 1, 3600, -7200, 20700]))
def test_a_date_with_offset_means_the_same_as_its_epoch_seconds(fields, time, offset):
    from datetime import datetime, timedelta, timezone

    zone = timezone(timedelta(seconds=offset // 60 * 60))
    fields = {k: v for k, v in fields.items() if k != "at"}
    as_text = datetime.fromtimestamp(time, zone).isoformat()
    assert decode_line(line(**fields | {"time": as_text})) == decode_line(line(**fields | {"time": time}))


@pytest.mark.parametrize("name", ["time", "at", "record_time"])
def test_every_time_field_takes_dates(name):
    fields = {
        "signal": "void",
        "record_time": 5.0,
        "record_signal": "level",
        "time": T,
        name: "1970-01-02T01:00:00+01:00",
    }
    if name == "at":
        fields["time"] = T
    assert getattr(decode_line(line(**fields)), name) == 86_400.0


@pytest.mark.parametrize(
    ("time", "words"),
    [
        ("2025-06-15T12:00:00", "no offset"),
        ("2025-06-15", "no RFC 3339"),
        ("yesterday", "no RFC 3339"),
        (True, "must be epoch seconds"),
        ({}, "must be epoch seconds"),
        (-5.0, "outside 1970-2200"),
        (T * 1000, "is it in seconds"),
        ("1969-12-31T23:00:00Z", "outside 1970-2200"),
        (None, "missing"),
    ],
)
def test_a_time_that_is_none_is_refused(time, words):
    assert words in reason(line(signal="level", value=1.0, time=time))


@pytest.mark.parametrize("signal", sorted(SENSED | {"hand_reading", "titration"}))
@pytest.mark.parametrize("value", [True, "7", None, [1.0], {}])
def test_a_value_that_is_no_number_is_refused(signal, value):
    assert reason(line(signal=signal, value=value)).startswith("value ")


@pytest.mark.parametrize("text", ["NaN", "Infinity", "-Infinity", "1e999", "9" * 400])
def test_numbers_that_are_not_finite_are_refused(text):
    raw = b'{"time":1750000000,"sump":"mill-2","signal":"level","value":%s}'
    assert re.search("JSON|must be a number", reason(raw % text.encode()))


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"signal": "running", "value": 0.5}, "0 or 1"),
        ({"signal": "hand_reading", "value": -0.1}, "0-100"),
        ({"signal": "titration", "value": 100.5}, "0-100"),
        ({"signal": "addition", "volume_l": -1.0}, "volume_l"),
        ({"signal": "addition", "pct": 101.0}, "pct"),
        ({"signal": "addition", "pct": -1.0}, "pct"),
        ({"signal": "recharge", "volume_l": -340.0, "pct": 7.0}, "volume_l"),
        ({"signal": "drained"}, "volume_l is missing"),
        ({"signal": "drained", "volume_l": -2.0}, "volume_l"),
        ({"signal": "metered", "volume_l": 1e9}, "volume_l"),
        ({"signal": "metered"}, "volume_l is missing"),
        ({"signal": "dismissal"}, "of is missing"),
        ({"signal": "dismissal", "of": ""}, "of is missing"),
        ({"signal": "void", "record_signal": "level"}, "record_time is missing"),
        ({"signal": "void", "record_time": 1.0}, "record_signal is missing"),
        ({"signal": "void", "record_time": 1.0, "record_signal": "levle"}, 'unknown signal "levle"'),
        ({"signal": "setting", "value": 7.0}, "field is missing"),
        ({"signal": "setting", "field": "full_l", "value": 7.0}, "cannot be set"),
        ({"signal": "setting", "field": "target_pct"}, "value is missing"),
        ({"signal": "setting", "field": "target_pct", "value": 0.0}, "above 0"),
        ({"signal": "setting", "field": "target_pct", "value": "7"}, "must be a number"),
        ({"signal": "setting", "field": "high_pct", "value": 101.0}, "0-100"),
        ({"signal": "setting", "field": "refractometer_factor", "value": 12.0}, "0.3-10"),
        ({"signal": "setting", "field": "curve", "value": [[0, 0], [1, 5], [2, 4]]}, "rise throughout"),
        ({"signal": "setting", "field": "curve", "value": 5.0}, "list"),
        ({"signal": "hand_reading", "value": 5.0, "at": T + 3600.0}, "at lies after time"),
        ({"signal": "levle", "value": 5.0}, 'unknown signal "levle"'),
        ({"signal": 7, "value": 5.0}, "unknown signal 7"),
        ({"signal": "mark"}, "value is missing"),
        ({"signal": "mark", "value": 1, "time": "noon"}, "time"),
    ],
)
def test_what_makes_no_sense_is_refused_with_its_reason(fields, words):
    assert words in reason(line(**fields))


@pytest.mark.parametrize("value", [3, 3.5, "noon", None, True, [1, {"a": 2}], {"n": 1}])
def test_a_mark_is_given_back_as_it_came(value):
    bare = decode_line(json.dumps({"signal": "mark", "value": value}).encode())
    assert (bare.value, type(bare.value)) == (value, type(value))
    assert decode_line(line(signal="mark", value=value)).time == T


def test_a_curve_that_is_set_comes_as_pairs_of_floats():
    record = decode_line(line(signal="setting", field="curve", value=[[0, 0], [100, 90]]))
    assert record.value == [[0.0, 0.0], [100.0, 90.0]]
    assert {type(x) for point in record.value for x in point} == {float}


def test_whole_numbers_are_numbers():
    record = decode_line(b'{"time":1750000000,"sump":"mill-2","signal":"level","value":203}')
    assert (type(record.time), type(record.value)) == (float, float)


def test_fields_nobody_knows_are_passed_over():
    extra = {"battery": {"v": [3.3]}, "ok": True}
    assert decode_line(line(signal="level", value=1.0, **extra)) == decode_line(line(signal="level", value=1.0))


@pytest.mark.parametrize(
    "raw",
    [
        b"rubbish",
        b"[1, 2]",
        b"5",
        b'"level"',
        b"null",
        b"{",
        b'{"time": 1',
        b'{"time":1}{"time":2}',
        b'\xff\xfe{"time":1}',
        b'{"time":1,"sump":"\xc3(","signal":"level","value":1}',
        b'{"time":1,"sump":"a","signal":"level","value":1,"x":"\xff"}',
        b'{"x":' + b"[" * 100_000 + b"]" * 100_000 + b"}",
        b'{"time":1,"sump":"a","signal":"level","value":1,"x":"' + b"y" * 2_000_000 + b'"}',
        b'{"time":1,"sump":"a","signal":"level","value":"\\ud800"}',
    ],
    ids=lambda raw: raw[:24],
)
def test_rubbish_is_refused_and_raises_nothing_else(raw):
    assert len(reason(raw)) < 300


@given(st.binary(max_size=200))
def test_any_bytes_are_a_record_or_refused(raw):
    try:
        assert decode_line(raw).signal in SIGNALS
    except BadRecord as bad:
        assert bad.reason


json_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=5,
)
NAMES = list(Record.__struct_fields__)


@given(st.sampled_from(sorted(SIGNALS)), st.dictionaries(st.sampled_from(NAMES), json_values))
def test_any_object_is_a_sound_record_or_refused(signal, fields):
    try:
        record = decode_line(json.dumps({"time": T, "sump": "a", "value": 1.0, **fields, "signal": signal}).encode())
    except BadRecord as bad:
        assert bad.reason
        return
    for name in ("time", "volume_l", "pct", "at", "temperature", "record_time"):
        value = getattr(record, name)
        assert value is None or (type(value) is float and math.isfinite(value))
    assert signal == "mark" or record.time >= 0.0
    assert decode_line(encode(record)) == record


def test_rows_go_on_after_a_bad_line_and_keep_their_numbers():
    lines = [line(signal="level", value=1.0), b"\n", b"rubbish\n", b"  \r\n", line(signal="level", value=2.0)]
    told = [(n, type(r)) for n, r in rows(lines)]
    assert told == [(1, Record), (3, BadRecord), (5, Record)]
