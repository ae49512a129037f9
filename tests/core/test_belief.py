"""The belief: figures that agree with one another, with the mixture they come from and with the plant."""

from __future__ import annotations

from dataclasses import replace
from math import exp, sqrt

import numpy as np
import pytest

from agent.core import strength
from agent.core.belief import CURVE_SHARE, STALE_S, belief_at, mixture_at, quick_strength, volume
from agent.core.outputs import Belief
from agent.core.step import belief_at as asked
from agent.core.step import dump, start, step
from agent.core.sump import book_losses
from agent.records import Record
from tests.replay.small import (
    DAY_S,
    MILL,
    SITE,
    T0,
    Plant,
    Pour,
    drive,
    hand,
    in_order,
    seed_here,
    simulate,
    site_of,
    written,
)

HOUR_S = 3600.0


@pytest.fixture(scope="module")
def fortnight():
    """Two weeks of a mill: pours every other day, a reading twice a week, five minutes between levels."""
    seed = seed_here()
    print(f"seed {seed}")
    rng = np.random.default_rng(seed)
    pours = [Pour(24.0 * d + 17.0, 28.0, pct=2.6) for d in range(2, 14, 2)]
    days = simulate(rng, Plant(pours=pours, volume_l=190.0), 24.0 * 14, 300.0)
    reads = [T0 + DAY_S * d for d in (1.5, 4.6, 8.5, 11.6)]
    readings = [hand(t, round(days.pct[days.at(t)] / 1.5 + rng.normal(0.0, 0.1), 1)) for t in reads]
    records = in_order(days.contact(), days.levels(), readings)
    return days, records, drive(records)


def test_every_figure_is_there_and_agrees_with_the_others(fortnight):
    _, _, run = fortnight
    assert len(run.beliefs) == 14 * 24
    for b in run.beliefs:
        check_figures(b)


def check_figures(b: Belief) -> None:
    numbers = {k: v for k, v in b.row().items() if isinstance(v, float)}
    assert all(np.isfinite(v) for v in numbers.values())
    assert None not in (b.volume_l, b.volume_sd, b.strength_pct, b.strength_sd, b.strength_p05, b.strength_p95)
    assert 0.0 <= b.strength_p05 < b.strength_pct < b.strength_p95
    assert b.volume_sd > 0.0 and b.strength_sd > 0.0
    assert 0.0 <= b.evaporation_share <= 1.0
    total = b.evaporation_l_per_day + b.carry_off_l_per_day
    if total > 1e-3:
        assert b.evaporation_share == pytest.approx(b.evaporation_l_per_day / total, abs=1e-4)
    assert b.hold_makeup_pct == pytest.approx(MILL.target_pct * (1.0 - b.evaporation_share))
    if b.hours_to_low is not None:
        assert b.hours_to_low_p05 <= b.hours_to_low <= (b.hours_to_low_p95 or 1e9)
    assert b.status in ("learning", "settled", "stale")


def test_volume_and_strength_are_those_of_the_plant(fortnight):
    days, _, run = fortnight
    late = [b for b in run.beliefs if b.time > T0 + 5 * DAY_S]
    at = [days.at(b.time) for b in late]
    off = np.array([b.volume_l for b in late]) - days.volume_l[at]
    assert np.sqrt(np.mean(off**2)) < 0.006 * MILL.full_l
    assert np.mean(np.abs(off) < 1.645 * np.array([b.volume_sd for b in late])) > 0.85
    inside = [b.strength_p05 <= days.pct[i] <= b.strength_p95 for b, i in zip(late, at, strict=True)]
    assert np.mean(inside) > 0.7  # one sump, one draw: coverage is judged over many, elsewhere
    assert np.sqrt(np.mean([(b.strength_pct - days.pct[i]) ** 2 for b, i in zip(late, at, strict=True)])) < 0.5


def test_losses_are_those_of_the_plant(fortnight):
    """0.84 L an hour for 80 hours a week, 0.04 for the others: a week's loss, whatever its split."""
    _, _, run = fortnight
    last = run.beliefs[-1]
    total = (0.84 * 80 + 0.04 * 88) / 7.0
    assert last.evaporation_l_per_day + last.carry_off_l_per_day == pytest.approx(total, rel=0.3)
    assert last.makeup_pct == pytest.approx(2.6, abs=3.0 * last.makeup_sd)


