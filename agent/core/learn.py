"""What a sump's level teaches by the way: when its pump runs, what it loses, what a run holds up and how fast.

Each function takes the tracker as it stands at `when` (epoch s) and moves what it has learned; none decides anything.
"""

from __future__ import annotations

from math import exp, log, sqrt
from statistics import median
from typing import TYPE_CHECKING

from agent.core.holdup import SHAPE_MIN
from agent.core.level import SETTLE_MIN, Branch

if TYPE_CHECKING:
    from agent.core.tracker import Tracker

HOURS_A_WEEK = 168
SURE = 0.97  # weight of a branch, or of those that agree, from which it is learned and told
HABIT_KEPT = 0.97  # of what was seen, from week to week: a shop that changes its shifts is followed
HABIT_FORCE = 0.5  # hours in a row are not independent: less than the full log-likelihood
RATE_GAIN = 0.15  # of an hour's loss, on the running mean
RAMP_MIN = 6.0  # after a turn the level itself moves
MOST_LOST = 0.02 / 60.0  # of full a minute; more in an hour is not what a rate is learned from
USUAL_RUNS, USUAL_GAIN, USUAL_MOST = 25, 0.005, 1.15  # runs before what is usual is known; how it then moves
LONG_STOP_S = 8400.0  # from the quick part's end: then little of the slow part is still to come
TAIL_GAIN, LEAST_TAIL = 0.15, 0.3  # of a long stop; the share of the slow part that it must show
MOST_TAIL, TAIL_TOLD_SD = 0.08, 2.0  # of full; a rise from which its pace can be told, sd of a reading
TAIL_MIN = 12.0, 150.0  # its time constant, at least and at most
HELD_GAIN, HELD_FLOOR = 0.08, 0.03  # of a run, on mean and spread over runs; the least spread, share of it


