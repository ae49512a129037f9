"""What to pour: volume, strength of the mix, and where it would land with what chance.

c, m in % by volume of the mix; volumes in L. The mixture that is poured on is the one of agent.core.strength, so
that what is in doubt about the sump is in doubt about the outcome too.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import ceil, erf, exp, floor, hypot, log, sqrt

import numpy as np

from agent.core import strength
from agent.core.fluid import drain_to_reach, makeup_to_reach
from agent.core.handling import BY_HAND_SD, POURED_SD, USUAL_SD
from agent.core.measures import setting_for, truer_setting
from agent.core.spec import SumpSpec
from agent.core.strength import Kind, Mixture, Normals

FINE_BELOW_PCT, FINE_STEP_PCT, STEP_PCT = 2.0, 0.25, 0.5  # what can be set and measured
LEANEST_PCT = 0.5  # leaner is plain water, which a person decides
GOOD_CHANCE = 0.95  # the usual mix is good enough where it lands in the band with this chance
GOOD_STAYS = 0.95  # and stays there with this one, on average until the next pour
AS_GOOD = 0.05  # and as good as another where that is better by no more than this
NEARNESS = 0.2  # what half a band nearer to the target is worth where no way stays in the band
CLEARLY, FAR = 0.08, 0.25  # by which another kind must be better once one is advised: after news, and without any
NOW, CYCLE = 0.2, 0.4  # weights of the chance at once and until the next pour; the rest is the week to come
AHEAD_DAYS = 7.0  # by then it has been read again
STEPS_DAYS = 60.0  # a correction by steps that takes longer is none
LEAST_CARRY = 0.05  # share of the losses: less is never known
MOST_GROWTH = 1.08  # by evaporation until the next pour is posted, for strength calls for one before it is far off
MOST_LATE = 1.15  # and until it is done


@dataclass(frozen=True, slots=True)
class Fill:
    """One way to fill up: `volume_l` of mix at `makeup_pct`, and the sump after it."""

    volume_l: float
    makeup_pct: float
    after_l: float
    pct: float
    sd: float
    chance: float  # of being in the band when it has gone round
    stays: float  # the same, on average until the next pour and, were the mix kept, the week to come


@dataclass(frozen=True, slots=True)
class Landing:
    """The strength once a pour has gone round: its normal laws, mean and sd; and the mean of what came, %."""

    laws: Normals
    pct: float
    sd: float
    came_pct: float


@dataclass(frozen=True, slots=True)
class Coming:
    """What the next days do to the strength: growth until the next pour, share of the sump that carry-off replaces
    in AHEAD_DAYS with the level held, and carry-off's share of all losses."""

    growth: float
    turned: float
    carry: float


def coming(
    mix: Mixture, litres: float, added_l: float, late: float, water_l_per_day: float, carry_l_per_day: float
) -> Coming:
    """The coming days, from the losses of an average day. `late`: growth while the next instruction waits."""
    share = strength.evaporating_share(mix)
    growth = min(MOST_LATE, late) * min(MOST_GROWTH, (1.0 + added_l / litres) ** share)
    turned = 1.0 - exp(-AHEAD_DAYS * max(carry_l_per_day, 0.0) / (litres + added_l))
    carry = carry_l_per_day / max(water_l_per_day + carry_l_per_day, 1e-6)
    return Coming(growth, turned, min(max(carry, LEAST_CARRY), 1.0))


def chance_within(mix: Mixture, low_pct: float, high_pct: float) -> float:
    """Probability that the strength lies between two marks, from the mixture's distribution."""
    return chance_between(strength.normals(mix, strength.C), low_pct, high_pct)


def chance_between(laws: Normals, low_pct: float, high_pct: float) -> float:
    """Probability that a sum of normal laws lies between two marks."""
    total = 0.0
    for w, mean, k in laws:
        total += 0.5 * w * (erf((high_pct - mean) * k) - erf((low_pct - mean) * k))
    return min(max(total, 0.0), 1.0)


def landing(
    spec: SumpSpec, mix: Mixture, litres: float, litres_sd: float, added_l: float, makeup_pct: float
) -> Landing:
    """What pouring makes of the strength. What the proportioner is set to comes at its real ratio, any other mix from
    bucket and jug."""
    came_pct, scale_pct = makeup_pct, setting_for(makeup_pct, spec.usual_pct, spec.measures)
    if scale_pct is not None:
        kind = Kind(strength.USUAL, makeup_pct, USUAL_SD * makeup_pct, 0.0)
        came_pct *= exp(strength.moments(mix, strength.R)[0])
    else:
        kind = Kind(strength.SAID, makeup_pct, BY_HAND_SD * makeup_pct, 0.0)
    spread = hypot(POURED_SD * added_l, litres_sd * added_l / litres)
    by_scale = spec.usual_pct if scale_pct is None else scale_pct
    return Landing(*after_pour(mix, litres, added_l, spread, by_scale, kind), came_pct)


