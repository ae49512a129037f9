"""The shop's calendar: shifts of the site file, and the days on which nobody works, kept here."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from babel.dates import get_day_names
from starlette.responses import RedirectResponse, Response

from agent.core.calendar import Calendar
from dashboards.desk import Ask
from dashboards.language import _, long_day, spoken
from dashboards.render import page
from dashboards.show import A_DAY_S, Unreadable

BACK_S = 400 * A_DAY_S
MOST_WORDS = 20_000
AHEAD_DAYS = 400
EPOCH = date(1970, 1, 1)


async def show(ask: Ask, problem: str | None = None, status: int = 200) -> Response:
    calendar = now(ask)
    today = (ask.show.moment(ask.now_s).date() - EPOCH).days
    return page(
        ask, "calendar.html", status, problem=problem, typed=ask.form, shifts=_shifts(calendar),
        closed=[(_said(a), _said(b), _iso(a), _iso(b)) for a, b in stretches(calendar, today)],
        waiting=[w for w in ask.desk.queries.waiting_words() if w.kind == "calendar"],
    )  # fmt: skip


def now(ask: Ask) -> Calendar | None:
    """As the agent has it: the site file's, and what people closed and opened."""
    rows = ask.desk.queries.rows("word", None, ask.now_s - BACK_S, None, MOST_WORDS)
    bodies = [body for body in (row.data() for row in rows) if body.get("signal") == "calendar"]
    return ask.desk.file.shop_calendar(bodies)


def _shifts(calendar: Calendar | None) -> list[tuple[str, str]]:
    """(weekday, its shifts) as the page says them."""
    if calendar is None or not calendar.told:
        return []
    return [(_weekday(i), ", ".join(_clock(a, b) for a, b in day)) for i, day in enumerate(calendar.shifts)]


def _weekday(index: int) -> str:
    return str(get_day_names("wide", locale=spoken())[index])


def _clock(begin: int, end: int) -> str:
    return f"{begin // 60:02d}:{begin % 60:02d} – {end // 60 % 24:02d}:{end % 60:02d}"


def stretches(calendar: Calendar | None, today: int) -> list[tuple[int, int]]:
    """Closed days from today on, joined to stretches (first, last), as days since 1970-01-01."""
    found: list[tuple[int, int]] = []
    for day in sorted(calendar.closed if calendar else ()):
        if not today <= day <= today + AHEAD_DAYS:
            continue
        if found and found[-1][1] == day - 1:
            found[-1] = (found[-1][0], day)
        else:
            found.append((day, day))
    return found


def _said(day: int) -> str:
    moment = EPOCH + timedelta(days=day)
    return long_day(datetime(moment.year, moment.month, moment.day))  # noqa: DTZ001 - a day has no zone


def _iso(day: int) -> str:
    return (EPOCH + timedelta(days=day)).isoformat()


async def write(ask: Ask) -> Response:
    """Days closed, or opened again."""
    try:
        what = ask.form.get("what", "")
        if what not in ("close", "open"):
            raise Unreadable(_("This form cannot be read."))
        first = _day(ask.form.get("first", ""))
        last = _day(ask.form.get("last", "") or ask.form.get("first", ""))
        if not 0 <= (last - first).days < 366:
            raise Unreadable(_("The last day lies before the first, or more than a year after."))
    except Unreadable as why:
        return await show(ask, str(why), 422)
    body = {"what": what, "first": first.isoformat(), "last": last.isoformat()}
    note = ask.form.get("note", "").strip()[:500]
    ask.put("calendar", "", body | ({"note": note} if note else {}))
    return RedirectResponse("/calendar?said=written", 303)


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as why:
        raise Unreadable(_("“{text}” is no day.", text=text[:40])) from why