def habit(t: Tracker, when: float) -> None:
    """Once an hour: what the pump did at this hour of other weeks speaks for its state now."""
    t.hour = int(when // 3600.0)
    own = 2 * (t.hour % HOURS_A_WEEK)
    idle, runs = t.habit_at(t.hour)
    t.habit[own] *= HABIT_KEPT
    t.habit[own + 1] *= HABIT_KEPT
    if t.known is not None:
        t.habit[own + t.known] += 1.0
        return
    for w, b in zip(t.weights(), t.branches, strict=True):
        t.habit[own + b.run] += w
        b.logw += HABIT_FORCE * log((runs if b.run else idle) / (idle + runs))


def rate(t: Tracker, when: float) -> None:
    """Each hour that the pump stood in one state and nothing was in doubt teaches the loss in that state."""
    best = t.best()
    then, lost, run = t.stand
    now = best.lost_so_far()
    sure = len(t.branches) == 1 or max(t.weights()) > SURE
    steady = run == best.run and best.toggled < then - SETTLE_MIN * 60.0 and not best.start
    hours = (when - then) / 3600.0
    if sure and steady and 0.5 < hours < 3.0:
        seen = min(max((now - lost) / (60.0 * hours), -MOST_LOST * t.full_l), MOST_LOST * t.full_l)
        if run:
            t.rates.running += RATE_GAIN * (seen - t.rates.running)
        else:
            t.rates.idle += RATE_GAIN * (seen - t.rates.idle)
    t.stand = (when, now, best.run)


def shape(t: Tracker, when: float) -> None:
    """Ten minutes after a start or stop that nothing disturbed: how fast did the level follow?"""
    began, t.learning = t.learning, 0.0
    best = t.best()
    if best.start or best.toggled != began or when - began > 2 * SHAPE_MIN * 60.0:
        return
    if len(t.branches) > 1 and max(t.weights()) < 0.9:
        return
    if not best.run:
        held(t, best)
        t.back = [(when, _seen(best), best.u2)]
    before = [y for t, y in t.recent if began - 360.0 < t < began - 30.0]
    if len(before) >= 3 and abs(best.turn_u - (0.0 if best.run else 1.0)) < 0.05:
        points = [((at - began) / 60.0, y) for at, y in t.recent if at > began]
        if best.run:
            t.rates.start.learn(points, median(before), t.noise(True))
        else:  # what comes back slowly has no part in the shape of the rest
            slow, tau = best.G * best.turn_w, t.rates.tail_min
            points = [(lag, y + slow * exp(-lag / tau)) for lag, y in points]
            t.rates.stop.learn(points, median(before) + slow, t.noise())


def held(t: Tracker, b: Branch) -> None:
    """What this run held up, known from its start and its stop, teaches mean and spread over runs."""
    rates, t.runs = t.rates, t.runs + 1
    gain = max(HELD_GAIN, 1.0 / (t.runs + 1.0))
    off = b.H - rates.held_l
    rates.held_l += gain * off
    if t.runs == USUAL_RUNS:
        t.usual_held_l = rates.held_l
    elif t.runs > USUAL_RUNS:
        t.usual_held_l += USUAL_GAIN * (min(rates.held_l, USUAL_MOST * t.usual_held_l) - t.usual_held_l)
    floor = HELD_FLOOR * rates.held_l + t.spread
    rates.held_sd = max(floor, sqrt((1.0 - gain) * rates.held_sd**2 + gain * (off * off + b.phh)))


def tail(t: Tracker, when: float) -> None:
    """What comes back slowly shows in a long stop alone: it is learned once an hour's look finds one that is over.

    y(t) = y∞ − G·u2(t): the rise from the quick part's end to the last look gives G, that to a look between gives
    how fast.
    """
    best = t.best()
    if not t.back:
        return
    if best.run or best.start or best.toggled > t.back[0][0] or len(t.branches) > 1:
        t.back = []
        return
    t.back.append((when, _seen(best) + t.rates.idle * (when - t.back[0][0]) / 60.0, best.u2))
    if when - t.back[0][0] < LONG_STOP_S:
        return
    looks, t.back, rates = t.back, [], t.rates
    (_, y0, u0), (_, y1, u1) = looks[0], looks[-1]
    if u0 - u1 < LEAST_TAIL:
        return
    t.long_stops += 1
    gain = max(TAIL_GAIN, 1.0 / (t.long_stops + 1.0))
    off = min(max((y1 - y0) / (u0 - u1), -MOST_TAIL * t.full_l), MOST_TAIL * t.full_l) - rates.tail_l
    rates.tail_l = max(0.0, rates.tail_l + gain * off)
    rates.tail_sd = max(0.5 * t.spread, sqrt((1.0 - gain) * (rates.tail_sd**2 + gain * off * off)))
    if y1 - y0 > TAIL_TOLD_SD * t.spread:
        at, y, _ = looks[1]
        ago, whole, tau = (at - looks[0][0]) / 60.0, (looks[-1][0] - looks[0][0]) / 60.0, rates.tail_min
        told = (y - y0) / (y1 - y0) - (1.0 - exp(-ago / tau)) / (1.0 - exp(-whole / tau))
        slope = ago / tau * exp(-ago / tau)  # of the share that is back, on ln τ
        if slope > 0.1:
            tau *= exp(-gain * min(max(told / slope, -0.5), 0.5))
            rates.tail_min = min(max(tau, TAIL_MIN[0]), TAIL_MIN[1])


def _seen(b: Branch) -> float:
    """Litres that the branch expects the level to show: its readings, smoothed."""
    return b.V - b.H * b.u1 - b.G * b.u2


def listen(t: Tracker) -> None:
    """How rough the surface is speaks for a running pump or against it, once a turn's own ramp is over."""
    best = t.best()
    if best.lag < RAMP_MIN or best.flow or len(t.recent) < 3:
        return
    (_, y0), (_, y1), (_, y2) = t.recent[-3], t.recent[-2], t.recent[-1]
    _speak(t, t.ripple.log_odds(y0 - 2.0 * y1 + y2))


def warm(t: Tracker, when: float, temp_c: float) -> None:
    """A temperature of the fluid, °C: teaches how it goes in either state of the pump, or speaks for one of them."""
    change = t.warmth.change(when, temp_c)
    if change is None or not t.branches:
        return
    before, was, rate = change
    if len(t.branches) > 1:
        if all(b.toggled < before for b in t.branches):
            _speak(t, t.warmth.log_odds(was, rate))
    elif t.branches[0].toggled < before:
        t.warmth.lines[t.branches[0].run].learn(was, rate)


def _speak(t: Tracker, log_odds: float) -> None:
    """Evidence for a running pump goes to the branches in which it runs."""
    if log_odds:
        for b in t.branches:
            if b.run:
                b.logw += log_odds
