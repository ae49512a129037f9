"""The shop's calendar, against the standard library's own time zones."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.core.calendar import Calendar
from agent.core.curve import Curve
from agent.core.spec import SiteSpec, SumpSpec
from agent.core.step import SiteState, belief_at, dump, keep_calendar, load, start, step
from agent.core.visits import hours_to_done
from agent.records import Record
from agent.shop import offsets_of, worked_days

VIENNA = ZoneInfo("Europe/Vienna")
CURVE = Curve((0.0, 400.0), (0.0, 400.0))
SUMP = SumpSpec("mill-2", "Mill 2", 340.0, 240.0, 360.0, 7.0, 6.0, 8.4, 1.5, 2.5, 1.5, 14.0, CURVE)
DAY_SHIFT = worked_days([("mon-fri", "06:00", "14:00")])
NIGHTS = worked_days([("mon-thu", "22:00", "06:00")])


def at(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=VIENNA).timestamp()


def day(text: str) -> int:
    return (date.fromisoformat(text) - date(1970, 1, 1)).days


def calendar(shifts: tuple[tuple[tuple[int, int], ...], ...], *closed: str) -> Calendar:
    return Calendar(shifts, frozenset(day(text) for text in closed), offsets_of(VIENNA))


@given(
    st.integers(int(at("2000-01-01")), int(at("2039-12-31"))),
    st.sampled_from(["Europe/Vienna", "America/Chicago", "UTC"]),
)
def test_a_local_day_is_the_zone_s_own(time_s: int, zone: str) -> None:
    found, minute = Calendar(offsets=offsets_of(ZoneInfo(zone))).local_day(time_s)
    there = datetime.fromtimestamp(time_s, ZoneInfo(zone))
    assert date(1970, 1, 1) + timedelta(days=found) == there.date()
    assert minute == pytest.approx(there.hour * 60 + there.minute + there.second / 60, abs=1 / 59)


@pytest.mark.parametrize(
    ("time", "there"),
    [
        ("2026-03-27T05:59", False), ("2026-03-27T06:00", True), ("2026-03-27T13:59", True),
        ("2026-03-27T14:00", False), ("2026-03-28T08:00", False), ("2026-03-30T06:00", True),  # after the clock went on
    ],
)  # fmt: skip
def test_a_shift_is_a_time_of_the_local_day(time: str, there: bool) -> None:
    assert calendar(DAY_SHIFT).staffed_at(at(time)) is there


def test_a_night_shift_runs_past_midnight_and_into_a_holiday() -> None:
    nights = calendar(NIGHTS, "2026-12-24", "2026-12-25")
    assert nights.staffed_at(at("2026-12-23T23:00")) and nights.staffed_at(at("2026-12-24T05:00"))
    assert not nights.closed_at(at("2026-12-24T05:00")) and nights.closed_at(at("2026-12-24T07:00"))
    assert nights.staffed_at(at("2026-12-24T23:00")) is False and nights.staffed_at(at("2026-12-25T05:00")) is False


def test_without_shifts_only_closed_days_are_known() -> None:
    told = calendar(((),) * 7, "2026-05-01")
    assert told.staffed_at(at("2026-05-01T10:00")) is False
    assert told.staffed_at(at("2026-05-02T10:00")) is None
    assert not told.told


@pytest.mark.parametrize("bad", [("mon-fry", "06:00", "14:00"), ("mon", "6", "14:00"), ("mon", "06:00", "06:00")])
def test_a_shift_that_is_none_is_refused(bad: tuple[str, str, str]) -> None:
    with pytest.raises(ValueError, match=r"\w"):
        worked_days([bad])


def test_offsets_are_few_and_rising() -> None:
    table = offsets_of(VIENNA)
    assert len(table) < 200 and [t for t, _ in table] == sorted(t for t, _ in table)
    assert {seconds for t, seconds in table if t > datetime(2000, 1, 1, tzinfo=UTC).timestamp()} == {3600.0, 7200.0}


# -- what it does to the outlook ------------------------------------------------------------------------------------


def learned() -> tuple[SiteState, SiteSpec]:
    """A sump that loses 12 L a working day and 1 L idle, for three weeks, Monday to Friday, 6 to 14."""
    site = SiteSpec("Harrow Lane Gearworks", "UTC", "litre", {"mill-2": SUMP})
    state, volume_l, time = start(site), 330.0, datetime(2026, 3, 2, tzinfo=UTC).timestamp()
    for _ in range(21 * 24 * 6):
        works = calendar_utc().staffed_at(time)
        volume_l -= (12.0 / 48 if works else 1.0 / 144) if volume_l > 250.0 else -80.0
        state, _ = step(state, Record(time=time, sump="mill-2", signal="running", value=float(bool(works))), site)
        state, _ = step(state, Record(time=time, sump="mill-2", signal="level", value=volume_l), site)
        time += 600.0
    return state, site


def calendar_utc(*closed: str) -> Calendar:
    return Calendar(DAY_SHIFT, frozenset(day(text) for text in closed))


def test_a_shutdown_moves_the_low_mark_away_and_a_snapshot_keeps_what_was_told() -> None:
    state, site = learned()
    now = state.time
    before = belief_at(state, "mill-2", now, site).hours_to_low
    keep_calendar(state, calendar_utc(*(f"2026-03-{n}" for n in range(23, 32))))
    after = belief_at(state, "mill-2", now, site).hours_to_low
    assert before is not None and after is not None and after > before + 48.0
    again = load(dump(state), replace(site, calendar=state.sumps["mill-2"].tracker.calendar))
    assert belief_at(again, "mill-2", now, site).hours_to_low == after
    keep_calendar(state, None)
    assert belief_at(state, "mill-2", now, site).hours_to_low == before


def test_who_comes_when_is_taken_from_the_shifts_told() -> None:
    state, _ = learned()
    sump = state.sumps["mill-2"]
    friday = at("2026-03-20T13:00")
    keep_calendar(state, calendar_utc("2026-03-23"))
    assert hours_to_done(sump, friday) > 72.0  # nothing before Tuesday
    keep_calendar(state, Calendar(worked_days([("mon-sun", "00:00", "24:00")])))
    assert hours_to_done(sump, friday) == 10.0
