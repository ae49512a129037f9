"""Records: what sensors and people say, one JSON object a line. Every door comes through here.

A line has two outcomes: a `Record` whose fields make sense for its signal, or `BadRecord` that says why not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import datetime
from typing import Annotated, Any, Final

import msgspec

from agent.core.points import as_points, is_number
from agent.errors import BadRecord

NO_TIME: Final = -1.0  # a mark may have no time of its own; real times are never negative
LATEST_S: Final = 7_258_118_400.0  # 2200-01-01: a later time is a unit mistaken (milliseconds), not a date
AT_SLACK_S: Final = 300.0  # a person's watch may go this much before ours
MAX_LINE_BYTES: Final = 1_000_000  # no honest record comes near; keeps a runaway line out of the parser
MAX_VOLUME_L: Final = 1_000_000.0  # the largest central systems hold some 100 m³

SENSED: Final = frozenset({"level", "running", "temperature", "brix"})
SAID: Final = frozenset(
    {"hand_reading", "titration", "addition", "recharge", "drained", "dismissal", "setting", "void"}
)
SIGNALS: Final = SENSED | SAID | {"metered", "mark"}
SETTINGS_PCT: Final = frozenset({"usual_pct", "target_pct", "low_pct", "high_pct"})
SETTINGS: Final = SETTINGS_PCT | {"refractometer_factor", "curve"}
FACTOR_RANGE: Final = (0.3, 10.0)  # known products lie within 1-4; beyond this it is a typing error


class Record(msgspec.Struct, frozen=True, gc=False, omit_defaults=True):
    """One record. Times in epoch seconds, `*_l` in litres, `pct` % by volume of the mix; unset is None."""

    time: float = NO_TIME
    sump: str = ""
    signal: str = ""
    value: float | str | bool | list[Any] | dict[str, Any] | None = None
    volume_l: float | None = None
    pct: float | None = None
    at: float | None = None
    by: str | None = None
    of: str | None = None
    note: str | None = None
    temperature: float | None = None
    field: str | None = None
    record_time: float | None = None
    record_signal: str | None = None


class _Dated(Record, frozen=True, gc=False):
    """A record whose time is RFC 3339 text with an offset."""

    time: Annotated[datetime, msgspec.Meta(tz=True)]  # type: ignore[assignment]


_fast = msgspec.json.Decoder(Record).decode
_dated = msgspec.json.Decoder(_Dated).decode
_any = msgspec.json.Decoder().decode
_encode = msgspec.json.Encoder().encode


def decode_line(line: bytes) -> Record:
    """The record on one line (a line end may follow). Raises BadRecord."""
    if len(line) > MAX_LINE_BYTES:
        raise BadRecord(f"line of {len(line)} bytes; a record has at most {MAX_LINE_BYTES}")
    try:
        if not line.isascii():
            line.decode()
        record = _fast(line)
    except msgspec.ValidationError:
        return _decode_dated(line)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise BadRecord(_not_json(error)) from error
    if record.signal == "level" and type(record.value) is float and record.sump and 0.0 <= record.time <= LATEST_S:
        return record  # most lines by far
    return record if _is_plain(record) else _decode_slowly(line)


def _is_plain(record: Record) -> bool:
    """True for a sound record that needs no more work: most of them."""
    check = _CHECKS.get(record.signal)
    if check is None or check(record) is not None:
        return False
    return 0.0 <= record.time <= LATEST_S and record.sump != "" and record.signal != "setting"


def sensed(time: float, sump: str, signal: str, value: float) -> Record:
    """A record of what a sensor gave: litres stand in their own field, everything else is a value."""
    if signal == "metered":
        return Record(time, sump, signal, volume_l=value)
    return Record(time, sump, signal, value)


def encode(record: Record) -> bytes:
    """The record as one line of JSON without its line end; `decode_line` gives the same record back."""
    line = _encode(record)
    if record.signal == "mark" and record.value is None:
        return line[:-1] + b',"value":null}'  # a mark's null is a value like any other, and not to be left out
    return line


def rows(lines: Iterable[bytes]) -> Iterator[tuple[int, Record | BadRecord]]:
    """Each line's number (from 1) with its record, or with what was wrong. Blank lines are passed over."""
    for number, line in enumerate(lines, 1):
        if line.isspace():
            continue
        try:
            yield number, decode_line(line)
        except BadRecord as bad:
            yield number, bad


