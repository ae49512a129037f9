"""The belief of one sump at a time: volume, strength, losses, outlook, each with its uncertainty."""

from __future__ import annotations

from math import exp, hypot, sqrt
from typing import NamedTuple

from agent.core import strength
from agent.core.level import Branch
from agent.core.outlook import hours_until
from agent.core.outputs import Belief
from agent.core.strength import Mixture
from agent.core.sump import MOST_GAINED_SHARE, MOST_LOST_SHARE, Sump, leaked_lately

STALE_S = 2 * 3600.0  # a level older than this makes the belief stale
LEARNING_S = 6 * 86400.0
HIDDEN_PER_H = 0.03  # additions that may have gone unseen, an hour without level
HIDDEN_SHARE = 0.12  # of the strength, what such an addition takes away, 1 sd
BLIND_H = 0.5  # without level, from which more than losses may have gone unseen
SAID_SHARE = 0.2  # of what people say went in while the level is not seen, 1 sd
POURING_SHARE = 0.01  # of full: steps in which an addition under way is taken into the belief
OIL_LITRES, OIL_LITRES_SD = 2.5, 1.2  # percent of the sump that way oil fills, to a Brix of what of it is emulsified
CURVE_SHARE = 0.006  # of full: the level curve's error, the sensor's zero over months, warmth; 1 sd


def volume(sump: Sump, when: float) -> tuple[float, float]:
    """Mean and sd of the volume at rest, L."""
    spec, tracker = sump.spec, sump.tracker
    if not tracker.branches:
        return 0.5 * (spec.low_l + spec.full_l), 0.2 * spec.full_l
    hours = max(0.0, when - tracker.time) / 3600.0
    rates = tracker.rates
    if len(tracker.branches) == 1:
        best = tracker.branches[0]
        mean, var = best.V, best.pvv
    else:
        weights = tracker.weights()
        mean = sum(w * b.V for w, b in zip(weights, tracker.branches, strict=True))
        var = sum(w * (b.pvv + (b.V - mean) ** 2) for w, b in zip(weights, tracker.branches, strict=True))
    if hours > 0.1:
        loss = max(tracker.loss_since(when), 0.0)
        mean -= loss
        hidden = min(0.5, HIDDEN_PER_H * max(0.0, hours - BLIND_H))
        var += (0.5 * loss) ** 2 + rates.walk * 60.0 * hours + hidden * (0.15 * spec.full_l) ** 2
        said = sum(w.volume_l or 0.0 for w in sump.words if w.time > tracker.time)
        if said > 0.0 and hours > BLIND_H and _pending(sump, tracker.best()) is None:  # else it may be the one seen
            mean = max(mean, min(mean + said, spec.high_l))
            var += (SAID_SHARE * said) ** 2
    return mean, sqrt(var + (CURVE_SHARE * spec.full_l) ** 2)


class Summary(NamedTuple):
    """Of the strength, %: mean, sd, p05, p95 after the last move of the ledger, with what is being poured; of the
    share of the running loss that evaporates, and of ln(proportioner real/set): mean, sd."""

    pct: float
    sd: float
    low: float
    high: float
    share: float
    share_sd: float
    ratio: float
    ratio_sd: float


def _summary(sump: Sump) -> Summary:
    """Kept until ledger or pour moves; what is being poured counts in steps, so that what is kept hangs on the step
    alone and not on who asked first."""
    best = sump.tracker.best() if sump.tracker.branches else None
    pending, step = _pending(sump, best), POURING_SHARE * sump.spec.full_l
    steps = (round(pending[0] / step), round(pending[1] / step)) if pending else None
    key = (sump.ledger.version, steps, sump.spec)
    if sump.view and sump.view[0] == key:
        return sump.view[1]  # type: ignore[return-value]
    mix = ledger_mix = sump.ledger.mix
    if steps:
        mix = _with_pending(sump, mix, steps[0] * step, max(steps[1], 1) * step)
    laws = strength.normals(mix, strength.C)
    low, high = strength.quantile_of(laws, 0.05), strength.quantile_of(laws, 0.95)
    share_sd = strength.moments(ledger_mix, strength.E)[1]
    told = Summary(
        *strength.moments(mix, strength.C), low, high, strength.evaporating_share(ledger_mix), share_sd,
        *strength.moments(ledger_mix, strength.R),
    )  # fmt: skip
    sump.view = (key, told)
    return told


def evaporating_share(sump: Sump) -> float:
    """`strength.evaporating_share` of a sump's ledger, from the summary that is kept."""
    return _summary(sump).share


def _pending(sump: Sump, best: Branch | None) -> tuple[float, float] | None:
    """V before and L of an inflow that the likeliest branch holds and that was not yet told."""
    if best is None:
        return None
    if best.start:
        before, added = best.v0, best.V - best.v0 + best.lost
    elif best.poured:
        before, added = best.poured[0].before_l, sum(p.volume_l for p in best.poured)
    else:
        return None
    return (before, added) if added > 0.006 * sump.spec.full_l else None