def after_pour(
    mix: Mixture, before_l: float, added_l: float, added_sd: float, usual_pct: float, kind: Kind
) -> tuple[Normals, float, float]:
    """The strength, and no more, as `pour` of one kind would leave it: its normal laws, mean and sd, %.

    Var c' = (V²·Var c + 2·V·A·Cov(c, m) + A²·Var m)/(V + A)² + ((m − c)·V·sd_A/(V + A)²)².
    """
    total = before_l + added_l
    before, share = before_l / total, added_l / total
    c, var = mix.x[:, strength.C], mix.P[:, strength.C, strength.C]
    if kind.label == strength.USUAL:
        m = usual_pct * np.exp(np.clip(mix.x[:, strength.R], -1.0, 1.0))
        own = m * m * mix.P[:, strength.R, strength.R] + kind.sd_pct**2
        var = before * before * var + 2.0 * before * share * m * mix.P[:, strength.R, strength.C] + share * share * own
    else:
        m = np.full(len(c), kind.mean_pct)
        var = before * before * var + (share * kind.sd_pct) ** 2
    var = var + ((m - c) * before / total * added_sd) ** 2
    c = before * c + share * m
    mean = float(mix.w @ c)
    off = c - mean
    return strength.laws_of(mix.w, c, var), mean, sqrt(max(float(mix.w @ (var + off * off)), 0.0))


def fill(
    spec: SumpSpec, mix: Mixture, litres: float, litres_sd: float, added_l: float, makeup_pct: float, days: Coming
) -> Fill:
    """The outcome of pouring, at once and in the days to come.

    With the level held at makeup m, c goes to m/d: after AHEAD_DAYS c' = c + turned·(m/d − c).
    """
    landed = landing(spec, mix, litres, litres_sd, added_l, makeup_pct)
    after, mean = landed.laws, landed.pct
    chance = chance_between(after, spec.low_pct, spec.high_pct)
    half = sqrt(days.growth)
    later = [chance_between(after, spec.low_pct / g, spec.high_pct / g) for g in (half, days.growth)]
    drift = _drift(spec, mean, days.turned * (landed.came_pct / days.carry - mean))
    week = chance_between(after, spec.low_pct / half - drift, spec.high_pct / half - drift)
    stays = NOW * chance + CYCLE * 0.5 * sum(later) + (1.0 - NOW - CYCLE) * week
    return Fill(added_l, makeup_pct, litres + added_l, mean, landed.sd, chance, stays)


def _drift(spec: SumpSpec, pct: float, drift: float) -> float:
    """What a week with one mix moves, in points: up to the target, for then another mix is chosen; away from it all
    the way, if the strength has left it clearly."""
    to_target = spec.target_pct - pct
    if drift * to_target > 0.0:
        return min(drift, to_target) if drift > 0.0 else max(drift, to_target)
    left = 4.0 * abs(to_target) / (spec.high_pct - spec.low_pct)
    return drift * min(left, 1.0)


def whole_litres(litres: float) -> float:
    """What a person can measure, rounded down so that it fits: whole litres, half ones where there are few."""
    return float(floor(litres)) if litres >= 10.0 else 0.5 * floor(2.0 * litres)


def step_at(pct: float) -> float:
    """The step in which a mix of about this strength can be set or measured, %."""
    return FINE_STEP_PCT if pct < FINE_BELOW_PCT else STEP_PCT


def measurable(spec: SumpSpec, pct: float) -> float:
    """The nearest mix that is allowed here and that a person can set or measure, %."""
    leanest = max(spec.leanest_pct, min(LEANEST_PCT, spec.usual_pct))
    held = min(max(pct, leanest), spec.richest_pct)
    step = step_at(held)
    steps = round(held / step)
    steps = max(steps, ceil(leanest / step - 1e-9))
    steps = min(steps, floor(spec.richest_pct / step + 1e-12))
    return min(steps * step, spec.richest_pct) if steps > 0 else held


