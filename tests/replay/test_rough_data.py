"""Level data as it is in the world: the estimator stays up, says when it is blind, and recovers without a restart."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from agent.records import Record
from tests.replay.small import (
    DAY_S,
    MILL,
    T0,
    Days,
    Plant,
    Pour,
    Run,
    drive,
    hand,
    in_order,
    level,
    seed_here,
    simulate,
    site_of,
)

HOUR_S = 3600.0
DAYS = 16
POURS = [Pour(24.0 * d + 11.0, 30.0, minutes=6.0) for d in range(2, DAYS, 3)]
PLANT = Plant(volume_l=185.0, pours=POURS, loses_l_per_h=0.65, noise_l=0.4)
Spoil = Callable[[np.random.Generator, Days], np.ndarray]


def lived(spoil: Spoil, seed: int, contact: bool = True, period_s: float = 600.0) -> tuple[Days, Run]:
    """Two weeks and more at ten minutes; `spoil` gives what the sensor sends, nan where it sends nothing."""
    rng = np.random.default_rng(seed)
    days = simulate(rng, PLANT, 24.0 * DAYS, period_s)
    sent = spoil(rng, days)
    levels = [level(t, round(v, 1)) for t, v in zip(days.time.tolist(), sent.tolist(), strict=True) if np.isfinite(v)]
    reads = [hand(t, round(days.pct[days.at(t)] / 1.5, 1)) for t in T0 + DAY_S * np.array([1.4, 5.4, 8.4, 12.4])]
    return days, drive(in_order(days.contact() if contact else [], levels, reads))


def hours(days: Days) -> np.ndarray:
    return (days.time - T0) / HOUR_S


def part(days: Days, from_h: float, to_h: float) -> np.ndarray:
    return (hours(days) >= from_h) & (hours(days) < to_h)


def gap_of_days(rng: np.random.Generator, days: Days) -> np.ndarray:
    return np.where(part(days, 24 * 6.2, 24 * 9.6), np.nan, days.seen_l)


def clamped(rng: np.random.Generator, days: Days) -> np.ndarray:
    return np.where(part(days, 24 * 6.2, 24 * 7.6), np.where(rng.random(len(days.time)) < 0.5, 300.0, 0.0), days.seen_l)


def spiky(rng: np.random.Generator, days: Days) -> np.ndarray:
    spike = rng.random(len(days.time)) < 0.003
    return np.where(spike, rng.uniform(0.0, 300.0, len(days.time)), days.seen_l)


def frozen(rng: np.random.Generator, days: Days) -> np.ndarray:
    out = days.seen_l.copy()
    stuck = part(days, 24 * 6.2, 24 * 7.9)
    out[stuck] = out[np.argmax(stuck)]
    return out


def other_unit_up(rng: np.random.Generator, days: Days) -> np.ndarray:
    return np.where(part(days, 24 * 6.2, 24 * 7.2), 10.0 * days.seen_l, days.seen_l)


def other_unit_down(rng: np.random.Generator, days: Days) -> np.ndarray:
    return np.where(part(days, 24 * 6.2, 24 * 7.2), 0.1 * days.seen_l, days.seen_l)


def humid(rng: np.random.Generator, days: Days) -> np.ndarray:
    return days.seen_l + 3.0 * np.sin(2.0 * np.pi * hours(days) / 60.0)


def dribbling(rng: np.random.Generator, days: Days) -> np.ndarray:
    """A bad joint in the cable: nine of ten samples of four days are lost."""
    lost = part(days, 24 * 6.2, 24 * 10.2) & (rng.random(len(days.time)) < 0.9)
    return np.where(lost, np.nan, days.seen_l)


SPOILS = [gap_of_days, clamped, spiky, frozen, other_unit_up, other_unit_down, humid, dribbling]
BLIND_H = {gap_of_days: (6.2, 9.6), clamped: (6.2, 7.6), frozen: (6.2, 7.9), other_unit_up: (6.2, 7.2)}


def check_stays_up(days: Days, run: Run) -> None:
    """Every belief is there, finite and honest about the volume; findings keep their numbers."""
    assert [b.time for b in run.beliefs] == [T0 + HOUR_S * h for h in range(24 * DAYS)]
    for b in run.beliefs:
        figures = [v for v in b.row().values() if isinstance(v, float)]
        assert all(np.isfinite(v) for v in figures) and 0.0 <= b.strength_p05 < b.strength_p95
        assert 0.0 < b.volume_sd < MILL.full_l and 0.0 < b.volume_l < 1.3 * MILL.full_l
    revisions: dict[str, int] = {}
    for f in run.findings:
        assert f.revision == revisions.get(f.id, -1) + 1
        revisions[f.id] = f.revision


@pytest.mark.parametrize("contact", [True, False], ids=["contact", "no contact"])
@pytest.mark.parametrize("spoil", SPOILS, ids=lambda f: f.__name__)
def test_it_stays_up_and_recovers(spoil, contact):
    seed = seed_here()
    print(f"seed {seed}")
    days, run = lived(spoil, seed, contact)
    check_stays_up(days, run)
    late = [b for b in run.beliefs if b.time > T0 + 14.5 * DAY_S]  # days after the trouble, without a restart
    off = np.array([b.volume_l - days.volume_l[days.at(b.time)] for b in late])
    assert np.median(np.abs(off)) < (0.02 if spoil is not humid else 0.03) * MILL.full_l
    assert {b.status for b in late} == {"settled"}
    truth = np.array([days.pct[days.at(b.time)] for b in late])
    assert np.sqrt(np.mean((np.array([b.strength_pct for b in late]) - truth) ** 2)) < 1.2


@pytest.mark.parametrize("spoil", list(BLIND_H), ids=lambda f: f.__name__)
def test_where_it_is_blind_it_says_so_and_widens(spoil):
    days, run = lived(spoil, 31)
    first, last = BLIND_H[spoil]
    before = run.belief(T0 + np.floor(24 * first) * HOUR_S)
    inside = [b for b in run.beliefs if T0 + (24 * first + 7) * HOUR_S < b.time < T0 + 24 * last * HOUR_S]
    assert inside and {b.status for b in inside} == {"stale"}
    assert inside[-1].volume_sd > 2.0 * before.volume_sd
    widths = [b.strength_p95 - b.strength_p05 for b in (before, inside[0], inside[-1])]
    assert widths[0] < widths[1] < widths[2]
    for b in inside:
        assert abs(b.volume_l - days.volume_l[days.at(b.time)]) < 3.0 * b.volume_sd


def test_ten_minutes_between_levels_still_find_the_pours():
    """The poor transmitter's plain weeks: every pour found, none invented, to a hundredth and a half of the tank."""
    seed = seed_here()
    print(f"seed {seed}")
    _, run = lived(lambda rng, days: days.seen_l, seed)
    stand = run.moved()
    assert [f.kind for f in stand] == ["top_off"] * len(POURS)
    for finding, pour in zip(stand, POURS, strict=True):
        assert abs(finding.start - T0 - HOUR_S * pour.hour) <= 900.0
        assert finding.volume_l == pytest.approx(pour.litres, abs=0.015 * MILL.full_l)


