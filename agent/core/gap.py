"""What may have happened while nobody saw the level: the pump in either state, something poured, seldom let out."""

from __future__ import annotations

from math import log, sqrt
from typing import TYPE_CHECKING

from agent.core.level import SMALLEST_SHARE, Branch, by_weight

if TYPE_CHECKING:
    from agent.core.tracker import Tracker

ADDS_PER_HOUR = 0.03  # prior rate of additions, for those that hide in a gap
LEAST_SHARE = 0.1  # no hour of the week is so idle, or so busy, that the pump is never found otherwise
TURNED_MIN, LOG_TURNED = (1.0, 3.0, 8.0), log(0.02)  # its last turn may be so young; each by this prior
LOG_AS_TOLD, LOG_OTHER = log(0.9), log(0.1)  # after a gap: the pump as last told, or not


def bridge(t: Tracker, when: float, minutes: float, y: float) -> None:
    """A reading after a gap: the pump in either state, and perhaps an inflow in the middle of it."""
    full: float = t.full_l
    born: list[Branch] = []
    middle, loss = 0.5 * (t.time + when), max(t.loss_since(when), 0.0)
    for b in _merged_by_events(t):
        b.cross_gap(minutes, middle, loss, t.rates, full)
        for after in _found(t, b, when):
            after.born = when
            noise = t.noise(after.run)
            born += [after, *_hidden_flows(t, after, minutes, middle, y, noise)]
            after.observe(y, noise, full)
    for b in born:
        b.quiet_up = b.quiet_down = when
        b.keep_calm(when)
    t.branches = born
    t.recent.clear()
    t.back = []


def _found(t: Tracker, b: Branch, when: float) -> list[Branch]:
    """The pump as it may be found at `when`: long in either state, or some minutes after a turn."""
    usual, found = min(max(t.running_share(when), LEAST_SHARE), 1.0 - LEAST_SHARE), []
    for run in (False, True):
        after = b.copy()
        if t.known is None:
            after.logw += log(usual if run else 1.0 - usual)
        else:
            after.logw += LOG_AS_TOLD if run == t.known else LOG_OTHER
        after.settle_as(run)
        found.append(after)
        for minutes in TURNED_MIN:
            turned = after.copy()
            turned.logw += LOG_TURNED
            turned.settle_as(not run)
            turned.toggle(when - 60.0 * minutes, t.rates)
            turned.predict(minutes, t.rates, t.full_l)
            found.append(turned)
    return found


def _hidden_flows(t: Tracker, b: Branch, minutes: float, middle: float, y: float, noise: float) -> list[Branch]:
    """What the gap may hide: an inflow, seldom an outflow, of whatever size fits the level now."""
    jump = y - (b.V - b.H * b.u1 - b.G * b.u2)
    sd = sqrt(b.pvv + b.phh + noise)
    if abs(jump) < 2.0 * sd or abs(jump) < SMALLEST_SHARE * t.full_l:
        return []
    child = b.copy()
    prior = ADDS_PER_HOUR * minutes / 60.0 * (1.0 if jump > 0 else 0.01)
    child.logw += log(min(0.5, prior)) - log(0.5 * t.full_l)
    child.open_flow(middle, 1 if jump > 0 else -1, t.full_l)
    child.gap = True
    child.V += jump
    child.pvv += noise
    child.end_flow(middle)
    return [child]


def _merged_by_events(t: Tracker) -> list[Branch]:
    """For a gap: of branches that tell the same inflows, the likeliest."""
    kept: list[Branch] = []
    for b in sorted(t.branches, key=by_weight):
        if not any(len(k.poured) == len(b.poured) and (k.start > 0) == (b.start > 0) for k in kept):
            kept.append(b)
    return kept[:3]
