"""The shop's calendar: when people are there. Told by people, unlike the week that the pumps show.

Local days without a time zone database: the zone's offsets from UTC come in as a table, so that the same record at
the same time finds the same day in a replay ten years later.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

DAY_S = 86_400.0
FIRST_WEEKDAY = 3  # 1970-01-01 was a Thursday; Monday is 0
Shift = tuple[int, int]  # minutes of the local day; the end may lie past midnight


@dataclass(frozen=True, slots=True)
class Calendar:
    """`shifts` for Monday to Sunday, `closed` local days since 1970-01-01 with no work, `offsets` (from epoch s,
    local minus UTC in s) rising. Without any shift only the closed days are known."""

    shifts: tuple[tuple[Shift, ...], ...] = ((),) * 7
    closed: frozenset[int] = frozenset()
    offsets: tuple[tuple[float, float], ...] = ((0.0, 0.0),)

    @property
    def told(self) -> bool:
        """True where shifts were told."""
        return any(self.shifts)

    def local_day(self, time_s: float) -> tuple[int, float]:
        """The local day since 1970-01-01, and the minutes gone of it."""
        at = max(bisect_right(self.offsets, (time_s, float("inf"))) - 1, 0)
        days, seconds = divmod(time_s + self.offsets[at][1], DAY_S)
        return int(days), seconds / 60.0

    def closed_at(self, time_s: float) -> bool:
        """True on a holiday or in a shutdown; a night shift that began before still runs to its end."""
        day, minute = self.local_day(time_s)
        return day in self.closed and not self._overhang(day, minute)

    def closed_hours(self, first: int, hours: int) -> list[int]:
        """Which of so many hours from epoch hour `first` on are of a closed day, counted from 0."""
        if not self.closed:
            return []
        return [ahead for ahead in range(hours) if self.closed_at(3600.0 * (first + ahead) + 1800.0)]

    def staffed_at(self, time_s: float) -> bool | None:
        """Whether a shift is on; None where no shifts were told and the day is not closed."""
        day, minute = self.local_day(time_s)
        if self._overhang(day, minute):
            return True
        if day in self.closed:
            return False
        if not self.told:
            return None
        return any(begin <= minute < end for begin, end in self.shifts[(day + FIRST_WEEKDAY) % 7])

    def _overhang(self, day: int, minute: float) -> bool:
        """True while yesterday's last shift runs past midnight."""
        if day - 1 in self.closed:
            return False
        return any(minute < end - 1440 for _, end in self.shifts[(day - 1 + FIRST_WEEKDAY) % 7])
