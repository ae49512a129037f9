"""The log: what people said and decided and what was found, filtered; taken back or put right; as CSV."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from agent.core.checks import CHECKS
from agent.errors import BadRecord
from agent.records import record_from
from dashboards import check_words, entries
from dashboards.desk import Ask
from dashboards.entries import KINDS, MOST_LINES, VOIDABLE, Entry, Wanted
from dashboards.language import _
from dashboards.log_lines import Line, named, review_line, signal_name, waiting_line
from dashboards.render import page
from dashboards.show import Unreadable, number

__all__ = ["Line", "as_csv", "named", "put_right", "review_line", "show"]
LONGEST_NOTE = 500


async def show(ask: Ask, problem: str | None = None, status: int = 200) -> Response:
    queries, want = ask.desk.queries, entries.wanted(ask)
    found = entries.entries(ask, want)
    about = named(queries.advice(), ask.show)
    waiting = [waiting_line(w, about, _waiting_text(w.kind, w.body, ask)) for w in queries.waiting_words()]
    names = {spec.id: spec.name for spec in ask.desk.site.sumps.values()}
    return page(
        ask, "log.html", status, problem=problem, found=found[:MOST_LINES], left=max(0, len(found) - MOST_LINES),
        waiting=waiting[::-1], names=names, want=want, kinds=KINDS, grades=check_words.GRADES,
        people=sorted(p.name for p in ask.desk.people.all()), address=address(want), put=_Fields(ask),
    )  # fmt: skip


def _waiting_text(kind: str, body: dict[str, Any], ask: Ask) -> str:
    if kind == "decision":
        return ""
    return entries.words_of({"signal": kind, **body}, ask.show)


def address(want: Wanted, **changed: str) -> str:
    """The filter as the end of an address."""
    asked = {
        "sump": want.sump or "", "kind": want.kind or "", "person": want.person, "from": want.first.isoformat(),
        "until": want.last.isoformat(), **changed,
    }  # fmt: skip
    return urlencode({name: value for name, value in asked.items() if value})


async def as_csv(ask: Ask) -> Response:
    """The range shown, for a spreadsheet."""
    want = entries.wanted(ask)
    text = entries.as_csv(entries.entries(ask, want), ask.desk.site.sumps, ask.show)
    name = f"sumpside-log-{want.first}-{want.last}.csv"
    headers = {"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"}
    return Response("\ufeff" + text, media_type="text/csv; charset=utf-8", headers=headers)


class _Fields:
    """What an entry may be corrected in, as its form shows it."""

    def __init__(self, ask: Ask) -> None:
        self.ask = ask

    def value(self, entry: Entry) -> str | None:
        body = entry.body
        known = body.get("signal") in ("hand_reading", "titration") or body.get("check") in CHECKS
        return f"{body['value']:g}" if known and body.get("value") is not None else None

    def volume(self, entry: Entry) -> str | None:
        known = entry.body.get("signal") in ("addition", "recharge", "drained")
        return self.ask.show.field(entry.body.get("volume_l")) if known else None

    def pct(self, entry: Entry) -> str | None:
        known = entry.body.get("signal") in ("addition", "recharge")
        pct = entry.body.get("pct")
        return None if not known else "" if pct is None else f"{pct:g}"


# ── taken back, put right ──


async def put_right(ask: Ask) -> Response:
    """Takes an entry back; with new numbers it is written anew, at the time that it was of."""
    entry = _entry(ask)
    anew = ask.form.get("action") == "correct"
    try:
        fresh = _anew(ask, entry) if anew else None
    except Unreadable as why:
        return await show(ask, str(why), 422)
    except BadRecord as why:
        return await show(ask, _("This cannot be kept: {why}.", why=why), 422)
    sump = str(entry.line.sump)
    kind, body = _taking_back(ask, entry)
    ask.put(kind, sump, body, part="void")
    if fresh:
        ask.put("check" if fresh["signal"] == "check" else "record", sump, fresh, part="anew")
    return RedirectResponse(f"/log?{address(entries.wanted(ask))}&said=written", 303)


def _entry(ask: Ask) -> Entry:
    seq = ask.form.get("entry", "")
    rows = (
        ask.desk.queries.rows_between(int(seq), int(seq)) if seq.isascii() and seq.isdigit() and len(seq) < 16 else []
    )
    for row in rows:
        if row.kind == "word" and row.sump in ask.desk.site.sumps:
            around = Wanted(row.sump, None, "", *entries.days_around(row.time, ask.show), row.time, row.time + 1.0)
            for entry in entries.entries(ask, around):
                if entry.line.seq == row.seq and entry.can_go:
                    return entry
    raise HTTPException(404, _("This entry cannot be taken back, or was already."))


def _taking_back(ask: Ask, entry: Entry) -> tuple[str, dict[str, Any]]:
    note = ask.form.get("note", "").strip()[:LONGEST_NOTE]
    said: dict[str, Any] = {"time": ask.now_s, "sump": entry.line.sump, "by": _who(ask)} | (
        {"note": note} if note else {}
    )
    if entry.body.get("signal") in VOIDABLE:
        of = {"record_time": entry.body["time"], "record_signal": entry.body["signal"]}
        return "record", {"signal": "void", **said, **of}
    return "check", {"signal": "check", **said, "takes_back": entry.id}


def _anew(ask: Ask, entry: Entry) -> dict[str, Any]:
    """The entry with the numbers that were typed, of the time that it was of."""
    old, signal = entry.body, str(entry.body.get("signal"))
    if signal == "past":
        raise Unreadable(_("A line of the paper log is taken back, and brought in again as it should be."))
    at = old.get("at") or old.get("taken_at") or old["time"]
    kept = {name: old[name] for name in ("temperature", "note", "check", "first_fill") if old.get(name) is not None}
    body = {"signal": signal, "by": _who(ask), **kept, **_typed(ask, signal, old)}
    body["taken_at" if signal == "check" else "at"] = at
    if signal != "check":
        record_from({**body, "time": ask.now_s, "sump": entry.line.sump})
    return {"time": ask.now_s, "sump": entry.line.sump, **body}


def _typed(ask: Ask, signal: str, old: dict[str, Any]) -> dict[str, float]:
    if signal == "check":
        name = str(old["check"])
        what, check = _(check_words.NAMES[name]), CHECKS[name]
        return {"value": number(ask.form.get("value", ""), what, check.least, check.most)}
    if signal in ("hand_reading", "titration"):
        return {"value": number(ask.form.get("value", ""), signal_name(signal), 0.0, 50.0)}
    found: dict[str, float] = {}
    if ask.form.get("volume", "").strip():
        shown = number(ask.form["volume"], _("Volume, {unit}", unit=ask.show.volume_unit), 0.0, 1e5)
        found["volume_l"] = round(ask.show.to_litres(shown), 3)
    if ask.form.get("pct", "").strip():
        found["pct"] = number(ask.form["pct"], _("Mix, %"), 0.0, 100.0)
    return found


def _who(ask: Ask) -> str:
    assert ask.person is not None  # every route that writes is for people signed in
    return ask.person.name