def test_spikes_are_no_pours_and_no_drains():
    _, run = lived(spiky, 32)
    assert [f.kind for f in run.moved()] == ["top_off"] * len(POURS)


def test_another_unit_for_a_day_is_no_leak_and_no_evaporation():
    """A tenth of the litres for a day: whatever it was taken for, the strength is not dragged out of its interval."""
    days, run = lived(other_unit_down, 33)
    late = [b for b in run.beliefs if b.time > T0 + 13 * DAY_S]
    inside = [b.strength_p05 <= days.pct[days.at(b.time)] <= b.strength_p95 for b in late]
    assert np.mean(inside) > 0.5
    assert [f for f in run.standing("leak") if f.end is None] == []


def test_rubbish_from_one_sensor_does_not_touch_its_neighbour():
    site, rng = site_of("mill-1", "mill-2"), np.random.default_rng(34)
    days = simulate(rng, PLANT, 24.0 * 4, 600.0)
    rubbish = [
        level(t + 1.0, v, "mill-1") for t, v in zip(days.time, rng.uniform(-50.0, 400.0, len(days.time)), strict=True)
    ]
    alone = drive(in_order(days.contact(), days.levels()), site)
    beside = drive(in_order(days.contact(), days.levels(), rubbish), site)
    for one, other in zip(alone.beliefs, beside.beliefs, strict=True):
        assert one.sump == "mill-1" or one == other


def test_a_clock_that_stands_still_or_steps_back_is_survived():
    """Twice the same hour, and an hour of one and the same second."""
    days = simulate(np.random.default_rng(35), PLANT, 24.0 * 4, 60.0)
    records = in_order(days.contact(), days.levels())
    back = [
        Record(r.time - HOUR_S, r.sump, r.signal, r.value) for r in records if T0 + DAY_S < r.time < T0 + DAY_S + HOUR_S
    ]
    still = [
        Record(T0 + 2 * DAY_S, r.sump, r.signal, r.value) for r in records if 0 <= r.time - T0 - 2 * DAY_S < HOUR_S
    ]
    kept = [r for r in records if not 0 <= r.time - T0 - 2 * DAY_S < HOUR_S]
    at = next(i for i, r in enumerate(kept) if r.time > T0 + DAY_S + HOUR_S)
    second = next(i for i, r in enumerate(kept) if r.time > T0 + 2 * DAY_S)
    run = drive([*kept[:at], *back, *kept[at:second], *still, *kept[second:]])
    last = run.beliefs[-1]
    assert last.volume_l == pytest.approx(days.volume_l[days.at(last.time)], abs=4.0 * last.volume_sd)
