"""Leaks: loss that the learned model cannot explain, and that goes on when nothing runs.

Hour by hour the loss is set against what this sump loses while running and while idle. Sums of the excess over
windows of several lengths are compared with how much such sums have scattered in this sump's own past, so that a
sensor that breathes with the hall's temperature sets its own bar. Once a leak is sure, its onset and rate are those
of the step that fits the hourly excess best; they are judged anew each hour, and what had been booked as the sump's
own loss since then is put right. Rates in L/h.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from itertools import islice
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np

from agent.core.outputs import Finding, Output

if TYPE_CHECKING:
    from agent.core.sump import Sump

Floats = np.ndarray[tuple[int], np.dtype[np.float64]]

IDLE_WINDOWS = (4, 6, 9, 14, 24)  # idle hours
WHOLE_WINDOWS = (8, 14, 24, 48)  # hours of the clock
HISTORY_H = 14 * 24  # hours that the bar is set from
FEWEST_H = 5 * 24  # before so many hours nothing is said
FEWEST_IDLE_H = 24
SURE_IDLE = 5.0  # sd of an idle window at which a leak is said
SURE_WHOLE = 2.5  # and the whole window since must agree by so many
NEVER_STILL_S, SURE_UNSEEN = 86400.0, 12.0  # the same where the machine has not stood still for so long
FEWEST_RAN_H = 72  # and has run for so many hours of those that set the bar: not just back from a holiday
SURE_ALONE = 7.0  # sd of a whole window alone, where little idle time tells
SMALLEST_L_PER_H = 0.2
SMALLEST_SHARE = 0.0006  # of full an hour
QUIET_AFTER_STOP_S = 3600.0  # drain-back goes on this long
FEWEST_STILL = 3  # idle hours that must agree before running hours may speak of a leak
FEWEST_RUNS = 3  # before that an hour in which the pump turned tells what it holds up, not what was lost
BACK_H = 5 * 24  # so far back a leak may have begun before it is sure
RATE_MOVED, RATE_MOVED_SD, RATE_FLOOR = 0.2, 2.0, 0.05  # share and sd by which a rate must move to be said; least sd
STOPPED_H = 12  # hours with no more excess after which a leak is taken to have ended


@dataclass(slots=True)
class Hour:
    """One hour: epoch s of its end, L lost, share of it that the pump ran, and whether it was still and idle."""

    end: float
    lost_l: float
    run: float
    still: bool


@dataclass(slots=True)
class LeakWatch:
    """State of the watch over one sump."""

    full_l: float
    hours: deque[Hour] = field(default_factory=lambda: deque(maxlen=HISTORY_H + 96))
    hour: int = 0
    from_time: float = 0.0
    from_lost: float = 0.0
    moved: float = 0.0
    run_min: float = 0.0
    rate_l_per_h: float = 0.0  # believed now; 0 = no leak
    since: float = 0.0
    ident: str = ""
    bar_day: int = -1
    bar: Bar | None = None
    deaf_until: float = 0.0  # after a person's dismissal

    def dismissed(self, sump: Sump, ident: str) -> None:
        """A person says that it is no leak: learn the loss as this sump's own."""
        if ident == self.ident and self.hours:
            sump.ledger.leaked(self.since, float("inf"), 0.0)
            self.rate_l_per_h, self.ident = 0.0, ""
            self.deaf_until = self.hours[-1].end + 7 * 86400.0

    def watch(self, sump: Sump, when: float) -> list[Output]:
        """Once an hour: book it and judge."""
        hour = int(when // 3600.0)
        if hour == self.hour:
            return []
        self.hour = hour
        self._book(sump, when)
        if self.bar_day != int(when // 86400.0) and self.rate_l_per_h == 0.0:
            self.bar_day = int(when // 86400.0)
            self.bar = set_bar(list(self.hours)[:-12])
        if self.bar is None or when < self.deaf_until:
            return []
        return self._stands(sump, when) if self.rate_l_per_h > 0.0 else self._judge(sump, when)

    def _book(self, sump: Sump, when: float) -> None:
        """Put the hour gone by on the list, unless something was poured, let out or not seen in it."""
        best = sump.tracker.best()
        lost, hours = best.lost_so_far(), (when - self.from_time) / 3600.0
        whole = 0.7 < hours < 1.5 and best.moved == self.moved and not best.start
        whole = whole and (best.toggled < self.from_time or sump.tracker.runs >= FEWEST_RUNS)
        if whole and max(sump.tracker.weights()) > 0.97:
            still = not best.run and when - best.toggled > hours * 3600.0 + QUIET_AFTER_STOP_S
            ran = 0.0 if still else 1.0 if best.run and best.toggled < when - 3600.0 else 0.5
            self.hours.append(Hour(when, (lost - self.from_lost) / hours, ran, still))
        self.from_time, self.from_lost, self.moved = when, lost, best.moved

    def _judge(self, sump: Sump, when: float) -> list[Output]:
        bar, oldest = self.bar, when - BACK_H * 3600.0
        assert bar is not None
        rows = [h for h in islice(reversed(self.hours), BACK_H) if h.end > oldest]  # newest first
        excess = [h.lost_l - (h.run * bar.running + (1.0 - h.run) * bar.idle) for h in rows]  # Bar.expected
        idle = [(h.end, x) for h, x in zip(rows, excess, strict=True) if h.still]
        smallest = max(SMALLEST_L_PER_H, SMALLEST_SHARE * self.full_l)
        for n in IDLE_WINDOWS if idle and when - idle[0][0] <= 7200.0 else ():
            if len(idle) < n or n not in bar.idle_sd:
                continue
            total = sum(x for _, x in idle[:n])
            rate, since, spread = total / n, idle[n - 1][0] - 3600.0, bar.idle_sd[n]
            if rate < smallest or total < SURE_IDLE * spread:
                continue
            whole = [x for h, x in zip(rows, excess, strict=True) if h.end > since]  # running hours, too
            if sum(whole) > 0.4 * rate * len(whole):
                return self._found(sump, when, since, rate, max(spread / n, 0.1 * rate))
        for n in WHOLE_WINDOWS:
            if len(rows) < n or n not in bar.whole_sd:
                continue
            total, since = sum(excess[:n]), rows[n - 1].end - 3600.0
            spread = bar.whole_sd[n] * (1.0 if bar.idle_sd else 1.5)
            if total <= SURE_ALONE * spread or total / n <= 2.0 * smallest + bar.running:
                continue
            still = [x for end, x in idle if end > since]
            never_still = bar.ran_h >= FEWEST_RAN_H and (not idle or when - idle[0][0] > NEVER_STILL_S)
            if bar.idle_sd and len(still) < FEWEST_STILL and (not never_still or total <= SURE_UNSEEN * spread):
                continue
            if not still or sum(still) > 0.6 * total / n * len(still):
                return self._found(sump, when, since, total / n, spread / n)
        return []

    def _found(self, sump: Sump, when: float, since: float, rate: float, sd: float) -> list[Output]:
        self.rate_l_per_h, self.since = rate, since
        self.ident = f"{sump.spec.id}/leak{int(since)}"
        sd = self._fit(when) or sd
        sump.ledger.leaked(self.since, when, self.rate_l_per_h)
        return self._tell(sump, when, None, self.rate_l_per_h, sd, _words(self.rate_l_per_h))

    def _fit(self, when: float) -> float:
        """Take onset and rate from the step that fits best; its sd, 0 where there is none."""
        bar = self.bar
        assert bar is not None
        back_s = BACK_H * 3600.0
        begin = min(self.since - 43200.0, when - back_s) if when - self.since < back_s else self.since
        step = onset([h for h in self.hours if h.end > begin], bar)
        if step is None:
            return 0.0
        since, self.rate_l_per_h, sd = step
        if begin < self.since:
            self.since = since
        return max(sd, RATE_FLOOR * self.rate_l_per_h)

    def _stands(self, sump: Sump, when: float) -> list[Output]:
        """A leak that was said: has it ended, does it go faster or slower than was said?"""
        bar = self.bar
        assert bar is not None
        late = list(self.hours)[-STOPPED_H:]
        if len(late) == STOPPED_H and late[0].end > self.since + 3600.0 * STOPPED_H:
            now = sum(h.lost_l - bar.expected(h) for h in late) / len(late)
            if now <= 0.35 * self.rate_l_per_h:
                return self._ended(sump, when, late)
        said = sump.said_ids.get(self.ident)
        sd = self._fit(when)
        known = said.rate_l_per_h or 0.0 if said is not None else 0.0
        if sd == 0.0 or abs(self.rate_l_per_h - known) < max(RATE_MOVED * known, RATE_MOVED_SD * sd):
            return []
        sump.ledger.leaked(self.since, when, self.rate_l_per_h)
        return self._tell(sump, when, None, self.rate_l_per_h, sd, _words(self.rate_l_per_h))

    def _ended(self, sump: Sump, when: float, late: list[Hour]) -> list[Output]:
        rate, self.rate_l_per_h, end = self.rate_l_per_h, 0.0, late[0].end - 3600.0
        sump.ledger.leaked(self.since, end, rate)
        self.hours = deque((h for h in self.hours if h.end < self.since), maxlen=HISTORY_H + 96)
        self.hours.extend(late)
        return self._tell(sump, when, end, rate, 0.2 * rate, "the leak has stopped")

    def _tell(self, sump: Sump, when: float, end: float | None, rate: float, sd: float, text: str) -> list[Output]:
        old = sump.said_ids.get(self.ident)
        finding = Finding(
            self.ident, 0 if old is None else old.revision + 1, when, sump.spec.id, "leak", self.since, end,
            None, None, None, None, rate, sd, text,
        )  # fmt: skip
        sump.said_ids[self.ident] = finding
        return [finding]


@dataclass(frozen=True, slots=True)
class Bar:
    """What this sump loses an hour, and how sums of the excess over n hours have scattered, 1 sd, L."""

    running: float
    idle: float
    idle_sd: dict[int, float]
    whole_sd: dict[int, float]
    ran_h: int  # whole hours of running that it was set from

    def expected(self, hour: Hour) -> float:
        """L that an hour is expected to lose."""
        return hour.run * self.running + (1.0 - hour.run) * self.idle

    def weight(self, hour: Hour) -> float:
        """1/variance of an hour's excess, 1/L²: still hours scatter less than those in which the pump runs."""
        n, spreads = (
            (IDLE_WINDOWS[0], self.idle_sd) if hour.still and self.idle_sd else (WHOLE_WINDOWS[0], self.whole_sd)
        )
        return n / spreads[n] ** 2


def _words(rate: float) -> str:
    return f"about {rate:.1f} L an hour goes, running or not, since about then: lock out, find it, do not just top off"


def onset(rows: list[Hour], bar: Bar) -> tuple[float, float, float] | None:
    """Since when (epoch s), how fast and how surely (L/h, 1 sd) more is lost: the step that fits the excess best.

    Weighted least squares of x = rate·[hour ≥ k] over every k: rate = Σwx/Σw over the hours from k on, and the k
    with the largest (Σwx)²/Σw takes most out of the residuals. None where nothing more is lost.
    """
    best, most, w, wx = None, 0.0, 0.0, 0.0
    for hour in reversed(rows):
        weight = bar.weight(hour)
        w, wx = w + weight, wx + weight * (hour.lost_l - bar.expected(hour))
        if wx > 0.0 and wx * wx / w > most:
            best, most = (hour.end - 3600.0, wx / w, 1.0 / sqrt(w)), wx * wx / w
    return best


def set_bar(hours: list[Hour]) -> Bar | None:
    """The bar from hours gone by; None while there are too few."""
    hours = hours[-HISTORY_H:]
    still = np.array([h.lost_l for h in hours if h.still])
    if len(hours) < FEWEST_H * 0.6:
        return None
    ran = np.array([h.lost_l for h in hours if h.run == 1.0])
    idle = float(np.clip(np.median(still), 0.0, None)) if len(still) >= FEWEST_IDLE_H else 0.0
    running = float(np.mean(ran)) if len(ran) > 10 else idle
    bar = Bar(max(running, 0.0), idle, {}, {}, len(ran))
    rest = np.array([h.lost_l - bar.expected(h) for h in hours])
    if len(still) >= FEWEST_IDLE_H:
        calm = still - idle
        one = _spread(calm) + 1e-3
        for n in IDLE_WINDOWS:
            bar.idle_sd[n] = _scatter(calm, n, one)
    one = _spread(rest) + 1e-3
    for n in WHOLE_WINDOWS:
        bar.whole_sd[n] = _scatter(rest, n, one)
    return bar


def _spread(values: Floats) -> float:
    """1 sd of values from the median of their distances to their median."""
    return 1.4826 * _middle(np.abs(values - _middle(values)))


def _middle(values: Floats) -> float:
    """The median; np.median takes ten times as long over so few."""
    ordered, half = np.sort(values), len(values) // 2
    return float(ordered[half] if len(values) % 2 else (ordered[half - 1] + ordered[half]) / 2.0)


def scatter(values: Floats, n: int) -> float:
    """1 sd of sums over n values in a row, from the middle of their spread, with a floor from single values."""
    return _scatter(values, n, _spread(values) + 1e-3)


def _scatter(values: Floats, n: int, one: float) -> float:
    """`scatter`, the single values' own spread being `one`."""
    floor = one * sqrt(n)
    if len(values) < 2 * n:
        return max(floor, 0.5 * one * n)
    sums = np.convolve(values, np.ones(n), mode="valid")
    spread = _spread(sums)
    few = sqrt(1.0 + 4.0 * n / len(values))  # few windows apart from one another: less is known
    return max(floor, spread * few, 0.7 * float(np.quantile(np.abs(sums), 0.98)) / 2.3 * few)
