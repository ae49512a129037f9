"""The belief in words: what came in, what went, which additions were judged what, what is learned."""

from __future__ import annotations

from math import exp, hypot, sqrt
from typing import TYPE_CHECKING

from agent.core import strength
from agent.core.belief import CURVE_SHARE, belief_at, volume
from agent.core.kinds import STRONG, STRONG_BEFORE, WEAK, WEAK_BEFORE
from agent.core.leak import RATE_MOVED
from agent.core.sump import PRIOR_SHARE_SD, leaked_lately, slot_of
from agent.core.what_if import P05

if TYPE_CHECKING:
    from agent.core.sump import Addition, Reading, Sump

DOUBTS_TOLD, DOUBT_TOLD = 6, 0.3  # of so many last readings, those likelier wrong than this
WHY = dict.fromkeys((WEAK, WEAK_BEFORE), ", after a weak reading") | dict.fromkeys(
    (STRONG, STRONG_BEFORE), ", after a strong reading"
)


def explain(sump: Sump, when: float) -> str:
    """Lines of plain text, ± nine times in ten. Litres, % by volume of the mix, hours before `when`."""
    belief = belief_at(sump, when)
    lines = [
        f"{sump.spec.name}: {belief.volume_l:.0f} ± {P05 * belief.volume_sd:.0f} L at "
        f"{belief.strength_pct:.1f} % (nine times in ten between {belief.strength_p05:.1f} and "
        f"{belief.strength_p95:.1f} %), {belief.status}."
    ]
    lines += _balance(sump, when) if sump.begun else ["No level has been read yet."]
    lines += [_addition(sump, a, when) for a in list(sump.additions)[-strength.SLOTS :]]
    lines += _doubts(sump, when)
    lines.append(_learned(sump, belief.evaporation_share, belief.evaporation_share_sd))
    return "\n".join(lines)


def _balance(sump: Sump, when: float) -> list[str]:
    """The mass balance since the last reading, in litres; no further back than the books go.

    What was poured errs by each pour; what was lost is the level's change and what was poured, so it errs by both; what
    of it was water by how far the split is known, too. In all it is the level's change, and errs by that alone.
    """
    since = max(sump.readings[-1].time if sump.readings else sump.begun, sump.ledger.since)
    running, idle, leaked, drained = _lost(sump, since, when)
    seen = [f for f in sump.said_ids.values() if f.kind == "drained" and f.start > since]
    drained += sum(f.volume_l or 0.0 for f in seen)
    added = [a.finding for a in sump.additions if a.finding.start > since]
    poured, moved = sum(f.volume_l or 0.0 for f in added), [f.volume_sd or 0.0 for f in (*added, *seen)]
    share, share_sd = strength.moments(sump.ledger.mix, strength.E)
    water, mix = share * running + idle, running - share * running
    level_sd, leaked_sd = _level_sd(sump, when), leaked * _leak_share_sd(sump)
    lost_sd = hypot(level_sd, leaked_sd, *moved)
    name = "As far back as the books go"
    if since != sump.ledger.since:
        name = "Since the last reading" if sump.readings else "Since the first record"
    others = ((leaked, leaked_sd, "leaked"), (drained, hypot(level_sd, *moved), "drained"))
    rest = "".join(f", {_pm(litres, sd)} {how}" for litres, sd, how in others if litres > 0.05)
    return [
        f"{name}, {(when - since) / 3600:.0f} h ago: {_pm(poured, hypot(*(f.volume_sd or 0.0 for f in added)))} in; "
        f"{_pm(water, hypot(share * lost_sd, share_sd * running))} out as water, "
        f"{_pm(mix, hypot((1.0 - share) * lost_sd, share_sd * running))} out as mix{rest}: "
        f"{_pm(poured - water - mix - leaked - drained, level_sd, '+')}."
    ]


def _pm(litres: float, sd: float, sign: str = "") -> str:
    return f"{litres:{sign}.1f} ± {P05 * sd:.1f} L"


