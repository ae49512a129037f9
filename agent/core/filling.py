"""While somebody pours: what has gone in so far, what is still to go, and when the high mark would be reached.

The tracker judges a level a minute at a time, which is right for the books and too slow for a person with a hose. So
the level's own readings are followed here, as they come, and the tracker is asked only what it knows better: whether
a rise may be fluid that comes back from a stopped pump, and how much the pump holds up.

A rise opens when a line through the last FIT_S of readings stands clearly above the calm level before it and climbs;
what was poured is that line's height over the calm level. Readings pass a median of three first: a spike is no pour.
Nothing here is part of the core's state: it is seen anew within a minute of any start. L, epoch s.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field, fields
from math import sqrt
from statistics import median
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from agent.core.level import Branch
    from agent.core.sump import Sump

FIT_S, RATE_S = 8.0, 20.0  # readings that the line is drawn through, for where the level is and how fast it climbs
LEAST_FIT = 4  # of them; a slower sensor is left to the tracker
CALM_FROM_S, CALM_TO_S = 90.0, 12.0  # before now: the level that a rise stands out from
LEAST_CALM = 8
KEEP_S, MOST_KEPT = 120.0, 1200
OPEN_SHARE, OPEN_SD = 0.003, 4.0  # of full, and of the noise, by which a level must have risen
CLIMBS_SHARE = 0.006  # of full a minute: slower is left to the tracker
PAUSE_S, LAST_PAUSE_S = 240.0, 45.0  # between two buckets, as long as more was asked for, and when all of it is in
TURN_S = 1200.0  # after a stop of the pump most of what it held up comes back
GOES_BACK_SHARE = 0.4  # of what seemed to be poured: when as much is gone again it was none
ALIKE = 2.6  # neighbours in a median of three share readings: their means vary by so much more than of readings apart
LATE_SD_S = 0.5  # by which the line may lag behind a hose, 1 sd: read each second, shown each second
SCALE_SD = 0.01  # of what was poured: the slope of the level curve, 1 sd
LEAD_S, CLOSE_S = 30.0, 8.0  # before the high mark: warned where nobody stops before it, and in any case


@dataclass(frozen=True, slots=True)
class Asked:
    """The instruction that people may be following: litres as approved or amended; `begun`: somebody said so."""

    advice: str
    volume_l: float
    begun: bool = False


@dataclass(frozen=True, slots=True)
class Filling:
    """A pour that is going on. `to_go_l` below 0: so much too much; None where nobody asked for it. `to_high_s`: to
    the high mark at the present rate, 0 above it, None where the level does not rise. `poured_sd`: of poured_l and
    so of to_go_l, 1 sd."""

    since: float
    poured_l: float
    to_go_l: float | None
    target_l: float | None
    rate_l_per_min: float
    to_high_s: float | None
    advice: str | None
    to_high_l: float
    poured_sd: float

    def row(self) -> dict[str, Any]:
        """The object of the live file, with what `overfill` says of it."""
        told = {f.name: getattr(self, f.name) for f in fields(self)}
        rounded = {k: round(v, 3) if isinstance(v, float) else v for k, v in told.items()}
        return {**rounded, "overfill": overfill(self)}


def overfill(filling: Filling | None) -> bool:
    """Will the high mark be passed at the present rate, unless somebody stops now?

    A pour that ends below the mark by what was asked for is let go on until the mark is very near.
    """
    if filling is None or filling.to_high_s is None:
        return False
    ends_below = filling.to_go_l is not None and 0.0 < filling.to_go_l <= filling.to_high_l
    return filling.to_high_s <= (CLOSE_S if ends_below else LEAD_S)


@dataclass(slots=True)
class Watch:
    """The last readings of one sump's level, and the rise that is under way."""

    raw: deque[float] = field(default_factory=lambda: deque(maxlen=3))
    recent: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=MOST_KEPT))
    since: float = 0.0  # of the rise; 0 = none
    base_l: float = 0.0  # level before it
    top_l: float = 0.0
    rose_at: float = 0.0
    level_l: float = 0.0  # by the line, now
    rate_l_per_s: float = 0.0
    noise_l: float = 0.0
    fit_share: float = 1.0  # variance of the line's height now, in those of a reading
    calm_share: float = 1.0  # the same of the calm level

    def poured_sd(self, poured_l: float) -> float:
        """Of the line's height over the calm level, 1 sd, L."""
        read = self.noise_l**2 * (self.fit_share + self.calm_share)
        return sqrt(read + (LATE_SD_S * self.rate_l_per_s) ** 2 + (SCALE_SD * poured_l) ** 2)

    def take(self, when: float, litres: float, full_l: float) -> None:
        """One good reading, in litres seen in the tank; readings out of order are passed over."""
        if self.recent and when <= self.recent[-1][0]:
            return
        if self.recent and when - self.recent[-1][0] > KEEP_S:
            self._forget()
        self.raw.append(litres)
        self.recent.append((when, median(self.raw)))
        while self.recent and when - self.recent[0][0] > KEEP_S:
            self.recent.popleft()
        line = _line([r for r in self.recent if when - r[0] <= FIT_S], when)
        if line is None:
            return
        self.level_l, self.rate_l_per_s, self.fit_share = line
        if self.since:
            span_s = max(FIT_S, min(RATE_S, when - self.since))
            longer = _line([r for r in self.recent if when - r[0] <= span_s], when)
            self.rate_l_per_s = longer[1] if longer else self.rate_l_per_s
            self._go_on(when, full_l)
        else:
            self._open(when, full_l)

    def _forget(self) -> None:
        self.raw.clear()
        self.recent.clear()
        self.since = self.rate_l_per_s = 0.0

    def _open(self, when: float, full_l: float) -> None:
        calm = [v for t, v in self.recent if CALM_TO_S <= when - t <= CALM_FROM_S]
        if len(calm) < LEAST_CALM or self.rate_l_per_s * 60.0 < CLIMBS_SHARE * full_l:
            return
        base = median(calm)
        self.noise_l = 1.4826 * median(abs(v - base) for v in calm)
        self.calm_share = min(1.0, ALIKE / len(calm))
        risen = self.level_l - base
        if risen < max(OPEN_SHARE * full_l, OPEN_SD * self.noise_l):
            return
        self.base_l, self.top_l, self.rose_at = base, self.level_l, when
        self.since = when - min(risen / self.rate_l_per_s, KEEP_S)

    def _go_on(self, when: float, full_l: float) -> None:
        if self.level_l > self.top_l + max(0.001 * full_l, self.noise_l):
            self.top_l, self.rose_at = self.level_l, when
        back = self.top_l - self.level_l > GOES_BACK_SHARE * max(self.top_l - self.base_l, OPEN_SHARE * full_l)
        if back or when - self.rose_at > PAUSE_S:
            self.since = 0.0


