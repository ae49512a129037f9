"""When Harrow Lane works: shifts, the pump's blocks in them, how hard a day is. The same seed gives the same days."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

ZONE = ZoneInfo("Europe/Vienna")
DAY_S = 86400.0
SHIFTS_H = ((6.0, 14.0), (14.0, 22.0))
WORKING_DAYS = 5


@dataclass(frozen=True, slots=True)
class Day:
    """One machine's day: the pump's blocks in epoch seconds, and its work over an ordinary day's."""

    blocks: tuple[tuple[float, float], ...]
    job: float


def midnight(time_s: float) -> datetime:
    """The local midnight before an epoch time, with its zone."""
    return datetime.fromtimestamp(time_s, ZONE).replace(hour=0, minute=0, second=0, microsecond=0)


def hour_of_day(time_s: float) -> float:
    """Local hours since midnight."""
    local = datetime.fromtimestamp(time_s, ZONE)
    return local.hour + local.minute / 60.0 + local.second / 3600.0


def at(day: datetime, clock: str) -> float:
    """Epoch seconds of a local clock time "HH:MM" on that day."""
    hour, minute = clock.split(":")
    return day.replace(hour=int(hour), minute=int(minute)).timestamp()


def opening(now_s: float) -> float:
    """The plant's first live moment: the latest Wednesday, 05:50, ten minutes before the shift."""
    day = midnight(now_s)
    day -= timedelta(days=(day.weekday() - 2) % 7)
    moment = at(day, "05:50")
    return moment if moment <= now_s else at(day - timedelta(days=7), "05:50")


def attended(time_s: float) -> bool:
    """Is anybody there?"""
    return midnight(time_s).weekday() < WORKING_DAYS and SHIFTS_H[0][0] <= hour_of_day(time_s) < SHIFTS_H[-1][1]


def ambient_c(time_s: float) -> float:
    """The hall's air, °C: warmest at 16 h."""
    return 21.0 + 2.0 * math.cos((hour_of_day(time_s) - 16.0) / 24.0 * 2.0 * math.pi)


def runs(seed: int, sump: str, time_s: float) -> bool:
    """Does the fluid pump run?"""
    return any(start <= time_s < end for start, end in day_of(seed, sump, time_s).blocks)


def day_of(seed: int, sump: str, time_s: float) -> Day:
    """The machine's day that holds an epoch time."""
    return _day(seed, sump, midnight(time_s).date())


@lru_cache(maxsize=64)
def _day(seed: int, sump: str, day: date) -> Day:
    if day.weekday() >= WORKING_DAYS:
        return Day((), 1.0)
    rng = random.Random(f"{seed}/{sump}/{day.isoformat()}")
    start = datetime(day.year, day.month, day.day, tzinfo=ZONE)
    blocks: list[tuple[float, float]] = []
    for begin_h, end_h in SHIFTS_H:
        hour = begin_h + rng.uniform(0.1, 0.4)
        while hour < end_h - 0.4:
            stop = min(hour + rng.uniform(0.5, 3.0), end_h - 0.15)
            blocks.append((_moment(start, hour), _moment(start, stop)))
            hour = stop + rng.uniform(0.15, 0.8)
    return Day(tuple(blocks), math.exp(rng.gauss(0.0, 0.15)))


def _moment(start: datetime, hour: float) -> float:
    return (start + timedelta(hours=hour)).timestamp()
