"""`mixed`: the primary shop.

Laws. Evaporation while running is a share of full a day, lognormal from day to day, × exp(0.04 (T - mean)); idle it is
0.1-0.4 % of full a day. Carry-off runs with the pump and varies from day to day on its own. Drain-back is two first-order
returns. The fluid's temperature follows the pump with first-order lags on a hall with a day's wave. The proportioner's
ratio is a slow walk in its logarithm, with a step at a drum change in some. People top off when the level nears the
low mark and correct what they have just read; a third log always, a third half of the time, a third never.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .kit import (
    DAY_MIN, FLOOR_SHARE, Event, Floats, Fluid, Stream, Sump, keep_books, lognormal, new_books, walk,
)
from .people import Habits, Person, at, visits_of
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


@dataclass(slots=True)
class Loss:
    """Litres a minute that leave, and the true means behind them."""

    water_l: Floats
    carry_l: Floats


def build(rng: np.random.Generator, sumps: int, days: int) -> list[Sump]:
    """A whole shop of `sumps` sumps over `days` days."""
    air, humidity = weather(rng, days)
    shop = Shop(float(rng.uniform(0.45, 0.9)), air, humidity, draw_gaps(rng, days * DAY_MIN, 25.0, 0.5, 6.0))
    order = rng.permutation(sumps)
    return [build_sump(np.random.default_rng(rng.integers(2**63)), shop, i, int(order[i]), sumps, days)
            for i in range(sumps)]


def build_sump(rng: np.random.Generator, shop: Shop, i: int, rank: int, sumps: int, days: int) -> Sump:
    """One sump; `rank` spreads the rare troubles so that a shop of 24 has each of them."""
    minutes, name = days * DAY_MIN, f"sump-{i + 1:02d}"
    full = round(lognormal(rng, 260, 0.7, 60, 900))
    low, high = round(full * rng.uniform(0.65, 0.8)), round(full * 1.06)
    share = float(rng.uniform(0.45, 0.9))
    fluid = draw_fluid(rng, 1 - share)
    cal = draw_calendar(rng, days, fortnight=rank % 12 == 0)
    refills = [] if rank % 12 != 1 else still_mornings(rng, cal, days)
    temp = fluid_temperature(rng, cal.running, shop.air_c)
    held = draw_holdup(rng, cal.running, full)
    loss = draw_loss(rng, cal, temp, full, share)
    oil, emulsified = draw_oil(rng, full, minutes, leaky=rank % 6 == 2)
    books = new_books(minutes, oil)
    person = Person(name, rng, fluid, draw_habits(rng, shop.correct_p), full, low, high, books,
                    draw_ratio(rng, minutes), held, emulsified)
    leak, leaks = draw_leak(rng, name, minutes, full, wanted=rank % 4 == 3, big=rank % 8 == 3)
    visits = visits_of(rng, cal.attended, person, days, per_shift=3.0)
    for k in refills:
        visits.setdefault(k, []).append(person.recharge)
    if rank % 8 == 5:
        for k in np.flatnonzero(cal.attended)[rng.integers(0, int(cal.attended.sum()), 2)].tolist():
            visits.setdefault(k, []).append(person.take_out)
    start_l = full * float(rng.uniform(0.8, 1.0))
    start_c = start_l * fluid.target_pct * float(rng.uniform(0.85, 1.15)) / 100
    keep_books(start_l, start_c, loss.water_l.tolist(), (loss.carry_l + leak).tolist(), oil, FLOOR_SHARE * full,
               visits, books)
    sump = Sump(name, full, low, high, fluid, [], books, [], person.words, person.events + leaks,
                {"evaporation_l_per_day": daily(loss.water_l), "carry_off_l_per_day": daily(loss.carry_l),
                 "ratio": person.ratio[::60]})
    sense(rng, shop, sump, cal, temp, held, emulsified)
    note_troubles(sump, person, oil)
    return sump


def draw_fluid(rng: np.random.Generator, carry_share: float) -> Fluid:
    """Target 4-10 %, factor 1-3; the usual mix is near what would hold the target, set to half a percent."""
    target = round(2 * rng.uniform(4.0, 10.0)) / 2
    usual = max(0.5, round(2 * target * carry_share * lognormal(rng, 1.15, 0.2, 0.7, 2.0)) / 2)
    lean = min(max(0.5, round(0.1 * target, 1)), usual)
    return Fluid(target, round(0.86 * target, 1), round(1.18 * target, 1), round(float(rng.uniform(1.0, 3.0)), 2),
                 usual, lean, 2 * target)


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


def draw_leak(rng: np.random.Generator, sump: str, minutes: int, full: float, wanted: bool, big: bool,
              ) -> tuple[Floats, list[Event]]:
    """A slow leak from some day, found and fixed 2-7 days on; about 1.5 L/h when `big`, else about 0.6 L/h."""
    flow = np.zeros(minutes)
    if not wanted or minutes < 16 * DAY_MIN:
        return flow, []
    rate = float(rng.uniform(1.2, 2.0) if big else rng.uniform(0.45, 0.8))
    rate = min(rate, 0.006 * full)
    start = int(rng.integers(9 * DAY_MIN, minutes - 6 * DAY_MIN))
    end = min(minutes, start + int(rng.uniform(2.5, 7) * DAY_MIN))
    flow[start:end] = rate / 60
    return flow, [Event(sump, "leak", at(start), at(end), rate_l_per_h=rate)]


def daily(per_minute: Floats) -> Floats:
    """Litres a day from litres a minute."""
    return per_minute.reshape(-1, DAY_MIN).sum(axis=1)


def sense(rng: np.random.Generator, shop: Shop, sump: Sump, cal: Calendar, temp: Floats, held: Floats,
          oil_brix: Floats) -> None:
    """Fit sensors to the sump: the level always, the rest as the shop has them."""
    minutes, tank = len(temp), draw_tank(rng, sump.high_l)
    gaps = shop.outages + draw_gaps(rng, minutes, 12.0, 1.0, 10.0)
    stuck = draw_gaps(rng, minutes, 40.0, 2.0, 12.0)
    keep = present(minutes, gaps) & (rng.random(minutes) > 0.002)
    offset = int(rng.integers(0, 55))
    sump.streams.append(level_stream(rng, shop, sump, tank, held, cal.running, temp, stuck, keep, offset))
    sump.events += outage_events(sump.id, gaps, "gap") + outage_events(sump.id, stuck, "stuck")
    if rng.random() < 0.5:
        sump.streams.append(on_change(cal.running, keep, offset))
        sump.troubles.append("+running")
    if rng.random() < 0.5:
        sump.streams.append(sample("temperature", temp + rng.normal(0, 0.15, minutes), keep, 5, offset + 1, 1))
        sump.troubles.append("+temperature")
    if rng.random() < 0.33:
        brix = inline_brix(rng, sump.books.strength_pct[:-1], sump.fluid.factor, oil_brix, cal.running)
        sump.streams.append(sample("brix", brix, keep, 5, offset + 2, 2))
        sump.troubles.append("+brix")


def level_stream(rng: np.random.Generator, shop: Shop, sump: Sump, tank: Tank, held: Floats, running: Floats,
                 temp: Floats, stuck: list[tuple[int, int]], keep: np.ndarray, offset: int) -> Stream:
    """The level transmitter: what stands in the tank is V + oil - held up."""
    sensor = draw_sensor(rng, tank, len(temp))
    sump.curve = fitted_curve(rng, tank, sensor)
    sump.troubles.append(sensor.kind)
    standing = np.maximum(0.0, sump.books.volume_l[:-1] + sump.books.oil_l - held)
    raw = read_level(rng, tank, sensor, standing, running, temp, shop.air_c)
    return sample("level", freeze(raw, stuck), keep, 1, offset, 1)


def note_troubles(sump: Sump, person: Person, oil: Floats) -> None:
    """Say in the truth what this sump suffers from, for the reader of a per-sump table."""
    h = person.habits
    log = {1.0: "log-always", 0.0: "log-never"}.get(h.log_p, f"log-{h.log_p:.1f}")
    sump.troubles += [log, f"reads-{h.reads_per_week:g}"]
    sump.troubles += ["oil"] if oil.any() else []
    sump.troubles += sorted({e.event for e in sump.events if e.event in ("leak", "recharge", "drained", "stuck")})
