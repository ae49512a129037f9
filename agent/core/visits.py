"""When somebody will have been at the machine: the shift, as the pump's own week tells it.

Where nobody tells the core the shop's calendar: the pump runs when people work, so the hours of the week in which it
usually runs are taken for the attended ones; where it has no pattern every hour is. A shift or a closed day that was
told goes before that.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from agent.core.sump import Sump

LATE_H = 10  # attended hours within which an instruction is done, pouring included
LONGEST_H = 96  # of the clock: a long weekend
NO_PATTERN = 0.35  # a week's busiest and quietest hours differ by less: no pattern is known
IDLE_UP_TO = 0.4  # between the quietest hour and the busiest: an hour never seen counts as attended
HOURS_A_WEEK = 168


def attended(sump: Sump, when: float) -> tuple[bool, ...]:
    """For each hour of the week (epoch hours modulo 168): is somebody there? Worked out once a day."""
    posted = sump.advice
    day = int(when // 86400.0)
    if posted.week_day != day:
        shares = [sump.tracker.running_share(3600.0 * h) for h in range(HOURS_A_WEEK)]
        low, high = min(shares), max(shares)
        known = high - low > NO_PATTERN
        posted.week = tuple(not known or share > low + IDLE_UP_TO * (high - low) for share in shares)
        posted.week_day = day
    return posted.week


def hours_to_done(sump: Sump, when: float) -> float:
    """Hours from `when` by which an instruction given now will have been done."""
    week, hour, left = attended(sump, when), int(when // 3600.0), LATE_H
    for ahead in range(LONGEST_H):
        left -= _somebody(sump, week, hour + ahead)
        if left <= 0:
            return float(ahead + 1)
    return float(LONGEST_H)


def attended_hours(sump: Sump, since: float, when: float) -> int:
    """Attended hours between two times, epoch s; counts no further back than two weeks."""
    week = attended(sump, when)
    first = max(int(since // 3600.0), int(when // 3600.0) - 2 * HOURS_A_WEEK)
    return sum(_somebody(sump, week, h) for h in range(first, int(when // 3600.0)))


def _somebody(sump: Sump, week: tuple[bool, ...], hour: int) -> bool:
    """Whether somebody is there in an epoch hour: as told, else as the week usually goes."""
    calendar = sump.tracker.calendar
    told = None if calendar is None else calendar.staffed_at(3600.0 * hour + 1800.0)
    return week[hour % HOURS_A_WEEK] if told is None else told
