"""An old paper log as CSV: read line by line, each line an entry or a fault that names its number.

The first line names the columns, in English or German; the rest may use a comma or a point, days as 2024-05-03 or
03.05.2024. Nothing is written here.
"""

from __future__ import annotations

import csv
import hashlib
import json
import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from agent.core.checks import CHECKS
from agent.core.spec import SumpSpec
from dashboards.language import _
from dashboards.show import Show, Unreadable, number

MOST_LINES = 5_000
LONGEST_TEXT = 500
COLUMNS = {
    "time": "time", "date": "time", "when": "time", "zeit": "time", "datum": "time",
    "sump": "sump", "machine": "sump", "behälter": "sump", "maschine": "sump",
    "what": "what", "kind": "what", "was": "what", "art": "what",
    "value": "value", "reading": "value", "wert": "value",
    "volume": "volume", "menge": "volume", "volume_l": "volume_l", "litres": "volume_l", "liter": "volume_l",
    "pct": "pct", "mix": "pct", "%": "pct", "mischung": "pct",
    "by": "by", "person": "by", "who": "by", "wer": "by", "name": "by",
    "note": "note", "remark": "note", "bemerkung": "note",
}  # fmt: skip
WHAT = {
    "hand reading": "hand_reading", "brix": "hand_reading", "refractometer": "hand_reading",
    "handmessung": "hand_reading",
    "titration": "titration", "addition": "addition", "top off": "addition", "zugabe": "addition",
    "nachfüllen": "addition", "recharge": "recharge", "new fill": "recharge", "neubefüllung": "recharge",
    "drained": "drained", "abgelassen": "drained", "ph": "ph", "tramp oil": "tramp_oil", "fremdöl": "tramp_oil",
    "dip slide": "dip_slide", "keime": "dip_slide", "hardness": "hardness", "härte": "hardness",
    "nitrite": "nitrite", "nitrit": "nitrite", "nitrate": "nitrate", "nitrat": "nitrate",
    "conductivity": "conductivity", "leitfähigkeit": "conductivity",
}  # fmt: skip
VALUES = {"hand_reading": (0.0, 40.0), "titration": (0.0, 50.0)} | {n: (c.least, c.most) for n, c in CHECKS.items()}
AMOUNTS = ("addition", "recharge", "drained")
GERMAN_DAY = re.compile(r"^(\d{1,2})\.(\d{1,2})\.(\d{4})(?:[ ,]+(\d{1,2}:\d{2}))?$")
NOON = "12:00"  # what a day without a time is taken for


@dataclass(frozen=True, slots=True)
class PaperLine:
    """One line that can be kept: `time` epoch s, `body` as the inbox takes it, `token` the same for the same line."""

    number: int
    time: float
    sump: str
    body: dict[str, Any]

    @property
    def token(self) -> str:
        text = json.dumps([self.time, self.sump, self.body], sort_keys=True, ensure_ascii=False)
        return f"paper:{hashlib.sha256(text.encode()).hexdigest()}"


@dataclass(frozen=True, slots=True)
class PaperLog:
    lines: tuple[PaperLine, ...]
    faults: tuple[tuple[int, str], ...]  # line number, what is wrong and what to do


def read(text: str, sumps: dict[str, SumpSpec], show: Show, now_s: float) -> PaperLog:
    """All lines of a paper log. Raises `Unreadable` where its first line names no columns that are known."""
    rows = [(n, line) for n, line in enumerate(text.lstrip("\ufeff").splitlines(), 1) if line.strip()]
    if not rows:
        raise Unreadable(_("There is nothing in it."))
    if len(rows) > MOST_LINES + 1:
        raise Unreadable(_("More than {most} lines: bring it in parts.", most=MOST_LINES))
    mark = max(";,\t", key=rows[0][1].count)
    columns = _columns(next(csv.reader([rows[0][1]], delimiter=mark)))
    lines, faults = [], []
    for n, line in rows[1:]:
        cells = next(csv.reader([line], delimiter=mark))
        given = {name: cell.strip()[:LONGEST_TEXT] for name, cell in zip(columns, cells, strict=False) if name}
        try:
            lines.append(_line(n, given, sumps, show, now_s))
        except Unreadable as why:
            faults.append((n, str(why)))
    return PaperLog(tuple(lines), tuple(faults))


def _columns(names: list[str]) -> list[str]:
    found = [COLUMNS.get(name.strip().casefold(), "") for name in names]
    missing = [name for name in ("time", "sump", "what") if name not in found]
    if missing:
        raise Unreadable(_("The first line has to name the columns; missing: {names}.", names=", ".join(missing)))
    return found


def _line(n: int, given: dict[str, str], sumps: dict[str, SumpSpec], show: Show, now_s: float) -> PaperLine:
    sump = _sump(given.get("sump", ""), sumps)
    time = _time(given.get("time", ""), show)
    if time > now_s:
        raise Unreadable(_("The time lies ahead."))
    said = given.get("what", "").casefold().replace("_", " ")
    what = WHAT.get(said)
    if what is None:
        raise Unreadable(_("“{text}” is no entry that is known.", text=said))
    body: dict[str, Any] = {"what": what, "written_by": given.get("by", ""), **_numbers(what, given, show)}
    if given.get("note"):
        body["note"] = given["note"]
    return PaperLine(n, time, sump, body)


def _sump(text: str, sumps: dict[str, SumpSpec]) -> str:
    for spec in sumps.values():
        if text.casefold() in (spec.id.casefold(), spec.name.casefold()):
            return spec.id
    raise Unreadable(_("“{text}” is no sump of this site.", text=text))


def _time(text: str, show: Show) -> float:
    german = GERMAN_DAY.match(text)
    if german:
        day, month, year, clock = german.groups()
        text = f"{year}-{int(month):02d}-{int(day):02d}T{(clock or NOON).zfill(5)}"
    elif len(text) == 10:
        text = f"{text}T{NOON}"
    try:
        found = datetime.fromisoformat(text.replace(" ", "T"))
    except ValueError as why:
        raise Unreadable(_("“{text}” is not a date and time.", text=text)) from why
    return (found if found.tzinfo else found.replace(tzinfo=show.zone)).timestamp()


def _numbers(what: str, given: dict[str, str], show: Show) -> dict[str, float]:
    if what in VALUES:
        low, high = VALUES[what]
        return {"value": number(given.get("value", ""), _("value"), low, high)}
    found: dict[str, float] = {}
    if given.get("volume_l"):
        found["volume_l"] = number(given["volume_l"], _("volume"), 0.0, 1e5)
    elif given.get("volume"):
        found["volume_l"] = round(show.to_litres(number(given["volume"], _("volume"), 0.0, 1e5)), 3)
    if given.get("pct"):
        found["pct"] = number(given["pct"], _("mix"), 0.0, 100.0)
    if not found:
        raise Unreadable(_("It says neither a volume nor a mix."))
    return found
