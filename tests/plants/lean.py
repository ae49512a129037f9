"""`lean`: a shop with slow, poor data and people of habit.

Laws. One level sample in ten minutes. Drain-back is a dead time and then a constant flow. Two kinds of job
alternate by the day: a hot one that evaporates, a wet one that carries off; losses follow the running
minutes of the hour just past, not of the minute. The level sensor drifts with humidity, sticks, is bumped
once in some sumps, sends another unit for hours in some, and its data have gaps of days. Tanks have a
ledge. Nobody logs. People top off when low and alternate water with a strong mix, whatever was read; they
read once a week to once a fortnight.
"""

from __future__ import annotations

import numpy as np

from .assembly import Parts, run_sump
from .kit import DAY_MIN, Event, Floats, Sump, lognormal
from .laws import Loss, draw_leak, draw_oil, draw_ratio
from .mixed import Shop, attended_minutes, draw_fluid, draw_shop
from .people import Habits, at
from .sensors import draw_gaps, freeze, outage_events, present, sample
from .shifts import Calendar, draw_calendar, fluid_temperature
from .tank import draw_sensor, draw_tank, fitted_curve, read_level

SAMPLE_MIN = 10


def build(rng: np.random.Generator, sumps: int, days: int) -> list[Sump]:
    """A whole shop of `sumps` sumps over `days` days."""
    shop, order = draw_shop(rng, days), rng.permutation(sumps)
    return [build_sump(np.random.default_rng(rng.integers(2**63)), shop, i, int(order[i]), days) for i in range(sumps)]


def build_sump(rng: np.random.Generator, shop: Shop, i: int, rank: int, days: int) -> Sump:
    """One sump with its sensor."""
    parts = draw_parts(rng, shop, i, rank, days)
    sump = run_sump(rng, parts, days)
    sense(rng, shop, sump, parts, rank)
    return sump


def draw_parts(rng: np.random.Generator, shop: Shop, i: int, rank: int, days: int) -> Parts:
    """Tank, fluid, losses and people of one sump."""
    minutes, name = days * DAY_MIN, f"bay-{i + 1:02d}"
    leaky = rank % 6 == 3  # a tank too small for its leak runs dry over a weekend: that is no slow leak
    full = float(round(lognormal(rng, 320, 0.5, 200 if leaky else 100, 900)))
    cal = draw_calendar(rng, days, fortnight=rank % 6 == 0)
    temp = fluid_temperature(rng, cal.running, shop.air_c)
    loss = job_losses(rng, cal, full)
    oil, emulsified = draw_oil(rng, full, minutes, leaky=rank % 8 == 2)
    leak, leaks = draw_leak(rng, name, minutes, full, wanted=leaky, big=rank % 12 == 3)
    carry_share = float(loss.carry_l.sum() / max(1e-9, loss.carry_l.sum() + loss.water_l.sum()))
    return Parts(
        name,
        full,
        float(round(full * rng.uniform(0.6, 0.75))),
        float(round(full * 1.05)),
        draw_fluid(rng, carry_share),
        cal,
        temp,
        late_return(rng, cal.running, full),
        loss,
        oil,
        emulsified,
        draw_habits(rng, alternates=bool(rng.random() < 0.7)),
        draw_ratio(rng, minutes),
        leak,
        leaks,
        drains=attended_minutes(rng, cal, 1) if rank % 12 == 5 else [],
        looks_per_shift=1.2,
    )


