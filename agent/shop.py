"""The shop's calendar, from the site file's words and from what people entered since, for the pure core."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from functools import cache
from typing import Any, Final
from zoneinfo import ZoneInfo

from agent.core.calendar import Calendar, Shift

WEEKDAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
EPOCH: Final = date(1970, 1, 1)
FIRST_YEAR, LAST_YEAR = 1999, 2050  # records older or newer than that find the nearest offset
MOST_DAYS: Final = 366  # of one closed stretch
_CLOCK = re.compile(r"^([01]\d|2[0-3]):([0-5]\d)$|^24:00$")


def worked_days(shifts: Iterable[tuple[str, str, str]]) -> tuple[tuple[Shift, ...], ...]:
    """Shifts by weekday from (days as "mon-fri" or "sat", from "06:00", to "14:00"). Raises ValueError."""
    week: list[list[Shift]] = [[] for _ in WEEKDAYS]
    for days, begin, end in shifts:
        start, stop = _minutes(begin), _minutes(end)
        if start == stop:
            raise ValueError(f"a shift from {begin} to {end} has no length")
        for weekday in _weekdays(days):
            week[weekday].append((start, stop if stop > start else stop + 1440))
    return tuple(tuple(sorted(day)) for day in week)


def _minutes(clock: str) -> int:
    if not _CLOCK.match(clock):
        raise ValueError(f"{clock!r} is no time of day; write it as 06:00")
    hours, minutes = clock.split(":")
    return 60 * int(hours) + int(minutes)


def _weekdays(days: str) -> range:
    first, dash, last = days.strip().lower().partition("-")
    for name in (first, last) if dash else (first,):
        if name not in WEEKDAYS:
            raise ValueError(f"{name!r} is no weekday; write mon, tue, wed, thu, fri, sat, sun or mon-fri")
    begin, end = WEEKDAYS.index(first), WEEKDAYS.index(last if dash else first)
    if end < begin:
        raise ValueError(f"{days!r} ends before it begins")
    return range(begin, end + 1)


def closed_days(stretches: Iterable[str]) -> frozenset[int]:
    """Days since 1970-01-01 from "2026-12-24" or "2026-12-24/2027-01-06". Raises ValueError."""
    days: set[int] = set()
    for text in stretches:
        first, slash, last = text.partition("/")
        days |= set(_days(date.fromisoformat(first), date.fromisoformat(last if slash else first)))
    return frozenset(days)


def _days(first: date, last: date) -> range:
    if not 0 <= (last - first).days < MOST_DAYS:
        raise ValueError(f"{first} to {last} is no stretch of days up to a year")
    return range((first - EPOCH).days, (last - EPOCH).days + 1)


@cache
def offsets_of(zone: ZoneInfo) -> tuple[tuple[float, float], ...]:
    """(from epoch s, local minus UTC in s), one row a change of the zone's clocks, to the second."""
    at, end = datetime(FIRST_YEAR, 1, 1, tzinfo=UTC), datetime(LAST_YEAR, 1, 1, tzinfo=UTC)
    table = [(at.timestamp(), _offset(at, zone))]
    while at < end:
        after = at + timedelta(days=7)
        if _offset(after, zone) != table[-1][1]:
            change = _change(at, after, zone)
            table.append((change.timestamp(), _offset(change, zone)))
        at = after
    return tuple(table)


def _offset(at: datetime, zone: ZoneInfo) -> float:
    found = at.astimezone(zone).utcoffset()
    return found.total_seconds() if found else 0.0


def _change(before: datetime, after: datetime, zone: ZoneInfo) -> datetime:
    """The first second with the later offset, by halving."""
    late = _offset(after, zone)
    while after - before > timedelta(seconds=1):
        middle = before + (after - before) // 2
        middle = middle.replace(microsecond=0)
        before, after = (before, middle) if _offset(middle, zone) == late else (middle, after)
    return after


def calendar_of(
    zone: ZoneInfo, shifts: Iterable[tuple[str, str, str]], closed: Iterable[str], words: Iterable[dict[str, Any]] = ()
) -> Calendar:
    """The calendar of the site file, and of what people closed and opened since (bodies, oldest first)."""
    days = set(closed_days(closed))
    for body in words:
        if body.get("refused") or body.get("signal") != "calendar":
            continue
        stretch = set(_days(date.fromisoformat(body["first"]), date.fromisoformat(body["last"])))
        days = days | stretch if body["what"] == "close" else days - stretch
    return Calendar(worked_days(shifts), frozenset(days), offsets_of(zone))
