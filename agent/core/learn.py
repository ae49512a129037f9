"""What a sump's level teaches by the way: when its pump runs, what it loses, what a run holds up and how fast.

Each function takes the tracker as it stands at `when` (epoch s) and moves what it has learned; none decides anything.
"""

from __future__ import annotations

from math import log, sqrt
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
HELD_GAIN, HELD_FLOOR = 0.08, 0.03  # of a run, on mean and spread over runs; the least spread, share of it


def habit(t: Tracker, when: float) -> None:
    """Once an hour: what the pump did at this hour of other weeks speaks for its state now."""
    t.hour = int(when // 3600.0)
    told = t.habit[t.hour % HOURS_A_WEEK]
    idle, runs = t.habit_at(t.hour)
    told[0], told[1] = HABIT_KEPT * told[0], HABIT_KEPT * told[1]
    if t.known is not None:
        told[t.known] += 1.0
        return
    for w, b in zip(t.weights(), t.branches, strict=True):
        told[b.run] += w
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
    before = [y for t, y in t.recent if began - 360.0 < t < began - 30.0]
    if len(before) >= 3 and abs(best.turn_u - (0.0 if best.run else 1.0)) < 0.05:
        points = [((t - began) / 60.0, y) for t, y in t.recent if t > began]
        table = t.rates.start if best.run else t.rates.stop
        table.learn(points, median(before), t.noise())


def held(t: Tracker, b: Branch) -> None:
    """What this run held up, known from its start and its stop, teaches mean and spread over runs."""
    rates, t.runs = t.rates, t.runs + 1
    gain = max(HELD_GAIN, 1.0 / (t.runs + 1.0))
    off, tail_off = b.H - rates.held_l, b.G - rates.tail_l
    rates.held_l += gain * off
    if t.runs == USUAL_RUNS:
        t.usual_held_l = rates.held_l
    elif t.runs > USUAL_RUNS:
        t.usual_held_l += USUAL_GAIN * (min(rates.held_l, USUAL_MOST * t.usual_held_l) - t.usual_held_l)
    rates.tail_l += gain * tail_off
    floor = HELD_FLOOR * rates.held_l + t.spread
    rates.held_sd = max(floor, sqrt((1.0 - gain) * rates.held_sd**2 + gain * (off * off + b.phh)))
    rates.tail_sd = max(0.5 * t.spread, sqrt((1.0 - gain) * rates.tail_sd**2 + gain * (tail_off**2 + b.pgg)))


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
