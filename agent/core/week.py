"""The week as this sump usually goes: when its pump runs, and what it will lose."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from agent.core.learn import HOURS_A_WEEK

if TYPE_CHECKING:
    from agent.core.tracker import Floats, Tracker

DAYS_ALIKE = 1.5  # hours that the same hour of the other days counts for: a weekend must not drown in the week
UNSEEN_H = 0.5  # without a reading for longer, the week's pattern says what was lost


def running_share(t: Tracker, when: float) -> float:
    """How much of this hour of the week the pump usually runs, 0..1."""
    idle, runs = habit_at(t, int(when // 3600.0))
    return runs / (idle + runs)


def week_share(t: Tracker) -> float:
    """How much of a week the pump usually runs, 0..1; kept until an hour teaches more."""
    if t.share < 0.0:
        t.share = sum(t.habit[1::2]) / sum(t.habit)
    return t.share


def loss_ahead(t: Tracker, when: float, hours: int) -> Floats:
    """Litres lost after 1, 2, … hours from `when`, as the week usually goes; at most four weeks ahead."""
    if t.ahead is None:
        own = np.frombuffer(t.habit).reshape(7, 24, 2)  # as habit_at weighs it, for every hour of the week
        others = own.sum(axis=0) - own
        seen = 0.5 + own + DAYS_ALIKE * others / (others[..., :1] + others[..., 1:])
        idle, runs = seen.reshape(HOURS_A_WEEK, 2).T
        share = runs / (idle + runs)
        loss = 60.0 * (share * max(t.rates.running, 0.0) + (1.0 - share) * max(t.rates.idle, 0.0)) + 1e-9
        weeks = np.zeros(5 * HOURS_A_WEEK + 1)
        weeks[1:].reshape(5, HOURS_A_WEEK)[:] = loss
        t.ahead = np.add.accumulate(weeks, out=weeks)
    first = int(when // 3600.0)
    start = first % HOURS_A_WEEK
    ahead: Floats = t.ahead[start + 1 : start + 1 + hours] - t.ahead[start]
    if t.calendar is not None and (closed := t.calendar.closed_hours(first, hours)):
        each = np.diff(ahead, prepend=0.0)
        each[closed] = 60.0 * max(t.rates.idle, 0.0) + 1e-9
        ahead = np.cumsum(each)
    return ahead


def loss_since(t: Tracker, when: float) -> float:
    """Litres lost from the last reading that counted to `when`, as the week usually goes."""
    if when <= t.time:
        return 0.0
    hours = min((when - t.time) / 3600.0, 4.0 * HOURS_A_WEEK - 1.0)
    if hours < UNSEEN_H:
        share = running_share(t, when)
        return 60.0 * hours * (share * t.rates.running + (1.0 - share) * t.rates.idle)
    ahead, whole = loss_ahead(t, t.time, 4 * HOURS_A_WEEK), int(hours)
    before = float(ahead[whole - 1]) if whole else 0.0
    return before + (hours - whole) * (float(ahead[whole]) - before)


def habit_at(t: Tracker, hour: int) -> tuple[float, float]:
    """Hours seen idle and running at this hour of the week, and, for less, at the same hour of its other days."""
    own, clock = 2 * (hour % HOURS_A_WEEK), 2 * (hour % 24)
    own_idle, own_runs = t.habit[own], t.habit[own + 1]
    idle, runs = sum(t.habit[clock::48]) - own_idle, sum(t.habit[clock + 1 :: 48]) - own_runs
    alike = DAYS_ALIKE / (idle + runs)
    return 0.5 + own_idle + alike * idle, 0.5 + own_runs + alike * runs
