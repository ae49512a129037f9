"""The outlook: hours to the low mark, against the coming weeks walked through hour by hour."""

from __future__ import annotations

from array import array
from math import exp

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.core.outlook import HORIZON_H, RATE_SPREAD, hours_until
from agent.core.sump import Sump, new_sump
from agent.core.tracker import HOURS_A_WEEK
from tests.replay.small import MILL, T0, Plant, drive, in_order, simulate

Z90 = 1.6448536269514722  # of a normal between its 5 % and 95 % quantiles


def a_sump(seed: int) -> Sump:
    """A sump with a drawn week and drawn losses."""
    rng, sump = np.random.default_rng(seed), new_sump(MILL)
    tracker = sump.tracker
    tracker.rates.running, tracker.rates.idle = float(rng.uniform(0.0, 0.05)), float(rng.uniform(-0.001, 0.004))
    tracker.habit = array("d", rng.uniform(0.0, 20.0, 2 * HOURS_A_WEEK))
    return sump


def walked(sump: Sump, when: float, room_l: float, pace: float) -> float | None:
    """Hours until `room_l` litres are lost at `pace` times the learned rates, one hour after the other."""
    rates, hour = sump.tracker.rates, int(when // 3600.0)
    week = [sump.tracker.running_share(3600.0 * h) for h in range(HOURS_A_WEEK)]
    for ahead in range(HORIZON_H):
        share = week[(hour + ahead) % HOURS_A_WEEK]
        loss = pace * 60.0 * (share * max(rates.running, 0.0) + (1.0 - share) * max(rates.idle, 0.0)) + 1e-12
        if loss >= room_l:
            return ahead + max(room_l, 0.0) / loss
        room_l -= loss
    return None


@settings(max_examples=40)
@given(st.integers(0, 2**32 - 1), st.integers(0, 400), st.integers(-50, 800), st.floats(0.0, 5.0))
def test_hours_to_the_mark_are_those_of_the_week_walked_through(seed, hour, tenths, sd):
    sump, room, when = a_sump(seed), tenths / 10.0, T0 + 3600.0 * hour
    likely, early, late = hours_until(sump, when, MILL.low_l + room, sd, MILL.low_l)
    wanted = (
        walked(sump, when, room, 1.0),
        walked(sump, when, room - Z90 * sd, exp(Z90 * RATE_SPREAD)),
        walked(sump, when, room + Z90 * sd, exp(-Z90 * RATE_SPREAD)),
    )
    for got, want in zip((likely, early, late), wanted, strict=True):
        assert got == (None if want is None else pytest.approx(want, abs=0.02, rel=1e-3))
    assert early is not None or likely is None
    if likely is not None:
        assert early <= likely and (late is None or likely <= late)
        assert (likely == 0.0) == (room <= 0.0)


def test_the_interval_is_a_ninety_per_cent_one_of_its_own_model():
    """Volume normal, the coming rate lognormal: their quantiles, taken together, hold at least what they promise."""
    sump, rng, inside = a_sump(5), np.random.default_rng(6), 0
    sump.tracker.rates.running = 0.03
    _, early, late = hours_until(sump, T0, 170.0, 2.0, MILL.low_l)
    for _ in range(400):
        pace = exp(RATE_SPREAD * rng.normal())
        truth = walked(sump, T0, 30.0 + 2.0 * rng.normal(), pace)
        inside += early <= truth <= late
    assert 0.87 * 400 <= inside <= 0.99 * 400


def test_it_does_not_matter_who_asked_before():
    """The week ahead is kept for an hour: another hour asked for in between changes nothing."""
    fresh = hours_until(a_sump(9), T0 + 18_000.0, 180.0, 1.0, 140.0)
    asked = a_sump(9)
    for hour in (0, 2, 5, 30):
        hours_until(asked, T0 + 3600.0 * hour, 180.0, 1.0, 140.0)
    assert hours_until(asked, T0 + 18_000.0, 180.0, 1.0, 140.0) == fresh


def test_a_weekend_is_seen_coming():
    """A shop that stands still from Friday night: a mark that the week's pace would reach on Saturday comes later."""
    plant = Plant(loses_l_per_h=1.0, idle_l_per_h=0.02, volume_l=265.0, held_l=10.0, noise_l=0.15)
    days = simulate(np.random.default_rng(8), plant, 24.0 * 25.0, 600.0)
    run = drive(in_order(days.contact(), days.levels()))
    sump, friday = run.state.sumps["mill-2"], T0 + 24.0 * 3600.0 * 25.0
    tracker = sump.tracker
    working = np.mean([tracker.running_share(friday + 3600.0 * h) for h in range(1, 15)])
    weekend = np.mean([tracker.running_share(friday + 3600.0 * h) for h in range(25, 71)])
    assert weekend < 0.7 * working
    room = 1.25 * tracker.loss_ahead(friday, 24)[-1]  # five quarters of what the Friday takes
    likely, _, _ = hours_until(sump, friday, MILL.low_l + room, 0.3, MILL.low_l)
    assert likely > 24.0 + 8.0
