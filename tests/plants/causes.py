"""Why a machine of the closed loop is out of its strength band, hour by hour; and an oracle that knows the strength.

An hour out of band has the first cause that holds:

    blind       no level for two hours: nothing is advised by a level that is not seen
    believed    it is thought to be where it is not: more likely than not in the band, or on the other side of it
    read        a reading has been asked for, to know before acting
    waits       a correction is posted and not done yet, or has not gone round
    no room     it is known, and there is no room for a pour that would do
    edge        it is known, and the advice holds still (dead-band, little to be won, an addition still going round)
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from math import log

import numpy as np

from agent.core import advise, remedy, strength
from agent.core.belief import mixture_at, quick_strength, volume
from agent.core.strength import Mixture
from agent.core.sump import Sump

from .kit import DAY_MIN
from .machine import Machine, troubled

CAUSES = ("blind", "believed", "read", "waits", "no room", "edge")
KNOWN_PCT, KNOWN = 0.02, 1e-3  # of the strength, and of what the oracle tells besides: 1 sd


@dataclass(slots=True)
class Causes:
    """Hours out of the strength band by cause and side, over the hours that were counted."""

    hours: Counter[str] = field(default_factory=Counter)
    counted: int = 0
    error2: float = 0.0  # sum of squares of what the belief was off by, points
    first_min: int = 8 * DAY_MIN

    def look(self, machine: Machine, sump: Sump, when: float) -> None:
        """Judge the hour that has just begun."""
        if machine.minute < self.first_min or machine.minute % 60:
            return
        self.counted += 1
        true, spec = 100.0 * machine.concentrate_l / machine.litres, machine.spec
        litres, _ = volume(sump, when)
        mix = mixture_at(sump, when, litres)
        self.error2 += (strength.moments(mix, strength.C)[0] - true) ** 2
        if spec.low_pct <= true <= spec.high_pct:
            return
        side = "weak" if true < spec.low_pct else "strong"
        of = "troubled" if troubled(machine) else "sound"
        self.hours[f"{cause(sump, mix, true, litres, when)} {side} {of}"] += 1


def cause(sump: Sump, mix: Mixture, true_pct: float, litres: float, when: float) -> str:
    """Why nothing has put it right by `when` (epoch s)."""
    spec, standing = sump.spec, sump.advice.standing
    if when - sump.last_level > advise.STALE_S:
        return "blind"
    mean, _ = strength.moments(mix, strength.C)
    if (
        remedy.chance_within(mix, spec.low_pct, spec.high_pct) > 0.5
        or (mean - spec.target_pct) * (true_pct - spec.target_pct) < 0.0
    ):
        return "believed"
    if standing is not None and standing.kind == "read_strength":
        return "read"
    if standing is not None and standing.kind in (*advise.POURS, "drain_part"):
        return "waits"
    if spec.full_l - litres < advise.SMALLEST_SHARE * spec.full_l:
        return "no room"
    return "edge"


def tell(machine: Machine, sump: Sump, when: float) -> None:
    """The oracle: from here on the sump's mixture is the truth; strength, share that evaporates, proportioner."""
    litres, _ = volume(sump, when)
    true = 100.0 * machine.concentrate_l / machine.litres
    before = sump.ledger.mix
    low, high = quick_strength(sump, when, litres)
    p05, p95 = strength.quantile(before, strength.C, 0.05), strength.quantile(before, strength.C, 0.95)
    grown = (low + high) / max(p05 + p95, 1e-6)
    x, P = np.zeros((1, strength.STATE)), np.zeros((1, strength.STATE, strength.STATE))
    loss, span = machine.parts.loss, slice(max(0, machine.minute - 14 * DAY_MIN), machine.minute + 1)
    runs = machine.parts.calendar.running[span] > 0
    water, carry = float(loss.water_l[span][runs].sum()), float(loss.carry_l[span][runs].sum())
    x[:, strength.C] = true / max(grown, 0.5)
    x[:, strength.E] = water / max(water + carry, 1e-9)
    x[:, strength.R] = log(float(machine.parts.ratio[min(machine.minute, len(machine.parts.ratio) - 1)]))
    for i in range(strength.STATE):
        P[:, i, i] = KNOWN**2
    P[:, strength.C, strength.C] = (KNOWN_PCT * true) ** 2
    kinds, slots = before.kinds[:1].copy(), before.slots[:1].copy()
    sump.ledger.mix = Mixture(np.ones(1), x, P, kinds, slots)
    sump.ledger.version += 1
