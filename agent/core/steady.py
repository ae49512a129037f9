"""The plain case of the tracker, written out for speed, and what is learned in it: how rough the surface is."""

from __future__ import annotations

from math import exp, log, sqrt
from typing import TYPE_CHECKING

from agent.core.holdup import LAGS
from agent.core.level import (
    CALM_EVERY_S,
    DRIFT_ALLOWED,
    DRIFT_LIMIT,
    GAP_MIN,
    SURPRISE,
    TAIL_ERROR,
    Branch,
)

if TYPE_CHECKING:
    from agent.core.tracker import Tracker

STALE_CALM_S = 600.0  # a calm moment older than this is replaced by a less calm one
SPREAD_GAIN, SPREAD_FLOOR = 0.01, 0.0003  # how fast the noise is learned; its floor, share of full
RIPPLE_GAIN, RIPPLE_FEWEST = 0.004, 300  # the same of the ripple; readings of each state before it is heeded
RIPPLE_FORCE = 0.5  # of the log-likelihood: second differences overlap, sum of their squared correlations is 1.94
RIPPLE_TOLD = 1.3  # variances nearer than this tell nothing
ODD, ODD_SD = 0.05, 6.0  # share and width, sd, of second differences that are of no ripple


class Ripple:
    """How rough the surface is with the pump off and on: the variance of the level's second difference, L².

    The second difference y0 − 2·y1 + y2 is blind to a steady rise or fall; its variance is six times that of one
    reading. A pump stirs the tank, so readings scatter more while it runs.
    """

    __slots__ = ("var", "seen")

    def __init__(self) -> None:
        self.var = [0.0, 0.0]
        self.seen = [0, 0]

    def learn(self, run: bool, second: float) -> None:
        """One second difference (L) while nothing was in doubt."""
        n = self.seen[run] = self.seen[run] + 1
        var = self.var[run]
        square = second * second
        if n > 20 and square > 9.0 * var:
            square = 9.0 * var
        self.var[run] = var + (square - var) * (RIPPLE_GAIN if n * RIPPLE_GAIN > 1.0 else 1.0 / n)

    def noise(self, run: bool) -> float:
        """Variance of one reading in a state, L²; 0 while it is hardly known."""
        return self.var[run] / 6.0 if self.seen[run] >= RIPPLE_FEWEST else 0.0

    def log_odds(self, second: float) -> float:
        """What one second difference (L) says for a running pump.

        A log-likelihood ratio of two normal laws, each with a share of ODD that is of neither: a spike says nothing.
        """
        idle, runs = self.var
        if min(self.seen) < RIPPLE_FEWEST or not idle or runs < RIPPLE_TOLD * idle:
            return 0.0
        square, far = second * second, (ODD_SD * ODD_SD) * runs
        odd = ODD * exp(-0.5 * square / far) / sqrt(far)
        rough = (1.0 - ODD) * exp(-0.5 * square / runs) / sqrt(runs) + odd
        calm = (1.0 - ODD) * exp(-0.5 * square / idle) / sqrt(idle) + odd
        return RIPPLE_FORCE * log(rough / calm) if calm > 1e-300 else 0.0


def steady(t: Tracker, b: Branch, when: float, y: float) -> bool:
    """The plain case, most readings: one branch, nothing under way, no surprise. False, and nothing has changed,
    where it is any other; what it does is what `_stuck`, `_follow` and `_odd` would do, written out for speed."""
    last, moved = t.time, y - t.last_y
    minutes = (when - last) / 60.0
    if (
        b.start or b.flow or b.poured or t.turns or t.learning or len(t.recent) < 3
        or b.lag < LAGS or moved == 0.0 or t.same_min or not 0.0 < minutes <= GAP_MIN
        or int(when // 3600.0) != t.hour
    ):  # fmt: skip
        return False
    rates, run, w = t.rates, b.run, b.u2
    if run:
        u, w, loss, moving = 1.0, 1.0, rates.running * minutes, 0.0
    else:
        u, loss = 0.0, rates.idle * minutes
        w = w * exp(-minutes / rates.tail_min) if w > 1e-4 else 0.0
        moving = TAIL_ERROR * b.G * w
    spread, seen = t.spread, (moved if moved > 0.0 else -moved) / 1.128
    spread += SPREAD_GAIN * ((seen if seen < 4.0 * spread else 4.0 * spread) - spread)
    if spread < SPREAD_FLOOR * t.full_l:
        spread = SPREAD_FLOOR * t.full_l
    pvv, pvh, pvg = b.pvv + rates.walk * minutes, b.pvh, b.pvg
    d = y - b.V + loss + b.H * u + b.G * w
    phh, phg, pgg = b.phh, b.phg, b.pgg
    gv, gh, gg = pvv - u * pvh - w * pvg, pvh - u * phh - w * phg, pvg - u * phg - w * pgg
    noise = spread * spread
    if run and t.ripple.seen[1] >= RIPPLE_FEWEST and t.ripple.var[1] > 6.0 * noise:  # Tracker.noise, written out
        noise = t.ripple.var[1] / 6.0
    s = gv - u * gh - w * gg + noise + moving * moving
    nu = d / sqrt(s)
    up, down = b.up + nu - DRIFT_ALLOWED, b.down - nu - DRIFT_ALLOWED
    if nu > SURPRISE or nu < -SURPRISE or up > DRIFT_LIMIT or down > DRIFT_LIMIT:
        return False
    t.ripple.learn(run, y - 2.0 * t.last_y + t.recent[-2][1])
    t.spread, t.time, t.last_y = spread, when, y
    t.recent.append((when, y))
    b.u1, b.u2, b.lag, b.moving, b.skipped = u, w, b.lag + minutes * b.pace, 0.0, False
    kv, kh, kg = gv / s, gh / s, gg / s
    b.V += kv * d - loss
    held, tail = b.H + kh * d, b.G + kg * d
    b.H, b.G = held if held > 0.0 else 0.0, tail if tail > 0.0 else 0.0
    b.pvv, b.pvh, b.pvg = pvv - kv * gv, pvh - kv * gh, pvg - kv * gg
    b.phh, b.phg, b.pgg = phh - kh * gh, phg - kh * gg, pgg - kg * gg
    if up <= 0.0:
        up, b.quiet_up = 0.0, when
    if down <= 0.0:
        down, b.quiet_down = 0.0, when
    b.up, b.down = up, down
    b.logw = 0.0  # alone, it holds whatever its likelihood
    calm_for = when - b.calm_at
    if calm_for >= CALM_EVERY_S and (up + down < 1.0 or calm_for > STALE_CALM_S):
        b.keep_calm(when)
    return True
