"""When machines run: shifts, breaks, idle days; the weather of the hall and the warmth of the fluid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .kit import DAY_MIN, Floats


@dataclass(slots=True)
class Calendar:
    """Of each minute: does a shift attend the machine, does its fluid pump run."""

    attended: Floats
    running: Floats
    shifts: int
    idle_days: set[int]


def shift_span(shifts: int, weekday: int, saturday: bool) -> tuple[int, int] | None:
    """First and last minute of work on a weekday (0 = Monday), None when closed."""
    if weekday == 6:
        return None
    if weekday == 5:
        return (6 * 60, 12 * 60) if saturday else None
    if shifts == 3:
        return (6 * 60 if weekday == 0 else 0, DAY_MIN)
    return (6 * 60, 14 * 60) if shifts == 1 else (6 * 60, 22 * 60)


def draw_calendar(rng: np.random.Generator, days: int, fortnight: bool) -> Calendar:
    """One to three shifts, weekends off, blocks of 10 min to 4 h with breaks, an idle day or fortnight now
    and then.
    """
    shifts = int(rng.choice([1, 2, 3], p=[0.4, 0.4, 0.2]))
    attended, running = np.zeros(days * DAY_MIN), np.zeros(days * DAY_MIN)
    idle = {d for d in range(days) if rng.random() < 0.03}
    if fortnight and days > 24:
        first = int(rng.integers(8, days - 14))
        idle |= set(range(first, first + 14))
    block_min, saturday = rng.uniform(35, 150), rng.random() < 0.3
    for day in range(days):
        span = shift_span(shifts, day % 7, saturday and rng.random() < 0.5)
        if span is None:
            continue
        lo, hi = day * DAY_MIN + span[0], day * DAY_MIN + span[1]
        attended[lo:hi] = 1.0
        if day not in idle:
            run_blocks(rng, running, lo + int(rng.integers(2, 30)), hi - int(rng.integers(2, 20)), block_min)
    return Calendar(attended, running, shifts, idle)


def run_blocks(rng: np.random.Generator, running: Floats, lo: int, hi: int, block_min: float) -> None:
    """Fill [lo, hi) with pump blocks around `block_min` minutes (10 min to 4 h) and breaks between them."""
    k = lo
    while k < hi:
        on = int(np.clip(block_min * np.exp(rng.normal(0, 0.7)), 10, 240))
        running[k : min(k + on, hi)] = 1.0
        k += on + int(np.clip(12 * np.exp(rng.normal(0, 0.7)), 3, 90))


def weather(rng: np.random.Generator, days: int) -> tuple[Floats, Floats]:
    """Hall air, °C and relative humidity 0-1, each minute: a day's wave on slow fronts of some days."""
    k = np.arange(days * DAY_MIN)
    fronts = np.interp(k, np.arange(days + 2) * DAY_MIN, rng.normal(0, 2.2, days + 2))
    wave = np.cos(2 * np.pi * (k / DAY_MIN - 15 / 24))
    air = rng.uniform(19, 25) + fronts + rng.uniform(1.5, 4.0) * wave
    damp = np.interp(k, np.arange(days + 2) * DAY_MIN, rng.normal(0, 0.12, days + 2))
    return air, np.clip(0.5 + damp - 0.06 * wave, 0.15, 0.95)


def fluid_temperature(rng: np.random.Generator, running: Floats, air: Floats) -> Floats:
    """First-order warming above the air while the pump runs (6-15 K, tau 1-3 h), cooling with tau 3-6 h."""
    rise, up, down = rng.uniform(5, 14), rng.uniform(60, 180), rng.uniform(180, 360)
    out, x = np.empty(len(air)), 0.0
    on = running.tolist()
    for k in range(len(on)):
        x += (rise - x) / up if on[k] else -x / down
        out[k] = x
    return out + air


def draw_holdup(rng: np.random.Generator, running: Floats, full_l: float) -> Floats:
    """Litres in circulation: first order to H on start; on stop 80-95 % comes back quickly, the rest over
    30-90 min.
    """
    h = full_l * rng.uniform(0.03, 0.20) * np.exp(np.linspace(0, rng.normal(0, 0.1), len(running)))
    quick = rng.uniform(0.80, 0.95)
    tau_on, tau_back, tau_tail = rng.uniform(1, 4), rng.uniform(1, 3), rng.uniform(20, 50)
    a_on, a_back, a_tail = (float(1 - np.exp(-1 / t)) for t in (tau_on, tau_back, tau_tail))
    out, x, y = np.empty(len(running)), 0.0, 0.0
    on, hs = running.tolist(), h.tolist()
    for k in range(len(on)):
        out[k] = x + y
        if on[k]:
            x += a_on * (quick * hs[k] - x)
            y += a_on * ((1 - quick) * hs[k] - y)
        else:
            x -= a_back * x
            y -= a_tail * y
    return out