def test_status_learns_settles_and_goes_stale():
    rng = np.random.default_rng(2)
    days = simulate(rng, Plant(volume_l=210.0, loses_l_per_h=0.4), 24.0 * 8, 600.0)
    records = in_order(days.contact(), days.levels(), [hand(T0 + 2.5 * DAY_S, 4.6)])
    end = [replace_time(records[-1], T0 + 8.5 * DAY_S)]
    status = {b.time - T0: b.status for b in drive([*records, *end]).beliefs}
    assert status[DAY_S] == "learning" and status[7 * DAY_S] == "settled"
    assert status[8 * DAY_S + STALE_S + HOUR_S] == "stale"
    unread = drive([*in_order(days.contact(), days.levels()), *end])
    assert {b.status for b in unread.beliefs} == {"learning", "stale"}, "without a reading nothing is settled"


def replace_time(record, time: float):
    import msgspec

    return msgspec.structs.replace(record, time=time)


def test_before_the_first_level_the_prior_is_told():
    """A sump that says nothing yet still has a belief at each multiple, wide and stale."""
    site = site_of("mill-1", "mill-2")
    days = simulate(np.random.default_rng(3), Plant(), 6.0)
    run = drive(days.levels("mill-1"), site)
    silent = [b for b in run.beliefs if b.sump == "mill-2"]
    assert [b.time for b in silent] == [b.time for b in run.beliefs if b.sump == "mill-1"]
    for b in silent:
        check_figures(b)
        assert b.status == "stale" and b.volume_sd >= 0.1 * MILL.full_l
        assert b.strength_p05 < MILL.target_pct < b.strength_p95
    spoken = [b for b in run.beliefs if b.sump == "mill-1"]
    assert spoken[-1].volume_sd < 0.5 * silent[-1].volume_sd


def test_blindness_widens_both_intervals_hour_by_hour(fortnight):
    days, records, _ = fortnight
    state = drive(records).state
    sump, last = state.sumps["mill-2"], records[-1].time
    seen = [belief_at(sump, last + HOUR_S * h) for h in (0, 2, 5, 12, 24, 72)]
    for before, after in zip(seen, seen[1:], strict=False):
        assert after.volume_sd > before.volume_sd
        assert after.strength_p95 - after.strength_p05 > before.strength_p95 - before.strength_p05
        assert after.volume_l < before.volume_l
    rates = sump.tracker.rates
    walked = sum(
        60.0 * (s * rates.running + (1.0 - s) * rates.idle)
        for s in (sump.tracker.running_share(last + HOUR_S * h) for h in range(72))
    )
    assert seen[0].volume_l - seen[-1].volume_l == pytest.approx(walked, rel=0.05)


def test_what_people_say_went_in_while_the_level_is_not_seen_is_in_the_volume():
    days = simulate(np.random.default_rng(8), Plant(pours=[Pour(50.0, 30.0)], volume_l=175.0), 56.0)
    said = Record(T0 + 50.5 * HOUR_S, "mill-2", "addition", volume_l=30.0, pct=2.5)
    blind = [r for r in days.levels() if not 48.0 < (r.time - T0) / HOUR_S < 54.0]
    unsaid, told = (drive(in_order(days.contact(), blind, words)) for words in ([], [said]))
    at = T0 + 52.0 * HOUR_S
    true = days.volume_l[days.at(at)]
    assert unsaid.belief(at).volume_l < true - 20.0
    assert told.belief(at).volume_l == pytest.approx(true, abs=3.0)
    assert told.belief(at).volume_sd > unsaid.belief(at).volume_sd
    assert told.belief(T0 + 55.0 * HOUR_S).volume_l == pytest.approx(days.volume_l[-1], abs=3.0)


def test_several_branches_are_one_volume_with_the_spread_between_them(fortnight):
    _, records, _ = fortnight
    sump = drive(records).state.sumps["mill-2"]
    tracker = sump.tracker
    other = tracker.branches[0].copy()
    other.V += 12.0
    other.logw = tracker.branches[0].logw + np.log(0.25)
    tracker.branches = [tracker.branches[0], other]
    a, b = tracker.branches
    mean = 0.8 * a.V + 0.2 * b.V
    var = 0.8 * (a.pvv + (a.V - mean) ** 2) + 0.2 * (b.pvv + (b.V - mean) ** 2) + (CURVE_SHARE * MILL.full_l) ** 2
    assert volume(sump, tracker.time) == pytest.approx((mean, sqrt(var)))


def test_strength_is_that_of_the_mixture_carried_on_by_what_was_lost_since(fortnight):
    _, records, _ = fortnight
    sump = drive(records).state.sumps["mill-2"]
    now = sump.tracker.time
    b, mix = belief_at(sump, now), sump.ledger.mix
    lost = sump.tracker.best().lost_so_far() - sump.loss_from
    mean, sd = strength.moments(mix, strength.C)
    share = strength.moments(mix, strength.E)[0]
    grow = exp(share * lost / b.volume_l)
    assert b.strength_pct == pytest.approx(mean * grow, rel=1e-6)
    assert b.strength_sd == pytest.approx(sd * grow, rel=1e-6)
    carried = mixture_at(sump, now, b.volume_l)
    assert strength.moments(carried, strength.C) == pytest.approx((b.strength_pct, b.strength_sd), rel=1e-6)
    for p, told in ((0.05, b.strength_p05), (0.95, b.strength_p95)):
        assert strength.quantile(carried, strength.C, p) == pytest.approx(told, abs=0.02)
    assert quick_strength(sump, now, b.volume_l) == pytest.approx((b.strength_p05, b.strength_p95), abs=1e-6)


