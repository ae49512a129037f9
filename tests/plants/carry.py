"""`carry`: a shop of mist, chips and little sips.

Laws. On a stop the machine drains as through a hole: dh/dt = -k sqrt(h), while a second store of mist and
chips, filled slowly by running, dribbles back at a constant rate. Each block of running has its own held-up
volume. Evaporation is mass transfer: k · (p_sat(T_fluid) - RH · p_sat(T_air)), three to eight times as fast
while the pump sprays; it never stops at night. Carry-off leaves with each batch of parts, in bursts. Chips
pile up in the tank and are cleaned out weekly: level without mix. The proportioner answers to water
pressure, which sags by day and with its filter. Looking sensors see foam when the mix is rich. People add
5-15 L on most days, correct with a jug, and a few makeup lines have a meter. Few machines have a running
contact.
"""

from __future__ import annotations

import numpy as np

from .assembly import Parts, run_sump
from .kit import DAY_MIN, Floats, Sump, lognormal, walk
from .laws import Loss, draw_leak, draw_oil
from .mixed import Shop, attended_minutes, draw_fluid, draw_shop, still_mornings
from .people import Habits
from .sensors import draw_gaps, freeze, inline_brix, on_change, outage_events, present, sample
from .shifts import Calendar, draw_calendar, fluid_temperature
from .tank import draw_sensor, draw_tank, fitted_curve, read_level


def build(rng: np.random.Generator, sumps: int, days: int) -> list[Sump]:
    """A whole shop of `sumps` sumps over `days` days."""
    shop, order = draw_shop(rng, days), rng.permutation(sumps)
    return [build_sump(np.random.default_rng(rng.integers(2**63)), shop, i, int(order[i]), days) for i in range(sumps)]


def build_sump(rng: np.random.Generator, shop: Shop, i: int, rank: int, days: int) -> Sump:
    """One sump with its sensors."""
    parts = draw_parts(rng, shop, i, rank, days)
    sump = run_sump(rng, parts, days)
    sense(rng, shop, sump, parts)
    return sump


def draw_parts(rng: np.random.Generator, shop: Shop, i: int, rank: int, days: int) -> Parts:
    """Tank, fluid, losses and people of one sump."""
    minutes, name = days * DAY_MIN, f"cell-{i + 1:02d}"
    leaky = rank % 4 == 3  # a tank too small for its leak runs dry over a weekend: that is no slow leak
    full = float(round(lognormal(rng, 180, 0.6, 200 if leaky else 60, 600)))
    cal = draw_calendar(rng, days, fortnight=rank % 12 == 0)
    refills = still_mornings(rng, cal, days) if rank % 12 == 5 else []
    temp = fluid_temperature(rng, cal.running, shop.air_c)
    loss = Loss(vapour(rng, cal, temp, shop, full), batches(rng, cal, full))
    oil, emulsified = draw_oil(rng, full, minutes, leaky=rank % 8 == 2)
    leak, leaks = draw_leak(rng, name, minutes, full, wanted=leaky, big=rank % 8 == 3)
    carry_share = float(loss.carry_l.sum() / (loss.carry_l.sum() + loss.water_l.sum()))
    return Parts(
        name,
        full,
        float(round(full * 0.75)),
        float(round(full * 1.08)),
        draw_fluid(rng, carry_share),
        cal,
        temp,
        drain_back(rng, cal.running, full),
        loss,
        oil + chips(rng, cal.running, full),
        emulsified,
        draw_habits(rng, shop.correct_p, loss, days),
        pressed_ratio(rng, minutes),
        leak,
        leaks,
        refills,
        drains=attended_minutes(rng, cal, 1) if rank % 8 == 6 else [],
        looks_per_shift=2.0,
    )


def p_sat_kpa(t_c: Floats) -> Floats:
    """Saturation pressure of water, kPa, by Magnus's formula."""
    return np.asarray(0.6112 * np.exp(17.62 * t_c / (243.12 + t_c)))