def _line(readings: list[tuple[float, float]], when: float) -> tuple[float, float, float] | None:
    """Height at `when` and slope a second of the straight line through the readings, and the variance of that height
    in those of a reading (least squares: 1/n + t²/Σt²); None where they are too few."""
    n = len(readings)
    if n < LEAST_FIT:
        return None
    mid_t, mid_v = sum(t for t, _ in readings) / n, sum(v for _, v in readings) / n
    across = sum((t - mid_t) ** 2 for t, _ in readings)
    slope = sum((t - mid_t) * (v - mid_v) for t, v in readings) / max(across, 1e-9)
    lag_s = 1.0 if n < 2 else (readings[-1][0] - readings[0][0]) / (n - 1)  # of the median of three
    ahead_s = when + lag_s - mid_t
    return mid_v + slope * ahead_s, slope, ALIKE * (1.0 / n + ahead_s**2 / max(across, 1e-9))


def filling(sump: Sump, watch: Watch, when: float, asked: Asked | None) -> Filling | None:
    """The pour that is going on at a sump at `when` (epoch s), or None where none is."""
    if not sump.tracker.branches:
        return None
    best = sump.tracker.best()
    if watch.since and _may_be_poured(sump, best, watch.since, asked):
        poured = max(watch.level_l - watch.base_l, 0.0)
        all_in = asked is None or poured >= asked.volume_l
        if all_in and when - watch.rose_at > LAST_PAUSE_S:
            return None
        stands = watch.level_l + best.H * best.u1 + best.G * best.u2
        rate = max(watch.rate_l_per_s, 0.0) if when - watch.rose_at < RATE_S else 0.0
        return _told(sump, watch.since, poured, watch.poured_sd(poured), rate, stands, asked)
    if best.flow > 0:
        poured, sd = max(best.V - best.v0 + best.lost, 0.0), sqrt(max(best.pvv + best.p0, 0.0))
        return _told(sump, best.start, poured, sd, best.rate / 60.0, best.V, asked)
    return None


def _told(
    sump: Sump, since: float, poured_l: float, sd_l: float, rate_l_per_s: float, stands_l: float, asked: Asked | None
) -> Filling:
    to_high_l = sump.spec.high_l - stands_l
    to_high_s = None
    if to_high_l <= 0.0:
        to_high_s = 0.0
    elif rate_l_per_s > 1e-6:
        to_high_s = to_high_l / rate_l_per_s
    rate = 60.0 * rate_l_per_s
    if asked is None:
        return Filling(since, poured_l, None, None, rate, to_high_s, None, to_high_l, sd_l)
    to_go_l = asked.volume_l - poured_l
    return Filling(since, poured_l, to_go_l, asked.volume_l, rate, to_high_s, asked.advice, to_high_l, sd_l)


def _may_be_poured(sump: Sump, best: Branch, since: float, asked: Asked | None) -> bool:
    """Is a rise an inflow, and not what comes back from a pump that has stopped?

    What the tracker says of it counts; before it has seen enough: a pump that stood still holds nothing that could
    come back, one that a contact says is running holds it, and else it is taken for a pour where one was asked for.
    Where no contact tells of the pump, a person who said to have begun is believed before all.
    """
    tracker = sump.tracker
    if best.start or any(p.end >= since for p in best.poured):
        return True
    if tracker.known is None and asked is not None and asked.begun:
        return True
    stopped = not best.run and best.toggled > since - TURN_S
    if stopped or (tracker.known is False and best.run):
        return False
    return not best.run or tracker.known is True or asked is not None
