"""A calibration as a document: TOML text with who, when, points, fit, interval, sensor. Written once, never edited."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from hashlib import sha256
from typing import Any

from calibration.line import Value

KINDS = ("curve", "factor", "probe", "zero", "hold_up", "proportioner", "flow_meter", "dip")
SETTINGS = {"curve": "curve", "dip": "curve", "factor": "refractometer_factor"}  # kind → contract field it can set
FIRST_LINE = "# Written by the calibration; not to be edited. A new measurement is a new file."
DIGEST = "digest"

Table = dict[str, Any]


class NotOurs(ValueError):
    """A text that is no calibration, or was changed after it was written; says which."""


@dataclass(frozen=True, slots=True)
class Document:
    """One result. `points` (curve kinds) is what a site file reads; `measured` the readings as they were taken."""

    kind: str
    sump: str
    time: float  # epoch s
    by: str
    fit: Table
    measured: tuple[Table, ...] = ()
    points: tuple[tuple[float, float], ...] = ()
    sensor: str = ""  # serial number
    unit: str = ""  # of the fitted value
    note: str = ""
    simulated: bool = False
    digest: str = ""
    remarks: tuple[str, ...] = ()
    method: Table = field(default_factory=dict)  # errors that were stated, how volumes were measured

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise NotOurs(f"no calibration is of kind {self.kind!r}")
        if not self.by.strip():
            raise NotOurs("a calibration carries the name of the person who did it")

    @property
    def file_name(self) -> str:
        """Sump, kind and moment (UTC): mill-2-curve-20250619T133320Z.toml."""
        return f"{self.sump}-{self.kind}-{datetime.fromtimestamp(self.time, UTC):%Y%m%dT%H%M%SZ}.toml"

    @property
    def setting(self) -> tuple[str, Any] | None:
        """(field, value) of the contract's `setting` that puts it in force; None where it sets nothing."""
        name = SETTINGS.get(self.kind)
        if name == "curve":
            return (name, [list(p) for p in self.points]) if self.points else None
        return None if name is None else (name, self.fit["factor"]["value"])


def numbers(value: Value) -> Table:
    """A fitted value as a table: value, sd and the 90 % interval."""
    return {"value": value.value, "sd": value.sd, "low": value.low, "high": value.high}


def written(document: Document) -> str:
    """The document as TOML text, its digest at the end."""
    body = _body(document)
    return f'{body}\n[seal]\n{DIGEST} = "{sha256(body.encode()).hexdigest()}"\n'


def read(text: str) -> Document:
    """The document again. Raises NotOurs where the text is none, or is not as it was written."""
    try:
        raw = tomllib.loads(text)
        body, _, _ = text.partition("\n[seal]\n")
        if raw["seal"][DIGEST] != sha256(body.encode()).hexdigest():
            raise NotOurs("was changed after it was written; measure again, or take the untouched file")
        return _document(raw)
    except (tomllib.TOMLDecodeError, KeyError, TypeError, AttributeError, ValueError) as why:
        if isinstance(why, NotOurs):
            raise
        raise NotOurs(f"is no calibration: {why}") from why


def _document(raw: Table) -> Document:
    about = raw["calibration"]
    return Document(
        kind=about["kind"], sump=about["sump"], time=about["when"].timestamp(), by=about["by"],
        fit=raw.get("fit", {}), measured=tuple(raw.get("measured", ())),
        points=tuple((float(p[0]), float(p[1])) for p in raw.get("points", ())),
        sensor=about["sensor_serial"], unit=about["unit"], note=about["note"], simulated=about["simulated"],
        digest=raw["seal"][DIGEST], remarks=tuple(about["remarks"]), method=raw.get("method", {}),
    )  # fmt: skip


def _body(d: Document) -> str:
    lines = [FIRST_LINE]
    if d.points:
        lines.append(f"points = {_value([list(p) for p in d.points])} # raw reading, litres; nothing is known outside")
    about = {
        "kind": d.kind, "sump": d.sump, "when": datetime.fromtimestamp(d.time, UTC), "by": d.by,
        "sensor_serial": d.sensor, "unit": d.unit, "note": d.note, "simulated": d.simulated,
        "remarks": list(d.remarks),
    }  # fmt: skip
    lines += _table("calibration", about)
    for name, table in (("method", d.method), ("fit", d.fit)):
        if table:
            lines += _table(name, table)
    for row in d.measured:
        lines += ["", "[[measured]]", *(f"{key} = {_value(value)}" for key, value in row.items() if value is not None)]
    return "\n".join(lines) + "\n"


def _table(name: str, table: Mapping[str, Any]) -> list[str]:
    return ["", f"[{name}]", *(f"{key} = {_value(value)}" for key, value in table.items() if value is not None)]


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, datetime):
        return value.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    if isinstance(value, int | float):
        return repr(float(value)) if isinstance(value, float) else str(value)
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, Value):
        return _value(asdict(value))
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_value(v)}" for key, v in value.items() if v is not None) + " }"
    if isinstance(value, Sequence):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    raise NotOurs(f"{type(value).__name__} has no place in a calibration")


def _text(text: str) -> str:
    """A TOML basic string; control characters by their numbers."""
    plain = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in plain) + '"'