def vapour(rng: np.random.Generator, cal: Calendar, temp: Floats, shop: Shop, full: float) -> Floats:
    """Evaporation, L/min: mass transfer over wetted area, more of it while the pump sprays."""
    pull = np.maximum(0.0, p_sat_kpa(temp) - shop.humidity * p_sat_kpa(shop.air_c))
    spray = rng.uniform(3.0, 8.0)
    rate = pull * np.where(cal.running > 0, spray, 1.0)
    wish = full * lognormal(rng, 0.022, 0.4, 0.008, 0.06) / DAY_MIN
    busy = np.repeat(cal.running.reshape(-1, DAY_MIN).max(axis=1), DAY_MIN) > 0
    return rate * (wish / max(float(rate[busy].mean()) if busy.any() else 1.0, 1e-9))


def batches(rng: np.random.Generator, cal: Calendar, full: float) -> Floats:
    """Carry-off, L/min: a batch of parts every 8-70 min of running takes its film along within 1-3 min."""
    out, running = np.zeros(len(cal.running)), np.flatnonzero(cal.running > 0)
    if not len(running):
        return out
    gap = rng.uniform(8, 70)
    ends = running[
        np.cumsum(rng.exponential(gap, int(2 * len(running) / gap) + 2)).astype(int).clip(0, len(running) - 1)
    ]
    ends = np.unique(ends)
    wish = full * lognormal(rng, 0.012, 0.5, 0.003, 0.04) * len(running) / DAY_MIN / (0.45 * len(ends))
    job = np.repeat(np.exp(walk(rng, len(out) // DAY_MIN, 0.4, 2.0)), DAY_MIN)
    for j in range(3):
        share = (0.5, 0.3, 0.2)[j]
        np.add.at(out, np.minimum(ends + j, len(out) - 1), share * wish * rng.lognormal(0, 0.5, len(ends)))
    return np.asarray(out * job)


def drain_back(rng: np.random.Generator, running: Floats, full: float) -> Floats:
    """Litres held up: a ramp to this block's own volume, sqrt outflow on a stop, and a slow dribbling
    store.
    """
    top, k_out = full * rng.uniform(0.03, 0.16), rng.uniform(0.25, 0.6)
    ramp, mist_max = rng.uniform(1.0, 4.0), full * rng.uniform(0.003, 0.015)
    dribble = mist_max / rng.uniform(40, 150)
    out, h, mist, target = np.empty(len(running)), 0.0, 0.0, top
    on, jobs = running.tolist(), np.exp(rng.normal(0, 0.15, len(running))).tolist()
    for k in range(len(on)):
        out[k] = h + mist
        if on[k]:
            target = top * jobs[k] if k == 0 or not on[k - 1] else target
            h += min(target / ramp, target - h) if h < target else 0.2 * (target - h)
            mist += (mist_max - mist) / 35.0
        else:
            h = max(0.0, h - k_out * float(np.sqrt(top * max(h, 0.0))))
            mist = max(0.0, mist - dribble)
    return out


def chips(rng: np.random.Generator, running: Floats, full: float) -> Floats:
    """Litres displaced by chips: grow with running hours, cleaned out about weekly, up to a few per cent of
    full.
    """
    if rng.random() < 0.5:
        return np.zeros(len(running))
    grown = np.cumsum(running) * full * rng.uniform(0.002, 0.006) / (13 * 60)
    cleaned, since = np.zeros(len(running)), 0.0
    for k in np.arange(int(rng.integers(3, 9)) * DAY_MIN + 800, len(running), 7 * DAY_MIN):
        cleaned[k:] += 0.9 * (grown[k] - since)
        since = grown[k]
    return np.maximum(0.0, grown - cleaned)


def pressed_ratio(rng: np.random.Generator, minutes: int) -> Floats:
    """Real over set of a venturi: pressure sags by day, a filter clogs until it is changed, and a fixed
    fault.
    """
    k = np.arange(minutes)
    sag = 1.0 - rng.uniform(0.0, 0.3) * np.exp(-((((k % DAY_MIN) - 600) / 180.0) ** 2))
    life = rng.uniform(15, 50) * DAY_MIN
    clog = 1.0 - rng.uniform(0.0, 0.3) * ((k + rng.uniform(0, life)) % life) / life
    return (
        rng.lognormal(0.08, 0.12) * sag * clog * np.exp(np.repeat(rng.normal(0, 0.03, minutes // 60 + 1), 60)[:minutes])
    )


def draw_habits(rng: np.random.Generator, correct_p: float, loss: Loss, days: int) -> Habits:
    """People who add little and often: about as much as a day loses, 5-15 L."""
    a_day = float((loss.water_l.sum() + loss.carry_l.sum()) / days)
    return Habits(
        correct_p=correct_p,
        water_p=float(rng.uniform(0.0, 0.3)),
        rich_p=float(rng.uniform(0.0, 0.06)),
        log_p=float(rng.choice([1.0, 0.5, 0.0], p=[0.25, 0.35, 0.4])),
        reads_per_week=float(rng.choice([1.0, 2.0, 3.0])),
        reading_sd_brix=float(rng.uniform(0.08, 0.3)),
        reading_step_brix=float(rng.choice([0.1, 0.2, 0.5])),
        wrong_p=0.04,
        fill_mean=0.97,
        fill_sd=0.02,
        trigger_spread=0.3,
        log_sd=float(rng.uniform(0.05, 0.25)),
        log_late_min=60.0,
        metered=bool(rng.random() < 0.2),
        sip_l=float(np.clip(1.6 * a_day, 5.0, 15.0)),
    )


def foam(rng: np.random.Generator, sump: Sump, running: Floats) -> Floats:
    """Litres that a sensor that looks down sees too many of: foam while running on a mix 10 % above target
    and more.
    """
    rich = np.clip(sump.books.strength_pct[:-1] / sump.fluid.target_pct - 1.1, 0.0, 0.3)
    puff = np.abs(np.repeat(rng.normal(0, 1, len(running) // 20 + 1), 20)[: len(running)])
    return running * rich * puff * 0.12 * sump.full_l


def sense(rng: np.random.Generator, shop: Shop, sump: Sump, parts: Parts) -> None:
    """Sensors: level always, a running contact on one in seven, temperature on a third, inline Brix on a
    quarter.
    """
    running, temp, minutes = parts.calendar.running, parts.temp_c, len(parts.temp_c)
    tank = draw_tank(rng, sump.high_l, ledge=0.2)
    sensor = draw_sensor(rng, tank, minutes)
    sump.curve = fitted_curve(rng, tank, sensor)
    gaps, stuck = draw_gaps(rng, minutes, 9.0, 0.5, 14.0), draw_gaps(rng, minutes, 30.0, 1.0, 20.0)
    keep, offset = present(minutes, gaps) & (rng.random(minutes) > 0.01), int(rng.integers(0, 55))
    standing = sump.books.volume_l[:-1] + parts.foreign_l - parts.held_l
    if sensor.kind == "ultrasonic":
        standing = standing + foam(rng, sump, running)
    raw = read_level(rng, tank, sensor, np.maximum(0.0, standing), running, temp, shop.air_c)
    sump.streams.append(sample("level", freeze(raw, stuck), keep, 1, offset, 1))
    sump.events += outage_events(sump.id, gaps, "gap") + outage_events(sump.id, stuck, "stuck")
    if rng.random() < 0.15:
        sump.streams.append(on_change(running, keep, offset))
    if rng.random() < 0.33:
        sump.streams.append(sample("temperature", temp + rng.normal(0, 0.3, minutes), keep, 10, offset + 1, 1))
    if rng.random() < 0.25:
        brix = inline_brix(rng, sump.books.strength_pct[:-1], sump.fluid.factor, parts.oil_brix, running)
        sump.streams.append(sample("brix", brix, keep, 2, offset + 2, 2))
    sump.troubles += [sensor.kind, *(f"+{stream.signal}" for stream in sump.streams[1:])]
    sump.troubles += ["metered"] if parts.habits.metered else []
    sump.troubles += ["chips"] if (parts.foreign_l > 0).any() and not parts.oil_brix.any() else []