def choose(
    spec: SumpSpec,
    mix: Mixture,
    litres: float,
    litres_sd: float,
    added_l: float,
    aim_pct: float,
    days: Coming,
    stands_pct: float | None = None,
    news: bool = False,
) -> Fill:
    """The usual mix where it will do, else the simplest that lands near `aim_pct`.

    `stands_pct` is the mix that is advised already: its kind is given up only for one that is far better, or, where
    something was read or added since (`news`), clearly better.
    """
    usual = fill(spec, mix, litres, litres_sd, added_l, spec.usual_pct, days)
    if (stands_pct is None or news) and usual.chance >= GOOD_CHANCE and usual.stays >= GOOD_STAYS:
        return usual
    mixes = {spec.usual_pct, *_wanted(spec, mix, litres, added_l, aim_pct, days)}
    if stands_pct is not None:
        mixes.add(stands_pct)
    others = sorted(mixes - {spec.usual_pct})
    ways = [usual, *(fill(spec, mix, litres, litres_sd, added_l, m, days) for m in others)]
    merit = _merit(spec, ways, aim_pct)
    best = max(ways, key=merit)
    if stands_pct is not None:
        alike = [way for way in ways if _kind(spec, way.makeup_pct) == _kind(spec, stands_pct)]
        top = max(alike, key=merit)
        if merit(top) >= merit(best) - (CLEARLY if news else FAR):
            kept = next(way for way in alike if way.makeup_pct == stands_pct)
            return kept if merit(kept) >= merit(top) - AS_GOOD else top
    by_scale = [way for way in ways if setting_for(way.makeup_pct, spec.usual_pct, spec.measures) is not None]
    simpler = [usual, *sorted(by_scale, key=merit, reverse=True)]
    return next((way for way in simpler if merit(way) >= merit(best) - AS_GOOD), best)


def _kind(spec: SumpSpec, makeup_pct: float) -> int:
    """−1 leaner than usual, 0 usual, 1 richer."""
    return (makeup_pct > spec.usual_pct) - (makeup_pct < spec.usual_pct)


def _merit(spec: SumpSpec, ways: list[Fill], aim_pct: float) -> Callable[[Fill], float]:
    """What makes one way better than another: staying in the band, and where none does, coming near it."""
    hopeless = 1.0 - max(way.stays for way in ways)
    weight = NEARNESS * hopeless / (0.5 * (spec.high_pct - spec.low_pct))
    return lambda way: way.stays - weight * abs(way.pct - aim_pct)


def _wanted(spec: SumpSpec, mix: Mixture, litres: float, added_l: float, aim_pct: float, days: Coming) -> list[float]:
    """Mixes that would land on the target, as far below it as evaporation lifts it until the next pour, or there in
    the week to come."""
    mean, _ = strength.moments(mix, strength.C)
    total = litres + added_l
    below = max(aim_pct / sqrt(days.growth), 0.5 * (aim_pct + spec.low_pct))
    exact = [makeup_to_reach(litres, mean, total, aim) for aim in (aim_pct, below)]
    kept = (1.0 - days.turned) / total
    exact.append((below - kept * mean * litres) / (kept * added_l + days.turned / days.carry))
    ratio = exp(strength.moments(mix, strength.R)[0])
    scaled = [truer_setting(m, ratio, spec.measures) for m in exact]
    settings = {m for m in scaled if m is not None and spec.leanest_pct <= m <= spec.richest_pct}
    return sorted(({measurable(spec, m) for m in exact} | settings) - {spec.usual_pct})


def days_by_steps(spec: SumpSpec, pct: float, makeup_pct: float, lost_l_per_day: float, carry: float) -> float | None:
    """Days in which top-offs at `makeup_pct`, as losses make room for them, bring the strength to the nearer edge of
    its band; None where they never do, or not within STEPS_DAYS.

    With the level held, dc/dt = D/V·(m/d − c), D = d·L of L litres lost a day: c goes to m/d with V/D.
    """
    edge = spec.low_pct if pct < spec.low_pct else spec.high_pct
    goes_to = makeup_pct / max(carry, LEAST_CARRY)
    if lost_l_per_day <= 0.0 or not min(pct, goes_to) < edge < max(pct, goes_to):
        return None
    days = spec.full_l / (max(carry, LEAST_CARRY) * lost_l_per_day) * log((pct - goes_to) / (edge - goes_to))
    return days if days <= STEPS_DAYS else None


def drain_first(
    spec: SumpSpec, pct: float, litres: float, filled_l: float, aim_pct: float, makeup_pct: float
) -> float | None:
    """Litres to drain so that filling with `makeup_pct` lands on `aim_pct`; None where none can do it."""
    if abs(makeup_pct - pct) < 0.1:
        return None
    litres_out = drain_to_reach(litres, pct, filled_l, aim_pct, makeup_pct)
    return litres_out if 0.0 < litres_out < 0.6 * litres else None