def record_from(row: Mapping[str, Any]) -> Record:
    """The record in a JSON object that is already parsed (a page's form, an inbox row). Raises BadRecord."""
    signal = row.get("signal")
    if signal is None:
        raise BadRecord("signal is missing")
    if not isinstance(signal, str) or signal not in SIGNALS:
        raise BadRecord(f"unknown signal {_shown(signal)}")
    record = Record(**{name: _field(name, row[name]) for name in _FIELDS if row.get(name) is not None})
    if signal == "mark":
        return _mark(record, row)
    reason = _when(record) or ("sump is missing" if not record.sump else _CHECKS[signal](record))
    if reason:
        raise BadRecord(reason)
    if record.field == "curve" and signal == "setting":
        return msgspec.structs.replace(record, value=[list(p) for p in as_points(record.value)])
    return record


def _decode_dated(line: bytes) -> Record:
    """The road for lines whose time is text: a file of them must not crawl."""
    try:
        dated = _dated(line)
    except (msgspec.DecodeError, RecursionError):
        return _decode_slowly(line)
    record = Record(dated.time.timestamp(), *msgspec.structs.astuple(dated)[1:])
    if record.signal == "level" and type(record.value) is float and record.sump and 0.0 <= record.time <= LATEST_S:
        return record  # most lines by far
    return record if _is_plain(record) else _decode_slowly(line)


def _decode_slowly(line: bytes) -> Record:
    """The road for marks, settings, dates in other places, and for saying what is wrong with a line."""
    try:
        row = _any(line)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise BadRecord(_not_json(error)) from error
    if not isinstance(row, dict):
        raise BadRecord("not a JSON object")
    return record_from(row)


def _not_json(error: Exception) -> str:
    if isinstance(error, UnicodeDecodeError):
        return f"not UTF-8: byte {error.start + 1} of the line or text is {error.object[error.start]:#04x}"
    if isinstance(error, RecursionError):
        return "not a record: nested too deeply"
    return "not JSON: " + str(error).removeprefix("JSON is malformed: ").split(" - at ")[0]


# ── fields ────────────────────────────────────────────────────────────


def _shown(value: object) -> str:
    """A value as it may stand in a one-line message."""
    try:
        text = _encode(value).decode()
    except (TypeError, ValueError):
        text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def parse_time(name: str, value: object) -> float:
    """Epoch seconds of a number, or of RFC 3339 text with an offset. Raises BadRecord that begins with `name`."""
    if is_number(value):
        return float(value)  # type: ignore[arg-type]
    if not isinstance(value, str):
        raise BadRecord(f"{name} must be epoch seconds or an RFC 3339 date with offset, not {_shown(value)}")
    try:
        when = msgspec.convert(value, datetime)
    except msgspec.ValidationError as error:
        raise BadRecord(f"{name} {_shown(value)} is no RFC 3339 date and time") from error
    if when.tzinfo is None:
        raise BadRecord(f"{name} {_shown(value)} has no offset; write it with Z or +01:00 at its end")
    return when.timestamp()


def _number(name: str, value: object) -> float:
    if not is_number(value):
        raise BadRecord(f"{name} must be a number, not {_shown(value)}")
    return float(value)  # type: ignore[arg-type]


def _text(name: str, value: object) -> str:
    if not isinstance(value, str):
        raise BadRecord(f"{name} must be text, not {_shown(value)}")
    return value


def _as_is(name: str, value: object) -> object:
    return float(value) if is_number(value) else value  # type: ignore[arg-type]


_FIELDS: Final[dict[str, Callable[[str, object], Any]]] = {
    "time": parse_time,
    "sump": _text,
    "signal": _text,
    "value": _as_is,
    "volume_l": _number,
    "pct": _number,
    "at": parse_time,
    "by": _text,
    "of": _text,
    "note": _text,
    "temperature": _number,
    "field": _text,
    "record_time": parse_time,
    "record_signal": _text,
}


