"""Laws that more than one plant uses: proportioner, losses, way oil, leaks; minute by minute, in litres and
percent.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .kit import DAY_MIN, Event, Floats, lognormal, walk
from .people import at
from .shifts import Calendar


@dataclass(slots=True)
class Loss:
    """Litres that leave in each minute: as water, and as mix."""

    water_l: Floats
    carry_l: Floats


def draw_ratio(rng: np.random.Generator, minutes: int) -> Floats:
    """Real over set: a constant fault of 10-25 %, a slow walk, in some a step at a drum change."""
    hours = minutes // 60 + 1
    spread = rng.uniform(0.10, 0.25)
    log_ratio = rng.normal(0, 0.8 * spread) + walk(rng, hours, 0.5 * spread, 24 * 20.0)
    if rng.random() < 0.3:
        log_ratio[int(rng.integers(0, hours)) :] += rng.normal(0, 0.2)
    return np.repeat(np.exp(np.clip(log_ratio, -0.6, 0.6)), 60)[:minutes]


def draw_loss(rng: np.random.Generator, cal: Calendar, temp: Floats, full: float, share: float) -> Loss:
    """Total loss a running day is 1-9 % of full; `share` of it evaporates."""
    days = len(temp) // DAY_MIN
    hours = {1: 6.5, 2: 13.0, 3: 20.0}[cal.shifts]
    total = full * lognormal(rng, 0.035, 0.5, 0.012, 0.09) / (hours * 60)
    job_e = np.repeat(np.exp(rng.normal(0, rng.uniform(0.1, 0.3), days)), DAY_MIN)
    job_d = np.repeat(np.exp(rng.normal(0, rng.uniform(0.1, 0.4), days)), DAY_MIN)
    warmth = np.exp(0.04 * (temp - 28.0))
    idle = full * rng.uniform(0.001, 0.004) / DAY_MIN
    water = np.where(cal.running > 0, total * share * job_e, idle) * warmth
    return Loss(water, np.where(cal.running > 0, total * (1 - share) * job_d, 0.0))


def draw_oil(rng: np.random.Generator, full: float, minutes: int, leaky: bool) -> tuple[Floats, Floats]:
    """Way oil in the tank, L, skimmed at times; and the Brix that its emulsified part adds (+1 a percent)."""
    if not leaky:
        return np.zeros(minutes), np.zeros(minutes)
    per_day = full * rng.uniform(0.0005, 0.002)
    onset = int(rng.integers(0, minutes // 2))
    came = np.maximum(0, np.arange(minutes) - onset) * per_day / DAY_MIN
    skim_every = int(rng.uniform(12, 40) * DAY_MIN)
    left = came - 0.85 * np.floor(came / (per_day * skim_every / DAY_MIN)) * (per_day * skim_every / DAY_MIN)
    return left, 100.0 * rng.uniform(0.2, 0.5) * left / full


def draw_leak(
    rng: np.random.Generator,
    sump: str,
    minutes: int,
    full: float,
    wanted: bool,
    big: bool,
) -> tuple[Floats, list[Event]]:
    """A slow leak from some day, found and fixed 2-7 days on; about 1.5 L/h when `big`, else 0.6 L/h."""
    flow = np.zeros(minutes)
    if not wanted or minutes < 16 * DAY_MIN:
        return flow, []
    rate = float(rng.uniform(1.2, 2.0) if big else rng.uniform(0.45, 0.8))
    rate = min(rate, 0.008 * full)
    start = int(rng.integers(9 * DAY_MIN, minutes - 6 * DAY_MIN))
    end = min(minutes, start + int(rng.uniform(2.5, 7) * DAY_MIN))
    flow[start:end] = rate / 60
    return flow, [Event(sump, "leak", at(start), at(end), rate_l_per_h=rate)]


def daily(per_minute: Floats) -> Floats:
    """Litres a day from litres a minute."""
    total: Floats = per_minute.reshape(-1, DAY_MIN).sum(axis=1)
    return total
