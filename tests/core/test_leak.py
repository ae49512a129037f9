"""The leak watch: a litre and a half an hour is said within a day, and a month without a leak says nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.core.leak import Hour, LeakWatch, scatter, set_bar
from agent.core.outputs import Finding
from agent.records import Record
from tests.replay.small import DAY_S, T0, Days, Plant, Pour, Run, drive, hand, in_order, seed_here, simulate

HOUR_S = 3600.0
ONSET_H = 24.0 * 12 + 5.0


def machine(rng: np.random.Generator, days: int, **changes: object) -> Days:
    """A two-shift machine, filled every third day, sampled each five minutes: what a month of it costs is seconds."""
    pours = [Pour(24.0 * d + 17.0, 3.0 * 13.0, minutes=8.0) for d in range(2, days, 3)]
    plant = Plant(volume_l=185.0, held_l=12.0, pours=pours, loses_l_per_h=0.75, runs=two_shifts)
    return simulate(rng, replace(plant, **changes), 24.0 * days, 300.0)  # type: ignore[arg-type]


def two_shifts(hour: float) -> bool:
    return hour % 24.0 < 15.5 and hour < 144.0


def watched(days: Days, contact: bool = True, words: list[Record] | None = None) -> Run:
    return drive(in_order(days.contact() if contact else [], days.levels(), words or []))


def leaks(run: Run) -> list[Finding]:
    return [f for f in run.findings if f.kind == "leak"]


@pytest.mark.parametrize("contact", [True, False])
def test_a_leak_of_a_litre_and_a_half_an_hour_is_said_within_a_day(contact):
    seed = seed_here()
    print(f"seed {seed}")
    days = machine(np.random.default_rng(seed), 14, leak_l_per_h=1.5, leak_from_h=ONSET_H)
    told = leaks(watched(days, contact))
    assert told and not told[0].withdrawn
    assert ONSET_H * HOUR_S < told[0].time - T0 <= (ONSET_H + 24.0) * HOUR_S
    assert told[0].start - T0 == pytest.approx(ONSET_H * HOUR_S, abs=12.0 * HOUR_S)
    assert told[0].rate_l_per_h == pytest.approx(1.5, abs=max(0.5, 3.0 * told[0].rate_sd))


def test_a_leak_is_said_within_a_day_though_the_machine_never_stands_still():
    """Three shifts from Monday to Friday, the leak begins on Monday: no idle hour agrees before the weekend."""
    onset_h = 24.0 * 14 + 5.0
    days = machine(
        np.random.default_rng(6), 16, leak_l_per_h=1.5, leak_from_h=onset_h, runs=lambda hour: hour % 168.0 < 120.0
    )
    told = leaks(watched(days))
    assert told and onset_h * HOUR_S < told[0].time - T0 <= (onset_h + 24.0) * HOUR_S
    assert told[0].rate_l_per_h == pytest.approx(1.5, abs=0.6)


@pytest.mark.parametrize("contact", [True, False])
def test_thirty_days_without_a_leak_say_nothing(contact):
    """Withdrawn ones count: whoever was called out for nothing was called out."""
    seed = seed_here()
    print(f"seed {seed}")
    assert leaks(watched(machine(np.random.default_rng(seed), 30), contact)) == []


def test_the_leak_is_no_evaporation():
    """What leaks leaves at the strength it has: unlike evaporation it must not make the mix stronger."""
    days = machine(np.random.default_rng(3), 16, leak_l_per_h=1.5, leak_from_h=ONSET_H)
    read = [hand(t, days.pct[days.at(t)] / 1.5) for t in T0 + DAY_S * np.array([3.0, 7.0, 11.5])]
    run = watched(days, words=read)
    assert leaks(run)
    for b in run.beliefs[-24:]:
        assert b.strength_p05 - 0.2 < days.pct[days.at(b.time)] < b.strength_p95 + 0.2


def test_a_leak_that_was_mended_is_said_to_have_stopped():
    rng = np.random.default_rng(4)
    days = machine(rng, 17, leak_l_per_h=1.5, leak_from_h=ONSET_H)
    mended = (days.time - T0) / HOUR_S - (ONSET_H + 40.0)
    days.seen_l += np.clip(mended, 0.0, None) * 1.5  # from then on nothing of it goes any more
    days.volume_l += np.clip(mended, 0.0, None) * 1.5
    told = leaks(watched(days))
    assert [f.revision for f in told] == list(range(len(told))) and len({f.id for f in told}) == 1
    assert told[-1].end is not None and not told[-1].withdrawn
    assert told[-1].end - T0 == pytest.approx((ONSET_H + 40.0) * HOUR_S, abs=24.0 * HOUR_S)


def test_a_person_who_finds_no_leak_is_heard():
    """Dismissed: it is taken back, and for days nothing more is said of it."""
    days = machine(np.random.default_rng(5), 16, leak_l_per_h=1.5, leak_from_h=ONSET_H)
    first = leaks(watched(days))[0]
    word = Record(first.time + HOUR_S, "mill-2", "dismissal", of=first.id)
    told = leaks(watched(days, words=[word]))
    assert [(f.id, f.withdrawn) for f in told] == [(first.id, False), (first.id, True)]
    assert told[1].revision == first.revision + 1 and told[1].time == word.time


# ---- the bar


@settings(max_examples=40)
@given(st.integers(0, 2**32 - 1))
def test_the_bar_is_what_this_sump_loses_running_and_idle(seed):
    rng = np.random.default_rng(seed)
    running, idle, noise = rng.uniform(0.3, 2.0), rng.uniform(0.0, 0.2), rng.uniform(0.02, 0.3)
    hours = []
    for k in range(14 * 24):
        ran = 1.0 if k % 24 < 16 else 0.0
        lost = running * ran + idle * (1.0 - ran) + rng.normal(0.0, noise)
        hours.append(Hour(T0 + HOUR_S * (k + 1), float(lost), ran, k % 24 >= 17))
    bar = set_bar(hours)
    assert bar is not None
    assert bar.running == pytest.approx(running, abs=6.0 * noise / np.sqrt(200.0))
    assert bar.idle == pytest.approx(idle, abs=8.0 * noise / np.sqrt(90.0))
    assert bar.expected(hours[0]) == bar.running and bar.expected(hours[20]) == bar.idle
    for n, spread in {**bar.idle_sd, **bar.whole_sd}.items():
        assert spread > 0.5 * noise * np.sqrt(n)


def test_no_bar_is_set_from_little():
    assert set_bar([Hour(T0 + HOUR_S * k, 0.5, 1.0, False) for k in range(60)]) is None


@settings(max_examples=30)
@given(st.integers(0, 2**32 - 1), st.sampled_from([4, 9, 24]))
def test_sums_of_independent_hours_scatter_as_their_root(seed, n):
    values = np.random.default_rng(seed).normal(0.0, 1.0, 400)
    exact = np.sqrt(n)
    assert 0.7 * exact < scatter(values, n) < 2.2 * exact


def test_a_sensor_that_breathes_sets_a_wider_bar():
    """Losses that swing with the day's warmth: sums scatter more than independent hours would."""
    hours = np.arange(400)
    rng = np.random.default_rng(6)
    breath = 0.8 * np.sin(2.0 * np.pi * hours / 48.0) + rng.normal(0.0, 0.2, 400)
    plain = rng.permutation(breath)
    assert scatter(breath, 9) > 1.5 * scatter(plain, 9)


def test_an_hour_with_a_pour_or_without_sight_is_not_booked():
    """A leak watch that never sees a whole quiet hour has nothing to judge by."""
    rng = np.random.default_rng(7)
    days = simulate(rng, Plant(runs=lambda h: False, pours=[Pour(h, 4.0) for h in np.arange(3.0, 40.0, 1.0)]), 40.0)
    watch = drive(in_order(days.contact(), days.levels())).state.sumps["mill-2"].leak
    assert isinstance(watch, LeakWatch) and len(watch.hours) <= 6