def _with_pending(sump: Sump, mix: Mixture, before: float, added: float) -> Mixture:
    spec = sump.spec
    kinds = [
        strength.Kind(strength.USUAL, spec.usual_pct, 0.06 * spec.usual_pct, -0.25),
        strength.Kind(strength.WATER, 0.0, 0.05, -2.2),
        strength.Kind(strength.RICH, spec.target_pct, 0.5 * spec.target_pct, -2.2),
    ]
    return strength.pour(mix, max(before, 0.05 * spec.full_l), added, 0.1 * added, spec.usual_pct, kinds)


def belief_at(sump: Sump, when: float) -> Belief:
    """What is believed of a sump at `when` (epoch s). Changes nothing but the summary kept for the next call."""
    spec = sump.spec
    litres, litres_sd = volume(sump, when)
    mean, sd, low, high, share, share_sd, ratio, ratio_sd = _summary(sump)
    grow, widen = _since(sump, when, litres, share)
    low, mean_now, high = mean * grow - (mean - low) * widen, mean * grow, mean * grow + (high - mean) * widen
    run_day, idle_day = sump_losses(sump)
    total = max(run_day + idle_day, 1e-6)
    water = share * run_day + idle_day
    whole, whole_sd = water / total, share_sd * run_day / total
    makeup = spec.usual_pct * exp(ratio)
    hours = hours_until(sump, when, litres, litres_sd, spec.low_l)
    litres, litres_sd = _without_oil(sump, litres, litres_sd)
    return Belief(
        when, spec.id, litres, litres_sd, mean_now, sd * widen, max(0.0, low), high,
        water, total - water, whole, whole_sd, makeup, makeup * ratio_sd, spec.target_pct * (1.0 - whole),
        *hours, _status(sump, when),
    )  # fmt: skip


def _without_oil(sump: Sump, litres: float, litres_sd: float) -> tuple[float, float]:
    """Mean and sd of the mix alone, L: where way oil has been told, what floats on it is no mix."""
    told = sump.faults.get("oil")
    if told is None or told.withdrawn:
        return litres, litres_sd
    percent = max(strength.oil(sump.ledger.mix)[1], 0.0) * litres / 100.0
    return litres - OIL_LITRES * percent, hypot(litres_sd, OIL_LITRES_SD * percent)


def _since(sump: Sump, when: float, litres: float, share: float) -> tuple[float, float]:
    """How the strength has grown since the last move of the ledger, and by what the width has."""
    tracker = sump.tracker
    if not tracker.branches:
        return 1.0, 1.0
    lost = tracker.best().lost_so_far() - sump.loss_from
    hours = max(0.0, when - tracker.time) / 3600.0
    lost += tracker.loss_since(when)
    lost -= leaked_lately(sump, when)
    full = sump.spec.full_l
    lost = min(max(lost, -MOST_GAINED_SHARE * full), MOST_LOST_SHARE * full)
    grow = exp(share * lost / max(litres, 0.05 * full))
    blind = max(0.0, hours - BLIND_H)
    return grow, grow * sqrt(1.0 + min(0.5, HIDDEN_PER_H * blind) * 2.0)


def quick_strength(sump: Sump, when: float, litres: float) -> tuple[float, float]:
    """p05 and p95 of the strength at `when`, %; cheap, from the summary that is kept."""
    told = _summary(sump)
    mean, low, high = told.pct, told.low, told.high
    grow, widen = _since(sump, when, litres, told.share)
    return mean * grow - (mean - low) * widen, mean * grow + (high - mean) * widen


def mixture_at(sump: Sump, when: float, litres: float) -> Mixture:
    """The strength mixture at `when`, with what was lost since the ledger's last move and what is being poured."""
    mix = sump.ledger.mix
    pending = _pending(sump, sump.tracker.best() if sump.tracker.branches else None)
    if pending:
        mix = _with_pending(sump, mix, *pending)
    grow, widen = _since(sump, when, litres, evaporating_share(sump))
    x, P = mix.x.copy(), mix.P.copy()
    x[:, strength.C] *= grow
    P[:, strength.C, :] *= widen
    P[:, :, strength.C] *= widen
    return Mixture(mix.w, x, P, mix.kinds, mix.slots)


def sump_losses(sump: Sump) -> tuple[float, float]:
    """L a day lost while running and while idle, over a week as it usually goes; a leak apart."""
    rates, share, leak = sump.tracker.rates, sump.tracker.week_share(), sump.leak.rate_l_per_h / 60.0
    return max(rates.running - leak, 0.0) * 1440.0 * share, max(rates.idle - leak, 0.0) * 1440.0 * (1.0 - share)


def _status(sump: Sump, when: float) -> str:
    if not sump.last_level or when - sump.last_level > STALE_S:
        return "stale"
    return "learning" if when - sump.begun < LEARNING_S or not sump.readings else "settled"
