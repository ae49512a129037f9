"""What one simulated sump does, and what its transmitters show.

V litres of mix at rest, S litres of concentrate in it, E evaporation, D carry-off, m strength of what is poured:

    dV/dt = M - E - D        dS/dt = m·M/100 - (S/V)·D

E and D run with the fluid pump and the day's work; E grows 5 % a kelvin. A part of V is held up in pipes and trays
while the pump runs: the transmitter sees V less what is held up. Time is in seconds and comes in as an argument.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

from agent.core.curve import Curve

HOUR_S = 3600.0
FILL_TAU_S = 120.0  # pipes and trays fill and drain back within minutes
TAIL_TAU_S = 2400.0  # chips and ledges drip for most of an hour
TAIL_SHARE = 0.12  # of the held-up volume returns as the tail
WARM_TAU_S = 3.0 * HOUR_S
PUMP_HEAT_K = 8.0
EXPANSION_PER_K = 0.00028
EVAPORATION_PER_K = 0.05
FLOOR_SHARE = 0.05  # the pump loses suction here: nothing more leaves by use


@dataclass(frozen=True, slots=True)
class Nature:
    """What is true of one sump, whatever its site file says. Strengths in % by volume of the mix."""

    id: str
    full_l: float
    low_l: float
    factor: float
    target_pct: float
    usual_pct: float
    tank: Curve  # litres (rising) -> surface height, mm
    evaporation_l_per_h: float  # while running, at an ordinary day's work and 28 °C
    carry_off_l_per_h: float  # while running
    idle_evaporation_l_per_h: float
    held_l: float  # in pipes and trays while the pump runs
    proportioner: float  # real strength over set strength
    noise_mm: float
    mount_mm: float | None = None  # height of a transmitter that looks down; None: it measures height
    inline_bias_brix: float = 0.1


@dataclass(slots=True)
class Flow:
    """Something poured in (`pct` its strength) or taken out (`pct` None: at the strength it has), at a steady rate."""

    left_l: float
    l_per_s: float
    pct: float | None


@dataclass(slots=True)
class Condition:
    """How a sump stands at one moment, and the drivers that act on it until they are changed."""

    volume_l: float
    concentrate_l: float
    held_fast_l: float = 0.0
    held_tail_l: float = 0.0
    temperature_c: float = 22.0
    running: bool = False
    running_since_s: float = -1e9
    job: float = 1.0  # the day's work over an ordinary day's
    work: float = 1.0  # set by hand, for trials
    flows: list[Flow] = field(default_factory=list)

    @property
    def strength_pct(self) -> float:
        """True strength, % by volume of the mix."""
        return 100.0 * self.concentrate_l / self.volume_l

    @property
    def standing_l(self) -> float:
        """Litres in the tank itself: what a transmitter can see."""
        return max(0.0, self.volume_l - self.held_fast_l - self.held_tail_l)


def advance(nature: Nature, now: Condition, dt_s: float, ambient_c: float) -> tuple[float, float]:
    """Move `now` on by dt_s (keep it at a minute or less). Returns litres evaporated and carried off."""
    water_l, mix_l = _losses(nature, now, dt_s)
    now.concentrate_l -= mix_l * now.concentrate_l / now.volume_l
    now.volume_l -= water_l + mix_l
    for flow in now.flows:
        _pour(now, flow, dt_s)
    now.flows = [flow for flow in now.flows if flow.left_l > 1e-9]
    _hold_up(nature, now, dt_s)
    wish_c = ambient_c + (PUMP_HEAT_K * min(now.job, 1.5) if now.running else 0.0)
    now.temperature_c += (wish_c - now.temperature_c) * -math.expm1(-dt_s / WARM_TAU_S)
    return water_l, mix_l


def _losses(nature: Nature, now: Condition, dt_s: float) -> tuple[float, float]:
    if now.volume_l <= FLOOR_SHARE * nature.full_l:
        return 0.0, 0.0
    drive = now.job * now.work
    water = nature.evaporation_l_per_h * drive if now.running else nature.idle_evaporation_l_per_h
    water *= math.exp(EVAPORATION_PER_K * (now.temperature_c - 28.0))
    mix = nature.carry_off_l_per_h * drive if now.running else 0.0
    return water * dt_s / HOUR_S, mix * dt_s / HOUR_S


def _pour(now: Condition, flow: Flow, dt_s: float) -> None:
    litres = min(flow.left_l, flow.l_per_s * dt_s)
    if flow.pct is None:
        litres = min(litres, 0.98 * now.volume_l)
        now.concentrate_l -= litres * now.concentrate_l / now.volume_l
        now.volume_l -= litres
    else:
        now.concentrate_l += litres * flow.pct / 100.0
        now.volume_l += litres
    flow.left_l -= min(flow.left_l, flow.l_per_s * dt_s)


def _hold_up(nature: Nature, now: Condition, dt_s: float) -> None:
    held_l = min(nature.held_l, 0.5 * now.volume_l) if now.running else 0.0
    quick = -math.expm1(-dt_s / FILL_TAU_S)
    slow = quick if now.running else -math.expm1(-dt_s / TAIL_TAU_S)
    now.held_fast_l += ((1.0 - TAIL_SHARE) * held_l - now.held_fast_l) * quick
    now.held_tail_l += (TAIL_SHARE * held_l - now.held_tail_l) * slow


def level_raw(nature: Nature, now: Condition, rng: random.Random) -> float:
    """What the level transmitter shows, mm: height, or the distance down to the surface from `mount_mm`."""
    seen_l = now.standing_l * (1.0 + EXPANSION_PER_K * (now.temperature_c - 20.0))
    noise = nature.noise_mm * (1.8 if now.running else 1.0)
    height = nature.tank.litres_at(seen_l) + rng.gauss(0.0, noise)
    return height if nature.mount_mm is None else nature.mount_mm - height


def inline_brix(nature: Nature, now: Condition, time_s: float, rng: random.Random) -> float:
    """What an inline refractometer shows, Brix: true once the pump has run for some minutes, air and film till then."""
    true = now.strength_pct / nature.factor
    if not now.running or time_s - now.running_since_s < 180.0:
        return max(0.0, true * rng.uniform(0.1, 1.05))
    return true + nature.inline_bias_brix + rng.gauss(0.0, 0.04)


def hand_brix(nature: Nature, now: Condition, rng: random.Random) -> float:
    """A person's reading, Brix: ±0.15, read to the tenth."""
    return max(0.0, round(now.strength_pct / nature.factor + rng.gauss(0.0, 0.15), 1))
