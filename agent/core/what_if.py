"""What if somebody poured, or drained, so much: where level and strength would land, and how long that would hold.

Two ways to the same answer. `what_if` asks the core's own state; `from_belief` works in closed form from a belief's
row and the site file's numbers, for whoever does not hold that state. V volume, L; c strength, % by volume of the mix;
A poured, L; m its strength, %:

    c' = (c·V + m·A) / (V + A)                          mixing
    var c' = (V/T)²·var c + (A/T)²·var m + ((m − c)/T²)²·(V²·var A + A²·var V),  T = V + A
    c(V) = c'·(V'/V)^e                                  losses afterwards, e the share that evaporates

Draining (A < 0) leaves the strength as it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from math import erf, hypot, inf, isfinite, sqrt
from typing import TYPE_CHECKING, Any

from agent.core.fluid import mixed_pct
from agent.core.handling import BY_HAND_SD, POURED_SD, USUAL_SD

if TYPE_CHECKING:
    from agent.core.spec import SiteSpec, SumpSpec
    from agent.core.step import SiteState

P05 = 1.645  # sd from the middle of a normal to its 5 % and 95 % quantiles
RATE_SPREAD = 0.3  # ln of the coming days' loss over the learned mean, 1 sd
HORIZON_DAYS = 28.0  # further ahead nothing is said
LEAST_SD = 1e-6


@dataclass(frozen=True, slots=True)
class WhatIf:
    """The sump once it has gone round. `days_in_band`: until the likeliest strength leaves its band or the likeliest
    level its low mark, with nothing more poured; 0 where either is outside at once, None where neither happens in
    HORIZON_DAYS; `ends` says which of them it is: "level", "strength", or None."""

    volume_l: float
    volume_sd: float
    strength_pct: float
    strength_p05: float
    strength_p95: float
    chance_in_band: float
    days_in_band: float | None
    ends: str | None = None

    def row(self) -> dict[str, Any]:
        """The fields, in order, numbers rounded to 1e-6 of their unit."""
        told = ((f.name, getattr(self, f.name)) for f in fields(self))
        return {name: round(value, 6) if isinstance(value, float) else value for name, value in told}


def from_belief(belief_row: Mapping[str, Any], spec: SumpSpec, volume_l: float, makeup_pct: float) -> WhatIf:
    """The answer from a belief's row (contract.md) alone. `volume_l` to pour, or below 0 to drain; `makeup_pct` as it
    would be set or mixed, exactly `usual_pct` for the proportioner's mix, which comes at its real ratio.

    The strength is taken as normal with a spread of its own on each side of its middle, as the row's quantiles say.
    Raises ValueError where nothing would be left in the sump, or a number is none or no percentage.
    """
    before_l, before_sd = float(belief_row["volume_l"]), float(belief_row["volume_sd"])
    pct = float(belief_row["strength_pct"])
    _check(before_l, volume_l, makeup_pct)
    added_l, after_l = max(volume_l, 0.0), before_l + volume_l
    m, m_sd = _mix(belief_row, spec, makeup_pct)
    landed = mixed_pct(before_l, pct, added_l, m)
    total_l = before_l + added_l
    own = (m - pct) / total_l**2 * hypot(before_l * POURED_SD * added_l, added_l * before_sd)
    news = hypot(added_l / total_l * m_sd, own)
    share = before_l / total_l
    below = hypot(share * (pct - float(belief_row["strength_p05"])) / P05, news)
    above = hypot(share * (float(belief_row["strength_p95"]) - pct) / P05, news)
    below, above = max(below, LEAST_SD), max(above, LEAST_SD)
    chance = _below(spec.high_pct, landed, below, above) - _below(spec.low_pct, landed, below, above)
    water, carry = float(belief_row["evaporation_l_per_day"]), float(belief_row["carry_off_l_per_day"])
    days, ends = _days(spec, after_l, landed, max(water, 0.0), max(carry, 0.0))
    return WhatIf(
        after_l, hypot(before_sd, POURED_SD * volume_l), landed, max(0.0, landed - P05 * below), landed + P05 * above,
        min(max(chance, 0.0), 1.0), days, ends,
    )  # fmt: skip


def what_if(state: SiteState, sump: str, volume_l: float, makeup_pct: float, time: float, site: SiteSpec) -> WhatIf:
    """The same from the core's state at `time` (epoch s), with all that is in doubt about the sump. Changes nothing.

    Raises KeyError for a sump that is not there, else as `from_belief`.
    """
    # read here: whoever asks `from_belief` alone holds no core state and needs no numerics
    from agent.core import belief, remedy, strength

    one = state.sumps[sump]
    before_l, before_sd = belief.volume(one, time)
    _check(before_l, volume_l, makeup_pct)
    mix = belief.mixture_at(one, time, before_l)
    landed = remedy.landing(one.spec, mix, before_l, before_sd, max(volume_l, 0.0), makeup_pct)
    low_pct, high_pct = (max(0.0, strength.quantile_of(landed.laws, p)) for p in (0.05, 0.95))  # none is below water
    chance = remedy.chance_between(landed.laws, one.spec.low_pct, one.spec.high_pct)
    running, idle = belief.sump_losses(one)
    share = belief.evaporating_share(one)
    water = share * running + idle
    days, ends = _days(one.spec, before_l + volume_l, landed.pct, water, running + idle - water)
    return WhatIf(
        before_l + volume_l, hypot(before_sd, POURED_SD * volume_l), landed.pct, low_pct, high_pct, chance, days, ends
    )


def _check(before_l: float, volume_l: float, makeup_pct: float) -> None:
    if not (isfinite(volume_l) and isfinite(makeup_pct)):
        raise ValueError("litres and strength must be numbers")
    if not 0.0 <= makeup_pct <= 100.0:
        raise ValueError("a strength lies between 0 and 100 % of the mix")
    if before_l <= 0.0 or before_l + volume_l <= 0.0:
        raise ValueError("nothing would be left in the sump")


def _mix(belief_row: Mapping[str, Any], spec: SumpSpec, makeup_pct: float) -> tuple[float, float]:
    """Mean and sd of what would really come, %."""
    if makeup_pct != spec.usual_pct:
        return makeup_pct, BY_HAND_SD * makeup_pct
    real = float(belief_row["makeup_pct"])
    return real, hypot(float(belief_row["makeup_sd"]), USUAL_SD * real)


def _below(mark_pct: float, middle_pct: float, below_sd: float, above_sd: float) -> float:
    """Probability of lying below a mark, for a normal with a spread of its own on each side."""
    sd = below_sd if mark_pct < middle_pct else above_sd
    return 0.5 * (1.0 + erf((mark_pct - middle_pct) / (sd * sqrt(2.0))))


def _days(
    spec: SumpSpec, after_l: float, pct: float, water_l: float, carry_l: float
) -> tuple[float | None, str | None]:
    """Days until level or strength leaves, at so many litres a day of water and of mix lost; and which of them.

    c grows as the volume falls, c(V) = c'·(V'/V)^e: the upper edge is reached at V' · (c'/high)^(1/e).
    """
    if after_l <= spec.low_l:
        return 0.0, "level"
    if not spec.low_pct <= pct <= spec.high_pct:
        return 0.0, "strength"
    lost = water_l + carry_l
    share = water_l / lost if lost > 0.0 else 0.0
    to_low_l = after_l - spec.low_l
    to_high_pct_l = after_l * (1.0 - (pct / spec.high_pct) ** (1.0 / share)) if share > 0.0 else inf
    room, ends = min((to_low_l, "level"), (to_high_pct_l, "strength"))
    return (room / lost, ends) if lost > 0.0 and room / lost <= HORIZON_DAYS else (None, None)
