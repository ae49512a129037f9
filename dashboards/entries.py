"""The book of a works: what people said and decided, what was found, filtered; as lines for the page and as CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from agent.core.checks import CHECKS
from agent.core.fluid import brix_pct
from agent.core.spec import SumpSpec
from agent.io.journal import LogRow
from dashboards import check_words, dosing
from dashboards.core_sentences import core_text
from dashboards.desk import Ask
from dashboards.language import N_, _
from dashboards.log_lines import Line, in_words, named, review_line, who
from dashboards.show import Show

MOST_LINES = 400  # on one page; the CSV has them all
MOST_ROWS = 20_000  # of a kind in one look: five years of a busy shop
USUAL_DAYS = 31
KINDS = {
    "reading": N_("Readings"),
    "addition": N_("Additions"),
    "check": N_("Checks"),
    "decision": N_("Decisions"),
    "found": N_("Found by the logger"),
    "other": N_("Other entries"),
}
KIND_OF = {
    "hand_reading": "reading", "titration": "reading", "addition": "addition", "recharge": "addition",
    "drained": "addition", "metered": "addition", "check": "check", **dict.fromkeys(CHECKS, "check"),
}  # fmt: skip
VOIDABLE = ("hand_reading", "titration", "addition", "recharge", "drained")
RISKY_STARTS = ("=", "+", "-", "@", "\t", "\r")  # a spreadsheet takes such text for a formula


@dataclass(frozen=True, slots=True)
class Wanted:
    """What of the book is asked for. Days are of the site's zone, both included."""

    sump: str | None
    kind: str | None
    person: str
    first: date
    last: date
    t0: float
    t1: float


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the book, and the row behind it."""

    line: Line
    kind: str
    body: dict[str, Any]
    id: str | None = None
    grade: str | None = None  # good | look | act
    gone: bool = False  # taken back since
    can_go: bool = False  # a person may take it back


def wanted(ask: Ask) -> Wanted:
    """The filter of the address; what makes no sense is left out."""
    asked, show = ask.request.query_params, ask.show
    today = show.moment(ask.now_s).date()
    last = _date(asked.get("until"), today)
    first = _date(asked.get("from"), last - timedelta(days=USUAL_DAYS - 1))
    first = min(first, last)
    sump = asked.get("sump") if asked.get("sump") in ask.desk.site.sumps else None
    kind = asked.get("kind") if asked.get("kind") in KINDS else None
    t0, t1 = (_midnight(day, show) for day in (first, last + timedelta(days=1)))
    return Wanted(sump, kind, (asked.get("person") or "").strip()[:60], first, last, t0, t1)


def _date(text: str | None, otherwise: date) -> date:
    try:
        found = date.fromisoformat(text or "")
    except ValueError:
        return otherwise
    return found if 1990 <= found.year <= 2100 else otherwise


def _midnight(day: date, show: Show) -> float:
    return datetime(day.year, day.month, day.day, tzinfo=show.zone).timestamp()


def days_around(time_s: float, show: Show) -> tuple[date, date]:
    """The day of a moment, twice."""
    day = show.moment(time_s).date()
    return day, day


def entries(ask: Ask, want: Wanted) -> list[Entry]:
    """The lines asked for, the newest first."""
    found: list[Entry] = []
    if want.kind != "decision" and want.kind != "found":
        found += _words(ask, want)
    if want.kind in (None, "decision"):
        about = named(ask.desk.queries.advice(MOST_ROWS), ask.show)
        rows = ask.desk.queries.rows("review", want.sump, want.t0, want.t1, MOST_ROWS)
        found += [Entry(review_line(row, about, ask.show), "decision", row.data(), row.id) for row in rows]
        steps = ask.desk.queries.rows("agent", want.sump, want.t0, want.t1, MOST_ROWS)
        told = ((row, row.data()) for row in steps)
        found += [
            Entry(dosing.step_line(body, row.time, row.sump, ask.show, row.seq), "decision", body)
            for row, body in told
            if dosing.is_step(body)
        ]
    if want.kind in (None, "found") and not want.person:
        found += [Entry(_found(body, ask.show), "found", body) for body in _findings(ask, want)]
    kept = [e for e in found if (want.kind in (None, e.kind)) and _by(e, want.person)]
    return sorted(kept, key=lambda e: (e.line.time, e.line.seq), reverse=True)


def _findings(ask: Ask, want: Wanted) -> list[dict[str, Any]]:
    rows = ask.desk.queries.rows("finding", want.sump, want.t0, want.t1, MOST_ROWS)
    newest = {row.id: {"seq": row.seq, **row.data()} for row in rows}
    return [body for body in newest.values() if not body.get("withdrawn")]


def _found(body: dict[str, Any], show: Show) -> Line:
    text = core_text(body["text"]) or str(body["kind"]).replace("_", " ")
    if body.get("volume_sd"):
        text = f"{text} (± {show.half(body['volume_sd'])})"
    return Line(body["time"], body["sump"], _("found"), text, seq=body["seq"])


def _by(entry: Entry, person: str) -> bool:
    return not person or person.casefold() in str(entry.body.get("by", "")).casefold()


def _words(ask: Ask, want: Wanted) -> list[Entry]:
    # What was taken back may have been taken back after the range: the rows up to now are looked at too.
    rows = ask.desk.queries.rows("word", want.sump, want.t0, None, MOST_ROWS)
    said = [(row, row.data()) for row in rows]
    voids = {
        (b.get("sump"), b.get("record_time"), b.get("record_signal")) for _, b in said if b.get("signal") == "void"
    }
    taken = {b.get("takes_back") for _, b in said if b.get("takes_back")}
    fills = check_words.first_fills(ask.desk.queries, want.sump)
    return [_word(row, body, voids, taken, fills, ask.show) for row, body in said if row.time < want.t1]


def _word(
    row: LogRow, body: dict[str, Any], voids: set[Any], taken: set[Any], fills: check_words.Fills, show: Show
) -> Entry:
    signal = str(body.get("signal"))
    gone = (row.sump, body.get("time"), signal) in voids or (row.id in taken and row.id is not None)
    text, remark = words_of(body, show), str(body.get("note") or "")
    if body.get("refused"):
        text = _("{text} (not taken: {why})", text=text, why=core_text(body["refused"]))
    line = Line(row.time, row.sump, who(body), text, remark, seq=row.seq)
    what = str(body.get("what")) if signal == "past" else signal
    grade = check_words.grade_of(body, fills) if what in KIND_OF else None
    can_go = not gone and not body.get("refused") and (signal in VOIDABLE or _is_note(signal, body))
    return Entry(line, KIND_OF.get(what, "other"), body, row.id, grade, gone, can_go)


def _is_note(signal: str, body: dict[str, Any]) -> bool:
    return signal in ("check", "past") and not body.get("takes_back")


def words_of(body: dict[str, Any], show: Show) -> str:
    """What a person said, as a sentence: records of the contract and notes beside them."""
    signal = body.get("signal")
    if signal == "check":
        return check_words.said(body)
    if signal == "past":
        written = str(body.get("written_by") or "")
        past = (
            in_words({**body, "signal": body["what"]}, show)
            if body["what"] not in CHECKS
            else check_words.said({"check": body["what"], "value": body.get("value", 0.0)})
        )
        return _("{text} (from the paper log, {person})", text=past, person=written or _("no name"))
    if signal == "stock":
        what = {"counted": _("counted {volume} of concentrate"), "delivered": _("got {volume} of concentrate")}
        text = what[str(body["what"])].format(volume=show.volume(body["volume_l"]))
        return f"{text}: {body['fluid']}" if body.get("fluid") else text
    if signal == "calendar":
        text = _("closed {first} to {last}") if body["what"] == "close" else _("works again {first} to {last}")
        return text.format(first=body["first"], last=body["last"])
    return in_words(body, show)


# ── CSV ──


def as_csv(found: Iterable[Entry], specs: dict[str, SumpSpec], show: Show) -> str:
    """The lines for a spreadsheet. Numbers are litres, Brix and % of the mix as stored, whatever the page shows; text
    that a spreadsheet would run as a formula is disarmed."""
    out = io.StringIO(newline="")
    sheet = csv.writer(out)
    sheet.writerow(CSV_COLUMNS)
    for entry in found:
        sheet.writerow([disarmed(cell) for cell in _cells(entry, specs, show)])
    return out.getvalue()


CSV_COLUMNS = (
    "time", "sump", "by", "role", "kind", "what", "value", "volume_l", "pct", "strength_pct", "text", "note", "judged",
    "taken_back",
)  # fmt: skip


def _cells(entry: Entry, specs: dict[str, SumpSpec], show: Show) -> list[object]:
    body, line = entry.body, entry.line
    signal = str(body.get("check") or body.get("what") or body.get("event") or body.get("signal") or body.get("kind"))
    value, strength = body.get("value"), None
    if signal == "hand_reading" and line.sump in specs and isinstance(value, (int, float)):
        strength = round(brix_pct(value, specs[line.sump].refractometer_factor), 3)
    time = show.moment(line.time).isoformat(timespec="seconds")
    value = value if isinstance(value, (int, float)) else None
    pct = body.get("pct", body.get("makeup_pct"))
    return [
        time, line.sump, body.get("by"), body.get("role"), entry.kind, signal, value, body.get("volume_l"), pct,
        strength, line.text, line.remark, entry.grade, "yes" if entry.gone else "",
    ]  # fmt: skip


def disarmed(cell: object) -> object:
    """A number stays one; a text that would start a formula is led by an apostrophe; nothing is empty."""
    if cell is None:
        return ""
    if isinstance(cell, (int, float)) and not isinstance(cell, bool):
        return cell
    text = str(cell)
    return f"'{text}" if text.lstrip(" ").startswith(RISKY_STARTS) or text.startswith(RISKY_STARTS) else text