def job_losses(rng: np.random.Generator, cal: Calendar, full: float) -> Loss:
    """Two jobs alternate by the day; both losses follow the share of the last hour that ran."""
    minutes = len(cal.running)
    recent = np.convolve(cal.running, np.ones(60) / 60.0)[:minutes]
    wet_day = np.repeat((rng.random(minutes // DAY_MIN) < rng.uniform(0.25, 0.6)).astype(float), DAY_MIN)
    base = full * lognormal(rng, 0.03, 0.4, 0.012, 0.07) / ({1: 6.5, 2: 13.0, 3: 20.0}[cal.shifts] * 60)
    hot_share, wet_share = rng.uniform(0.7, 0.95), rng.uniform(0.2, 0.55)
    share = np.where(wet_day > 0, wet_share, hot_share)
    idle = full * rng.uniform(0.0003, 0.003) / DAY_MIN
    return Loss(base * share * recent + idle, base * (1 - share) * recent * np.where(wet_day > 0, 1.3, 1.0))


def late_return(rng: np.random.Generator, running: Floats, full: float) -> Floats:
    """Litres held up: filled at pump flow; on a stop nothing for 1-4 min, then a constant flow for 4-20
    min.
    """
    top = full * rng.uniform(0.03, 0.12)
    fill, drain, dead = top / rng.uniform(1, 5), top / rng.uniform(4, 20), int(rng.integers(1, 5))
    out, h, off = np.empty(len(running)), 0.0, 0
    on = running.tolist()
    for k in range(len(on)):
        out[k] = h
        off = 0 if on[k] else off + 1
        h = min(top, h + fill) if on[k] else (max(0.0, h - drain) if off > dead else h)
    return out


def draw_habits(rng: np.random.Generator, alternates: bool) -> Habits:
    """Nobody logs, readings are rare, corrections come by habit."""
    return Habits(
        correct_p=float(rng.uniform(0.0, 0.4)),
        water_p=float(rng.uniform(0.1, 0.5)),
        rich_p=0.1,
        log_p=0.0,
        reads_per_week=float(rng.choice([0.5, 0.75, 1.0])),
        reading_sd_brix=float(rng.uniform(0.1, 0.4)),
        reading_step_brix=float(rng.choice([0.1, 0.2, 0.5])),
        wrong_p=0.05,
        fill_mean=float(rng.uniform(0.9, 1.0)),
        fill_sd=0.04,
        trigger_spread=0.3,
        bucket_sd=0.15,
        alternates=alternates,
    )


def unit_spans(rng: np.random.Generator, minutes: int) -> list[tuple[int, int]]:
    """One or two spans of hours in which the transmitter sends another unit."""
    return draw_gaps(rng, minutes, 30.0, 3.0, 30.0)


def sense(rng: np.random.Generator, shop: Shop, sump: Sump, parts: Parts, rank: int) -> None:
    """The level alone, each ten minutes, with humidity, gaps of days, frozen spans, wrong units, a bump."""
    minutes, tank = len(parts.temp_c), draw_tank(rng, sump.high_l, ledge=0.6)
    sensor = draw_sensor(rng, tank, minutes)
    sump.curve = fitted_curve(rng, tank, sensor)
    sensor.drift_mm = sensor.drift_mm + rng.uniform(5, 25) * (shop.humidity - 0.5)
    gaps = draw_gaps(rng, minutes, 10.0, 0.5, 8.0) + draw_gaps(rng, minutes, 45.0, 24.0, 90.0)
    stuck = draw_gaps(rng, minutes, 20.0, 3.0, 40.0)
    if rank % 8 == 4:
        bump = int(rng.integers(10 * DAY_MIN, minutes)) if minutes > 12 * DAY_MIN else minutes
        sensor.drift_mm = sensor.drift_mm + rng.choice([-1, 1]) * rng.uniform(6, 20) * (np.arange(minutes) >= bump)
        sump.events.append(Event(sump.id, "bump", at(bump), at(bump)))
    standing = np.maximum(0.0, sump.books.volume_l[:-1] + parts.foreign_l - parts.held_l)
    raw = freeze(read_level(rng, tank, sensor, standing, parts.calendar.running, parts.temp_c, shop.air_c), stuck)
    units = unit_spans(rng, minutes) if rank % 6 == 1 else []
    for a, b in units:
        raw[a:b] /= 10.0
    keep, offset = present(minutes, gaps), int(rng.integers(0, 55))
    sump.streams.append(sample("level", raw, keep, SAMPLE_MIN, offset, 1))
    for spans, name in ((gaps, "gap"), (stuck, "stuck"), (units, "unit")):
        sump.events += outage_events(sump.id, spans, name)
        sump.troubles += [name] if spans else []
    sump.troubles += [sensor.kind, *(["bump"] if rank % 8 == 4 else [])]
    sump.troubles += ["alternates"] if parts.habits.alternates else []