def _leak_share_sd(sump: Sump) -> float:
    """Of a leak's litres, 1 sd as a share of them: by its rate as last said."""
    told = [f for f in sump.said_ids.values() if f.kind == "leak" and f.rate_l_per_h and f.rate_sd]
    return min((told[-1].rate_sd or 0.0) / (told[-1].rate_l_per_h or 1.0), 1.0) if told else RATE_MOVED


def _level_sd(sump: Sump, when: float) -> float:
    """Of what the level rose or fell by since some time, L: as well known then as at the last reading, and after it as
    in the belief. The curve's own error counts as of one level, for much of it is in both."""
    if not sump.tracker.branches:
        return 0.0
    unseen = max(volume(sump, when)[1] ** 2 - volume(sump, sump.tracker.time)[1] ** 2, 0.0)
    return sqrt(2.0 * max(sump.tracker.best().pvv, 0.0) + unseen + (CURVE_SHARE * sump.spec.full_l) ** 2)


def _lost(sump: Sump, since: float, when: float) -> tuple[float, float, float, float]:
    """Litres lost running and idle, leaked and said to be drained, from the books and what is not yet in them."""
    totals = [0.0, 0.0, 0.0, 0.0]
    for move in sump.ledger.moves:
        if move.what == "lose" and move.time > since:
            part = min(1.0, (move.time - since) / max(86400.0 * move.numbers[3], 1.0))
            for i, litres in enumerate((*move.numbers[:2], *move.numbers[4:])):
                totals[i] += part * litres
    if sump.tracker.branches:
        lost = sump.tracker.best().lost_so_far() - sump.loss_from + sump.tracker.loss_since(when)
        leak = min(leaked_lately(sump, when), max(lost, 0.0))
        idle = min(max(sump.tracker.rates.idle, 0.0) * sump.idle_min, max(lost - leak, 0.0))
        totals = [totals[0] + lost - leak - idle, totals[1] + idle, totals[2] + leak, totals[3]]
    return totals[0], totals[1], totals[2], totals[3]


def _addition(sump: Sump, addition: Addition, when: float) -> str:
    found = addition.finding
    slot = slot_of(sump, found.id)
    said = f", said to be {addition.said_pct:g} %" if addition.said_pct is not None else ""
    why = WHY.get(addition.mood, "")
    if addition.advised_pct is not None:
        why += f", while {addition.advised_pct:g} % was advised"
    line = (
        f"- {(when - found.start) / 3600:.0f} h ago {_pm(found.volume_l or 0.0, found.volume_sd or 0.0)} in{said}{why}"
    )
    if slot is None:
        return line + "."
    weights = sorted(strength.kind_weights(sump.ledger.mix, slot).items(), key=lambda kw: -kw[1])
    likely = ", ".join(f"{strength.KIND_NAMES.get(k, '?')} {100 * w:.0f} %" for k, w in weights if w > 0.03)
    makeup = f", {found.makeup_pct:.1f} ± {P05 * found.makeup_sd:.1f} %" if found.makeup_sd is not None else ""
    return f"{line}{makeup}: {likely}."


def doubted(sump: Sump) -> list[Reading]:
    """The last readings that are rather held for wrong ones, oldest first."""
    return [r for r in list(sump.readings)[-DOUBTS_TOLD:] if r.doubt > DOUBT_TOLD]


def _doubts(sump: Sump, when: float) -> list[str]:
    return [
        f"- The reading of {r.pct:.1f} % {(when - r.time) / 3600:.0f} h ago is doubted "
        f"({100 * r.doubt:.0f} % likely wrong)."
        for r in doubted(sump)
    ]


def _learned(sump: Sump, share: float, share_sd: float) -> str:
    ratio, ratio_sd = strength.moments(sump.ledger.mix, strength.R)
    _, e_sd = strength.moments(sump.ledger.mix, strength.E)
    prior = min(100.0, 100.0 * (e_sd / PRIOR_SHARE_SD) ** 2)
    return (
        f"Learned: {100 * share:.0f} ± {100 * P05 * share_sd:.0f} % of the losses evaporate "
        f"({prior:.0f} % of that is still assumption); the proportioner gives "
        f"{sump.spec.usual_pct * exp(ratio):.1f} % where {sump.spec.usual_pct:g} % is set "
        f"(± {100 * P05 * ratio_sd:.0f} % of it)."
    )
