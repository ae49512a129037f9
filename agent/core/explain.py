"""The belief in words: what came in, what went, which additions were judged what, what is learned."""

from __future__ import annotations

from math import exp
from typing import TYPE_CHECKING

from agent.core import strength
from agent.core.belief import belief_at

if TYPE_CHECKING:
    from agent.core.sump import Addition, Sump


def explain(sump: Sump, when: float) -> str:
    """Lines of plain text. Litres, % by volume of the mix, hours before `when`."""
    belief = belief_at(sump, when)
    lines = [
        f"{sump.spec.name}: {belief.volume_l:.0f} ± {belief.volume_sd:.0f} L at "
        f"{belief.strength_pct:.1f} % (nine times in ten between {belief.strength_p05:.1f} and "
        f"{belief.strength_p95:.1f} %), {belief.status}."
    ]
    lines += _balance(sump, when)
    lines += [_addition(sump, a, when) for a in list(sump.additions)[-strength.SLOTS :]]
    lines += _doubts(sump, when)
    lines.append(_learned(sump, belief.evaporation_share, belief.evaporation_share_sd))
    return "\n".join(lines)


def _balance(sump: Sump, when: float) -> list[str]:
    """The mass balance since the last reading, in litres."""
    since = sump.readings[-1].time if sump.readings else sump.begun
    running = sum(m.numbers[0] for m in sump.ledger.moves if m.what == "lose" and m.time > since)
    idle = sum(m.numbers[1] for m in sump.ledger.moves if m.what == "lose" and m.time > since)
    poured = sum(a.finding.volume_l or 0.0 for a in sump.additions if a.finding.start > since)
    share = strength.moments(sump.ledger.mix, strength.E)[0]
    water = share * running + idle
    name = "reading" if sump.readings else "first record"
    return [
        f"Since the last {name}, {(when - since) / 3600:.0f} h ago: {poured:.1f} L in; "
        f"{water:.1f} L out as water, {running - share * running:.1f} L out as mix."
    ]


def _addition(sump: Sump, addition: Addition, when: float) -> str:
    from agent.core.sump import slot_of

    found = addition.finding
    slot = slot_of(sump, found.id)
    said = f", said to be {addition.said_pct:g} %" if addition.said_pct is not None else ""
    line = f"- {(when - found.start) / 3600:.0f} h ago {found.volume_l or 0.0:.1f} L in{said}"
    if slot is None:
        return line + "."
    weights = sorted(strength.kind_weights(sump.ledger.mix, slot).items(), key=lambda kw: -kw[1])
    likely = ", ".join(f"{strength.KIND_NAMES.get(k, '?')} {100 * w:.0f} %" for k, w in weights if w > 0.03)
    makeup = f", {found.makeup_pct:.1f} ± {found.makeup_sd:.1f} %" if found.makeup_sd is not None else ""
    return f"{line}{makeup}: {likely}."


def _doubts(sump: Sump, when: float) -> list[str]:
    return [
        f"- The reading of {r.pct:.1f} % {(when - r.time) / 3600:.0f} h ago is doubted "
        f"({100 * r.doubt:.0f} % likely wrong)."
        for r in list(sump.readings)[-6:]
        if r.doubt > 0.3
    ]


def _learned(sump: Sump, share: float, share_sd: float) -> str:
    ratio, ratio_sd = strength.moments(sump.ledger.mix, strength.R)
    _, e_sd = strength.moments(sump.ledger.mix, strength.E)
    prior = min(100.0, 100.0 * (e_sd / 0.15) ** 2)
    return (
        f"Learned: {100 * share:.0f} ± {100 * share_sd:.0f} % of the losses evaporate "
        f"({prior:.0f} % of that is still assumption); the proportioner gives "
        f"{sump.spec.usual_pct * exp(ratio):.1f} % where {sump.spec.usual_pct:g} % is set "
        f"(± {100 * ratio_sd:.0f} % of it)."
    )
