"""`mixed`: the primary shop.

Laws. Evaporation while running is a share of full a day, lognormal from day to day, × exp(0.04 (T - mean));
idle it is 0.1-0.4 % of full a day. Carry-off runs with the pump and varies from day to day on its own.
Drain-back is two first-order returns. The fluid's temperature follows the pump with first-order lags on a
hall with a day's wave. The proportioner's ratio is a slow walk in its logarithm, with a step at a drum
change in some. People top off when the level nears the low mark and correct what they have just read; a
third log always, a third half of the time, a third never.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .assembly import Parts, run_sump
from .kit import DAY_MIN, Floats, Fluid, Stream, Sump, lognormal
from .laws import draw_leak, draw_loss, draw_oil, draw_ratio
from .people import Habits
from .sensors import draw_gaps, freeze, inline_brix, on_change, outage_events, present, sample
from .shifts import Calendar, draw_calendar, draw_holdup, fluid_temperature, weather
from .tank import Tank, draw_sensor, draw_tank, fitted_curve, read_level


@dataclass(slots=True)
class Shop:
    """What all sumps of a shop share."""

    correct_p: float
    air_c: Floats
    humidity: Floats
    outages: list[tuple[int, int]]


def draw_shop(rng: np.random.Generator, days: int) -> Shop:
    """A hall with its weather, its logger's outages, and how eagerly its people correct."""
    air, humidity = weather(rng, days)
    return Shop(float(rng.uniform(0.45, 0.9)), air, humidity, draw_gaps(rng, days * DAY_MIN, 25.0, 0.5, 6.0))


def build(rng: np.random.Generator, sumps: int, days: int) -> list[Sump]:
    """A whole shop of `sumps` sumps over `days` days."""
    shop, order = draw_shop(rng, days), rng.permutation(sumps)
    return [build_sump(np.random.default_rng(rng.integers(2**63)), shop, i, int(order[i]), days) for i in range(sumps)]


def build_sump(rng: np.random.Generator, shop: Shop, i: int, rank: int, days: int) -> Sump:
    """One sump with its sensors; `rank` spreads the rare troubles so that a shop of 24 has each of them."""
    parts = draw_parts(rng, shop, i, rank, days)
    sump = run_sump(rng, parts, days)
    sense(rng, shop, sump, parts)
    return sump


def draw_parts(rng: np.random.Generator, shop: Shop, i: int, rank: int, days: int) -> Parts:
    """Tank size, fluid, calendar, losses and people of one sump."""
    minutes, name = days * DAY_MIN, f"sump-{i + 1:02d}"
    leaky = rank % 4 == 3  # a tank too small for its leak runs dry over a weekend: that is no slow leak
    full = float(round(lognormal(rng, 260, 0.7, 200 if leaky else 60, 900)))
    share = float(rng.uniform(0.45, 0.9))
    cal = draw_calendar(rng, days, fortnight=rank % 12 == 0)
    refills = still_mornings(rng, cal, days) if rank % 12 == 1 else []
    temp = fluid_temperature(rng, cal.running, shop.air_c)
    oil, emulsified = draw_oil(rng, full, minutes, leaky=rank % 6 == 2)
    leak, leaks = draw_leak(rng, name, minutes, full, wanted=leaky, big=rank % 8 == 3)
    return Parts(
        name,
        full,
        float(round(full * rng.uniform(0.65, 0.8))),
        float(round(full * 1.06)),
        draw_fluid(rng, 1 - share),
        cal,
        temp,
        draw_holdup(rng, cal.running, full),
        draw_loss(rng, cal, temp, full, share),
        oil,
        emulsified,
        draw_habits(rng, shop.correct_p),
        draw_ratio(rng, minutes),
        leak,
        leaks,
        refills,
        drains=attended_minutes(rng, cal, 2) if rank % 8 == 5 else [],
        resets=attended_minutes(rng, cal, 1) if rank % 8 == 6 else [],
    )


def draw_fluid(rng: np.random.Generator, carry_share: float) -> Fluid:
    """Target 4-10 %, factor 1-3; the usual mix is near what would hold the target, set to half a percent."""
    target = round(2 * rng.uniform(4.0, 10.0)) / 2
    usual = max(0.5, round(2 * target * carry_share * lognormal(rng, 1.15, 0.2, 0.7, 2.0)) / 2)
    lean = min(max(0.5, round(0.1 * target, 1)), usual)
    return Fluid(
        target,
        round(0.86 * target, 1),
        round(1.18 * target, 1),
        round(float(rng.uniform(1.0, 3.0)), 2),
        usual,
        lean,
        2 * target,
    )