def _field(name: str, value: object) -> Any:
    return _FIELDS[name](name, value)


def _when(record: Record) -> str | None:
    """What is wrong with the record's times, if anything."""
    if record.time == NO_TIME:
        return "time is missing"
    for name, time in (("time", record.time), ("at", record.at), ("record_time", record.record_time)):
        if time is not None and not 0.0 <= time <= LATEST_S:
            return f"{name} {time:.15g} lies outside 1970-2200; is it in seconds?"
    return None


def _mark(record: Record, row: Mapping[str, Any]) -> Record:
    """A mark's value is echoed as it came, an integer as an integer; its time may be missing."""
    if "value" not in row:
        raise BadRecord("value is missing")
    if record.time != NO_TIME and (reason := _when(record)):
        raise BadRecord(reason)
    return msgspec.structs.replace(record, value=row["value"])


# ── what each signal must carry: each function gives what is wrong, or None ────────────────────


def _measured(record: Record) -> str | None:
    """Sensors may say any number: a wrong one is kept and labelled by the gates, not refused."""
    if type(record.value) is float:
        return None
    return _want("value", "a number", record.value)


def _running(record: Record) -> str | None:
    if type(record.value) is float and record.value in (0.0, 1.0):
        return None
    return _want("value", "0 or 1", record.value)


def _reading(record: Record) -> str | None:
    return _within("value", record.value, 0.0, 100.0) or _person(record)


def _want(name: str, what: str, value: object) -> str:
    return f"{name} is missing" if value is None else f"{name} must be {what}, not {_shown(value)}"


def _within(name: str, value: object, low: float, high: float) -> str | None:
    if not is_number(value):
        return _want(name, "a number", value)
    return None if low <= value <= high else f"{name} must lie within {low:g}-{high:g}, not {_shown(value)}"  # type: ignore[operator]


def _volume(record: Record) -> str | None:
    return _within("volume_l", record.volume_l, 0.0, MAX_VOLUME_L) or _person(record)


def _poured(record: Record) -> str | None:
    """Litres and strength of what came in: either may be unknown."""
    if record.volume_l is not None and (reason := _within("volume_l", record.volume_l, 0.0, MAX_VOLUME_L)):
        return reason
    if record.pct is not None and (reason := _within("pct", record.pct, 0.0, 100.0)):
        return reason
    return _person(record)


def _person(record: Record) -> str | None:
    if record.at is not None and record.at > record.time + AT_SLACK_S:
        return "at lies after time: nobody can tell what is yet to come"
    return None


def _dismissal(record: Record) -> str | None:
    return _person(record) if record.of else "of is missing: the id of the finding"


def _void(record: Record) -> str | None:
    if record.record_time is None:
        return "record_time is missing"
    if record.record_signal is None:
        return "record_signal is missing"
    if record.record_signal not in SIGNALS:
        return f"record_signal: unknown signal {_shown(record.record_signal)}"
    return _person(record)


def _setting(record: Record) -> str | None:
    if record.field is None:
        return "field is missing"
    if record.field not in SETTINGS:
        return f"field {_shown(record.field)} cannot be set; known are {', '.join(sorted(SETTINGS))}"
    return _setting_value(record.field, record.value) or _person(record)


def _setting_value(name: str, value: object) -> str | None:
    if name == "curve":
        try:
            as_points(value)
        except ValueError as error:
            return f"value: {error}"
        return None
    if name == "refractometer_factor":
        return _within("value", value, *FACTOR_RANGE)
    if value == 0.0 and name != "usual_pct":  # a proportioner may be set to plain water; a target may not
        return "value must be above 0"
    return _within("value", value, 0.0, 100.0)


_CHECKS: Final[dict[str, Callable[[Record], str | None]]] = {
    "level": _measured,
    "temperature": _measured,
    "brix": _measured,
    "running": _running,
    "hand_reading": _reading,
    "titration": _reading,
    "addition": _poured,
    "recharge": _poured,
    "metered": _volume,
    "drained": _volume,
    "dismissal": _dismissal,
    "setting": _setting,
    "void": _void,
}