def test_a_level_that_was_wrong_and_comes_back_has_concentrated_nothing(fortnight):
    _, records, _ = fortnight
    sumps = [drive(records).state.sumps["mill-2"] for _ in range(2)]
    for hours, wrong_l in enumerate((20.0, 20.0, 0.0, 0.0, 0.0, 0.0), start=1):
        for sump, off_l in zip(sumps, (0.0, wrong_l), strict=True):
            branch = sump.tracker.best()
            right_l = branch.V
            branch.V += off_l
            book_losses(sump, sump.loss_time + HOUR_S * hours)
            branch.V = right_l
    straight, bent = (strength.moments(sump.ledger.mix, strength.C)[0] for sump in sumps)
    assert bent == pytest.approx(straight, rel=0.01)


def test_what_is_being_poured_is_already_in_the_belief():
    """Half an hour of pouring is not waited for: volume and strength move with the level."""
    rng = np.random.default_rng(4)
    days = simulate(rng, Plant(pours=[Pour(60.2, 40.0, minutes=40.0)], volume_l=170.0), 61.0)
    run = drive(in_order(days.contact(), days.levels()), every_s=300.0)
    before, during = run.belief(T0 + 60.0 * HOUR_S), run.belief(T0 + 60.75 * HOUR_S)
    assert during.volume_l == pytest.approx(days.volume_l[days.at(during.time)], abs=3.0)
    diluted = (before.strength_pct * before.volume_l + 2.5 * (during.volume_l - before.volume_l)) / during.volume_l
    assert during.strength_pct == pytest.approx(diluted, abs=0.4)
    known = before.strength_sd * before.volume_l / during.volume_l
    assert during.strength_sd > 1.02 * known, "nobody knows yet what it was"


def test_asking_changes_nothing_that_is_written(fortnight):
    """The live view asks many times an hour; the same records must still give the same bytes."""
    _, records, run = fortnight
    state, said = start(SITE), []
    for k, record in enumerate(records[:2500]):
        state, outputs = step(state, record, SITE)
        said += outputs
        if k % 3 == 0:
            asked(state, "mill-2", record.time + 7.0 * (k % 40), SITE)
    assert written(said) == written(run.said)[: len(said)]


def test_asking_leaves_the_state_as_it_was(fortnight):
    _, records, _ = fortnight
    state = drive(records[:900]).state
    asked(state, "mill-2", records[899].time, SITE)
    before = dump(state)
    for minutes in range(0, 300, 7):
        first = asked(state, "mill-2", records[899].time + 60.0 * minutes, SITE)
        assert asked(state, "mill-2", records[899].time + 60.0 * minutes, SITE) == first
    after = drive(records[900:1000], state=state)
    again = drive(records[:1000])
    assert written(after.said) == written(again.said)[-len(after.said) :] and len(before) > 1000


def test_a_leak_is_neither_evaporation_nor_carry_off():
    sump = drive(simulate(np.random.default_rng(5), Plant(), 30.0).levels()).state.sumps["mill-2"]
    rates = sump.tracker.rates
    rates.running, rates.idle = 0.03, 0.025
    sump.leak.rate_l_per_h, sump.leak.since = 1.2, sump.tracker.time
    with_leak = belief_at(sump, sump.tracker.time)
    sump.leak.rate_l_per_h, rates.running, rates.idle = 0.0, 0.01, 0.005
    without = belief_at(sump, sump.tracker.time)
    assert with_leak.evaporation_l_per_day == pytest.approx(without.evaporation_l_per_day)
    assert with_leak.carry_off_l_per_day == pytest.approx(without.carry_off_l_per_day)


def test_other_marks_and_targets_are_heeded_at_once():
    days = simulate(np.random.default_rng(6), Plant(), 30.0)
    sump = drive(days.levels()).state.sumps["mill-2"]
    now = sump.tracker.time
    first = belief_at(sump, now)
    sump.spec = replace(sump.spec, target_pct=8.0, usual_pct=5.0)
    second = belief_at(sump, now)
    assert second.hold_makeup_pct == pytest.approx(first.hold_makeup_pct * 8.0 / 7.0)
    assert second.makeup_pct == pytest.approx(2.0 * first.makeup_pct)