def attended_minutes(rng: np.random.Generator, cal: Calendar, n: int) -> list[int]:
    """`n` minutes at which somebody is there, not in the last hours."""
    there = np.flatnonzero(cal.attended[:-600])
    return sorted(rng.choice(there, n, replace=False).tolist()) if len(there) >= n else []


def still_mornings(rng: np.random.Generator, cal: Calendar, days: int) -> list[int]:
    """When a change-out starts: a weekday at about seven, the pump kept off for that day."""
    wish = int(rng.integers(min(10, days // 2), max(11, days - 5)))
    day = next((d for d in range(wish, days) if d % 7 < 5), None)
    if day is None:
        return []
    cal.running[day * DAY_MIN : (day + 1) * DAY_MIN] = 0.0
    return [day * DAY_MIN + int(rng.integers(6 * 60 + 30, 9 * 60))]


def draw_habits(rng: np.random.Generator, correct_p: float) -> Habits:
    """One machine's people."""
    return Habits(
        correct_p=correct_p,
        water_p=float(rng.uniform(0.03, 0.22)),
        rich_p=float(rng.uniform(0.0, 0.1)),
        log_p=float(rng.choice([1.0, 0.5, 0.0])),
        reads_per_week=float(rng.choice([1.0, 2.0])),
        reading_sd_brix=float(rng.uniform(0.1, 0.3)),
        reading_step_brix=float(rng.choice([0.1, 0.2])),
        wrong_p=0.04,
        fill_mean=float(rng.uniform(0.9, 0.99)),
        fill_sd=0.03,
        trigger_spread=float(rng.uniform(0.15, 0.5)),
        log_sd=float(rng.uniform(0.05, 0.2)),
        log_late_min=float(rng.choice([8.0, 25.0, 120.0])),
        titrates_every_days=float(rng.choice([0.0, 0.0, 0.0, 14.0])),
    )


def sense(rng: np.random.Generator, shop: Shop, sump: Sump, parts: Parts) -> None:
    """Fit sensors to the sump: the level always, the rest as the shop has them."""
    running, temp, minutes = parts.calendar.running, parts.temp_c, len(parts.temp_c)
    gaps = shop.outages + draw_gaps(rng, minutes, 12.0, 1.0, 10.0)
    stuck = draw_gaps(rng, minutes, 40.0, 2.0, 12.0)
    keep = present(minutes, gaps) & (rng.random(minutes) > 0.002)
    offset = int(rng.integers(0, 55))
    sump.streams.append(level_stream(rng, shop, sump, parts, draw_tank(rng, sump.high_l), stuck, keep, offset))
    sump.events += outage_events(sump.id, gaps, "gap") + outage_events(sump.id, stuck, "stuck")
    sump.troubles += ["stuck"] if stuck else []
    if rng.random() < 0.5:
        sump.streams.append(on_change(running, keep, offset))
    if rng.random() < 0.5:
        sump.streams.append(sample("temperature", temp + rng.normal(0, 0.15, minutes), keep, 5, offset + 1, 1))
    if rng.random() < 0.33:
        brix = inline_brix(rng, sump.books.strength_pct[:-1], sump.fluid.factor, parts.oil_brix, running)
        sump.streams.append(sample("brix", brix, keep, 5, offset + 2, 2))
    sump.troubles += [f"+{stream.signal}" for stream in sump.streams[1:]]


def level_stream(
    rng: np.random.Generator,
    shop: Shop,
    sump: Sump,
    parts: Parts,
    tank: Tank,
    stuck: list[tuple[int, int]],
    keep: np.ndarray,
    offset: int,
) -> Stream:
    """The level transmitter: what stands in the tank is mix + foreign litres - held up."""
    sensor = draw_sensor(rng, tank, len(parts.temp_c))
    sump.curve = fitted_curve(rng, tank, sensor)
    sump.troubles.append(sensor.kind)
    standing = np.maximum(0.0, sump.books.volume_l[:-1] + parts.foreign_l - parts.held_l)
    raw = read_level(rng, tank, sensor, standing, parts.calendar.running, parts.temp_c, shop.air_c)
    return sample("level", freeze(raw, stuck), keep, 1, offset, 1)
