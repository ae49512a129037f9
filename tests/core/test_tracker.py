"""The level tracker on machines whose physics is known: turns are no pours, pours are found to within a per cent."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal

from agent.core import entered
from agent.core.gates import END_OF_SCALE, STUCK
from agent.core.intake import PACE_S
from agent.core.level import TAIL_ERROR, Branch, Poured
from agent.core.outputs import Finding
from agent.core.step import flags
from agent.core.tracker import SETTLE_MIN, Tracker
from agent.records import Record
from tests.replay.small import (
    LAWS,
    MILL,
    T0,
    Days,
    Plant,
    Pour,
    Run,
    drive,
    in_order,
    level,
    seed_here,
    simulate,
)

FULL_L = MILL.full_l
TURNS_H = (5.9, 9.1, 9.6, 13.7, 14.3, 21.2)  # of a working day: the pump starts and stops
CALM_H = ((0.5, 5.4), (10.3, 13.2), (15.0, 20.7))  # nothing turns for half an hour before or after


def three_runs_a_day(hour: float) -> bool:
    return hour < 144.0 and sum(hour % 24.0 > t for t in TURNS_H) % 2 == 1


def calm_hour(rng: np.random.Generator, day: int) -> float:
    low, high = CALM_H[int(rng.integers(len(CALM_H)))]
    return 24.0 * day + float(rng.uniform(low, high))


def drawn_plant(rng: np.random.Generator, law: str, days: tuple[int, ...]) -> Plant:
    """A machine with three runs a day and a pour on some days, of a size that people pour."""
    pours = [
        Pour(calm_hour(rng, d), float(rng.uniform(6.0, 30.0)), minutes=float(rng.uniform(1.0, 10.0))) for d in days
    ]
    return Plant(
        law,
        held_l=float(rng.uniform(5.0, 17.0)),
        noise_l=float(rng.uniform(0.1, 0.5)),
        loses_l_per_h=float(rng.uniform(0.2, 1.2)),
        volume_l=165.0,
        runs=three_runs_a_day,
        pours=pours,
    )


def tracked(rng: np.random.Generator, plant: Plant, days: float, contact: bool) -> tuple[Days, Run]:
    days_ = simulate(rng, plant, 24.0 * days)
    return days_, drive(in_order(days_.contact() if contact else [], days_.levels()))


def matched(run: Run, pours: list[Pour]) -> tuple[list[Finding | None], list[Finding]]:
    """What stands for each pour, and what stands for none."""
    stand = run.moved()
    found = [
        next((f for f in stand if f.kind == "top_off" and abs(f.start - T0 - 3600.0 * p.hour) < 1200.0), None)
        for p in pours
    ]
    return found, [f for f in stand if f not in found]


# ---- turns and pours


@pytest.mark.parametrize("law", LAWS)
def test_with_a_contact_no_turn_is_a_pour_and_every_pour_is_found(law):
    seed = seed_here()
    print(f"seed {seed}")
    rng = np.random.default_rng(seed)
    for _ in range(2):
        plant = drawn_plant(rng, law, (2, 4))
        days, run = tracked(rng, plant, 5.2, contact=True)
        found, more = matched(run, plant.pours)
        assert more == [] and None not in found
        for finding, pour in zip(found, plant.pours, strict=True):
            assert finding.volume_l == pytest.approx(pour.litres, abs=max(0.01 * FULL_L, 4.0 * finding.volume_sd))
        errors = [b.volume_l - days.volume_l[days.at(b.time)] for b in run.beliefs if b.time > T0 + 2 * 86400.0]
        assert np.sqrt(np.mean(np.square(errors))) < 0.006 * FULL_L


@pytest.mark.parametrize("law", ["pipes", "trough", "slow"])
def test_without_a_contact_turns_are_told_from_pours(law):
    """Nobody says when the pump runs; once the machine is known, level alone tells turns and pours apart."""
    seed = seed_here()
    print(f"seed {seed}")
    rng, missed, wrong, errors = np.random.default_rng(seed), 0, 0, []
    for _ in range(3):
        plant = drawn_plant(rng, law, (3, 4))
        _, run = tracked(rng, plant, 5.2, contact=False)
        found, more = matched(run, plant.pours)
        missed += found.count(None)
        wrong += len([f for f in more if f.start > T0 + 2 * 86400.0])
        errors += [abs(f.volume_l - p.litres) for f, p in zip(found, plant.pours, strict=True) if f]
    assert missed <= 1 and wrong <= 2
    assert np.median(errors) < 0.01 * FULL_L


@pytest.mark.parametrize(("law", "tail_l"), [("slow", 3.0), ("pipes", 0.0)])
def test_what_comes_back_for_hours_is_learned_at_long_stops(law, tail_l):
    """A fifth of 15 L returns with 40 min on one machine, none on the other; thereby the volume of a run is known."""
    plant = Plant(law, held_l=15.0, volume_l=190.0, noise_l=0.3, runs=three_runs_a_day)
    days = simulate(np.random.default_rng(22), plant, 24.0 * 12)
    run = drive(in_order(days.contact(), days.levels()))
    tracker = run.state.sumps["mill-2"].tracker
    assert tracker.long_stops >= 8
    assert tracker.rates.tail_l == pytest.approx(tail_l, abs=0.6)
    if tail_l:
        assert tracker.rates.tail_min == pytest.approx(40.0, rel=0.35)
    ran = [b for b in run.beliefs if b.time > T0 + 6 * 86400.0 and days.running[days.at(b.time)]]
    errors = [b.volume_l - days.volume_l[days.at(b.time)] for b in ran]
    assert abs(np.mean(errors)) < 0.002 * FULL_L


@pytest.mark.parametrize(
    "said",
    [False, True],
)
def test_a_rise_like_the_pumps_stop_is_a_pour_where_people_say_so(said):
    """Read every ten minutes, with no contact and 16 L held up by a pump that runs on: the level says it stops."""
    hour = 24.0 * 4 + 10.0
    plant = Plant(pours=[Pour(hour, 20.0, minutes=5.0)], noise_l=1.0, runs=lambda h: 4.0 <= h % 24.0 < 20.0)
    levels = simulate(np.random.default_rng(7), plant, hour + 1.5, 600.0).levels()
    began = T0 + 3600.0 * hour
    calm = drive(r for r in levels if r.time < began - 300.0)
    word = [Record(began + 240.0, "mill-2", "addition", volume_l=18.0, pct=2.0)] if said else []
    run = drive(in_order(word, [r for r in levels if r.time >= began - 300.0]), state=calm.state)
    assert run.state.sumps["mill-2"].tracker.best().run == said


@pytest.mark.parametrize("said_l", [16.0, 24.0])
def test_of_two_stories_the_one_whose_litres_were_entered_is_told(said_l):
    """24 L more to see: as much poured while the pump ran on, or 16 L as it stopped and 8 L came back."""
    t = Tracker(FULL_L)
    for run, poured_l in ((True, 24.0), (False, 16.0)):
        b = Branch(150.0, 0.3, t.rates, run)
        b.poured = (Poured(600.0, 900.0, poured_l, 1.0),)
        t.branches.append(b)
    t.hint(said_l, 1800.0)
    assert sum(w for w, b in zip(t.weights(), t.branches, strict=True) if b.poured[0].volume_l == said_l) > 0.8


def test_an_inflow_that_stops_short_of_what_was_entered_loses_what_the_word_gave():
    t = Tracker(FULL_L)
    for rate in (1, 0):
        b = Branch(150.0, 0.3, t.rates, run=False)
        b.start, b.v0, b.V, b.flow = 600.0, 140.0, 150.0, rate
        t.branches.append(b)
    t.hint(20.0, 900.0)
    goes_on, ended = t.branches
    assert goes_on.heard > ended.heard + 3.0
    goes_on.flow = 0
    entered.weigh(t, 960.0)
    assert goes_on.heard == ended.heard and goes_on.logw == pytest.approx(ended.logw)
    entered.weigh(t, 900.0 + 2.0 * entered.SAID_S)
    assert t.word is None and goes_on.heard == 0.0


# ---- one branch is a Kalman filter


@settings(max_examples=30)
@given(st.integers(0, 2**32 - 1))
def test_a_branch_is_least_squares_over_all_readings_and_its_weight_their_likelihood(seed):
    """V, H and G with V walking, through a stop: against one batch over every primitive, and the joint density."""
    rng, noise = np.random.default_rng(seed), 0.09
    tracker = Tracker(FULL_L, MILL.high_l)
    rates = tracker.rates
    b = Branch(160.0, noise, rates, True)
    prior_sd = [np.sqrt(noise), rates.held_sd, rates.tail_sd]  # e0, H, G: V0 = y0 + e0 + H + G
    mean = [0.0, rates.held_l, rates.tail_l]
    volume, held, tail = np.array([1.0, 1.0, 1.0]), np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0])
    base, rows, right, sds, now = 160.0, [], [], [], T0
    for k in range(40):
        if k == 20:
            before = (b.phh, b.pgg)
            b.toggle(now, rates)
            held = plus(held, unknown(mean, prior_sd, 0.0, np.sqrt(b.phh - before[0])))
            tail = plus(tail, unknown(mean, prior_sd, 0.0, np.sqrt(b.pgg - before[1])))
        minutes = float(rng.uniform(0.5, 2.0))
        now += 60.0 * minutes
        base -= (rates.running if b.run else rates.idle) * minutes
        b.predict(minutes, rates, FULL_L)
        volume = plus(volume, unknown(mean, prior_sd, 0.0, np.sqrt(rates.walk * minutes)))
        wobble = b.H * b.moving + (0.0 if b.run else TAIL_ERROR * b.G * b.u2)
        y = b.V - b.H * b.u1 - b.G * b.u2 + float(rng.normal(0.0, 0.3))
        rows.append(plus(volume, plus(-b.u1 * held, -b.u2 * tail)))
        right.append(y - base)
        sds.append(np.sqrt(noise + wobble * wobble))
        assert abs(b.observe(y, noise, FULL_L)) < 4.0
        assume(b.H > 0.0 and b.G > 0.0)  # held at nothing they are no longer Gaussian
    n = len(mean)
    H = np.stack([np.pad(r, (0, n - len(r))) for r in rows])
    prior, R = np.diag(np.square(prior_sd)), np.diag(np.square(sds))
    S = H @ prior @ H.T + R
    gain = prior @ H.T @ np.linalg.inv(S)
    theta = np.array(mean) + gain @ (np.array(right) - H @ np.array(mean))
    cov = prior - gain @ H @ prior
    T = np.stack([np.pad(r, (0, n - len(r))) for r in (volume, held, tail)])
    assert [b.V - base, b.H, b.G] == pytest.approx(T @ theta, rel=1e-6, abs=1e-6)
    wanted = [[b.pvv, b.pvh, b.pvg], [b.pvh, b.phh, b.phg], [b.pvg, b.phg, b.pgg]]
    assert np.array(wanted) == pytest.approx(T @ cov @ T.T, rel=1e-5, abs=1e-7)
    likely = multivariate_normal(H @ np.array(mean), S).logpdf(right)
    assert b.logw == pytest.approx(float(likely), abs=1e-5)


def plus(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    n = max(len(a), len(b))
    return np.pad(a, (0, n - len(a))) + np.pad(b, (0, n - len(b)))


def unknown(means: list[float], sds: list[float], mean: float, sd: float) -> np.ndarray:
    """One more independent primitive; the row that picks it."""
    means.append(mean)
    sds.append(float(sd))
    return np.eye(len(means))[-1]


# ---- sampling


@pytest.mark.parametrize(("period_s", "days"), [(1.0, 0.6), (10.0, 2.2), (600.0, 8.0)])
def test_pours_are_found_at_any_pace_of_sampling(period_s, days):
    """Once a second as a fast bus, once in ten minutes as a poor one; the pump's contact is wired."""
    seed = seed_here()
    print(f"seed {seed}")
    rng = np.random.default_rng(seed)
    day = int(days - 0.5)
    pours = [Pour(24.0 * day + 7.3, 28.0, minutes=5.0), Pour(24.0 * day + 11.5, 12.0, minutes=2.0)]
    plant = Plant(held_l=12.0, pours=pours, runs=three_runs_a_day, volume_l=165.0)
    days_ = simulate(rng, plant, 24.0 * days, period_s)
    run = drive(in_order(days_.contact(), days_.levels()))
    found, more = matched(run, pours)
    assert None not in found and more == []
    for finding, pour in zip(found, pours, strict=True):
        assert finding.volume_l == pytest.approx(pour.litres, abs=0.012 * FULL_L)
        assert abs(finding.start - T0 - 3600.0 * pour.hour) <= max(180.0, period_s)


def test_many_readings_a_minute_count_as_their_middle():
    """One in five is rubbish; together they are one reading, and nothing of the rubbish is left in it."""
    rng, records = np.random.default_rng(4), []
    for k in range(7200):
        value = 160.0 + rng.normal(0.0, 0.3) if k % 5 else float(rng.uniform(20.0, 280.0))
        records.append(level(T0 + k, value))
    run = drive(records)
    sump = run.state.sumps["mill-2"]
    assert run.moved() == []
    assert pytest.approx(160.0, abs=1.0) == sump.tracker.best().V
    assert len(sump.tracker.recent) <= 7200 / PACE_S + 1


# ---- what sensors do


def test_spikes_move_nothing():
    """0.3 % and then 3 % of readings are not of this world."""
    for share in (0.003, 0.03):
        rng = np.random.default_rng(11)
        plant = Plant(pours=[Pour(60.0, 20.0)], runs=three_runs_a_day, volume_l=165.0)
        days = simulate(rng, plant, 24.0 * 4)
        spike = rng.random(len(days.time)) < share
        days.seen_l[spike] = rng.uniform(5.0, 290.0, int(spike.sum()))
        run = drive(in_order(days.contact(), days.levels()))
        found, more = matched(run, plant.pours)
        assert None not in found and more == []
        errors = [b.volume_l - days.volume_l[days.at(b.time)] for b in run.beliefs if b.time > T0 + 86400.0]
        assert max(np.abs(errors)) < 0.02 * FULL_L


@pytest.mark.parametrize("first", [[20.0], [270.0, 160.0], [160.0, 20.0]])
def test_rubbish_among_the_first_readings_is_no_volume(first):
    rng = np.random.default_rng(21)
    values = [*first, *(160.0 + rng.normal(0.0, 0.2, 200))]
    run = drive([level(T0 + 60.0 * k, v) for k, v in enumerate(values)])
    assert run.moved() == []
    assert all(abs(b.volume_l - 160.0) < 3.0 * b.volume_sd for b in run.beliefs[1:])


def test_a_stuck_sensor_is_set_aside_and_comes_back():
    """Six hours frozen: a fault is flagged, the belief goes stale and wider, and afterwards all is as before."""
    rng = np.random.default_rng(12)
    plant = Plant(runs=three_runs_a_day, volume_l=185.0)
    days = simulate(rng, plant, 24.0 * 3)
    stuck = (days.time >= T0 + 50.0 * 3600.0) & (days.time < T0 + 56.0 * 3600.0)
    days.seen_l[stuck] = days.seen_l[np.argmax(stuck)]
    records = in_order(days.contact(), days.levels())
    run = drive(records)
    assert run.moved() == []
    status = {round((b.time - T0) / 3600.0): (b.status, b.volume_sd) for b in run.beliefs}
    assert [status[h][0] for h in (49, 55, 57)] == ["learning", "stale", "learning"]
    assert status[55][1] > 1.5 * status[49][1] > 0.0
    for b in run.beliefs:
        assert abs(b.volume_l - days.volume_l[days.at(b.time)]) < 3.0 * b.volume_sd + 0.5
    during = drive([r for r in records if r.time < T0 + 55.0 * 3600.0])
    assert flags(during.state, "mill-2", "level") == STUCK


@pytest.mark.parametrize("contact", [True, False])
def test_a_pour_that_hides_in_a_gap_is_found_with_its_volume(contact):
    rng = np.random.default_rng(13)
    plant = Plant(pours=[Pour(100.0, 25.0)], runs=three_runs_a_day, volume_l=175.0)
    days = simulate(rng, plant, 24.0 * 5.5)
    seen = (days.time < T0 + 97.0 * 3600.0) | (days.time > T0 + 103.0 * 3600.0)
    levels = [r for r, s in zip(days.levels(), seen, strict=True) if s]
    run = drive(in_order(days.contact() if contact else [], levels))
    stand = run.moved(T0 + 2 * 86400.0)
    assert [f.kind for f in stand] == ["top_off"]
    assert stand[0].start == pytest.approx(T0 + 100.0 * 3600.0, abs=600.0)  # the gap's middle
    assert stand[0].volume_l == pytest.approx(25.0, abs=max(2.0, 3.0 * stand[0].volume_sd))
    assert "not seen" in stand[0].text


@pytest.mark.parametrize("contact", [True, False])
def test_a_gap_that_hides_nothing_is_no_pour(contact):
    rng = np.random.default_rng(14)
    days = simulate(rng, Plant(runs=three_runs_a_day, volume_l=185.0), 24.0 * 5.5)
    gaps = [(70.0, 74.5), (86.0, 101.0), (110.0, 111.0)]
    seen = ~np.any([(days.time > T0 + 3600.0 * a) & (days.time < T0 + 3600.0 * b) for a, b in gaps], axis=0)
    levels = [r for r, s in zip(days.levels(), seen, strict=True) if s]
    run = drive(in_order(days.contact() if contact else [], levels))
    assert run.moved(T0 + 2 * 86400.0) == []
    for b in run.beliefs[48:]:
        assert abs(b.volume_l - days.volume_l[days.at(b.time)]) < 3.0 * b.volume_sd + 0.5


@pytest.mark.parametrize("contact", [True, False])
@pytest.mark.parametrize("law", ["pipes", "trough", "slow"])
def test_a_gap_that_ends_while_the_fluid_comes_back_is_no_pour(law, contact):
    """The pump ran while nobody saw it, stopped half a minute before the first reading and starts again ten minutes
    later: what is seen then is neither a tank at rest nor one that runs."""
    began, ended = 24.0 * 4 + 6.0, 24.0 * 4 + 8.0
    again = ended + 1.0 / 6.0

    def runs(hour: float) -> bool:
        usual = three_runs_a_day(hour) and hour < began - 2.0
        return usual or began < hour < ended or again < hour < again + 1.0

    days = simulate(np.random.default_rng(15), Plant(law, runs=runs), again + 1.5)
    dark = T0 + 3600.0 * (began - 0.5), T0 + 3600.0 * ended + 30.0
    levels = [r for r in days.levels() if not dark[0] < r.time < dark[1]]
    told = [r for r in days.contact() if not dark[0] < r.time < dark[1]]
    run = drive(in_order(told if contact else [], levels))
    assert run.moved(T0 + 3600.0 * (began - 1.0)) == []
    assert run.beliefs[-1].volume_l == pytest.approx(days.volume_l[-1], abs=0.01 * FULL_L)


def test_a_sensor_that_stands_through_a_told_turn_shows_no_pour():
    """Frozen while the contact says that the pump stops: for twenty minutes, too short to be called stuck."""
    plant = Plant(runs=three_runs_a_day, volume_l=185.0)
    days = simulate(np.random.default_rng(16), plant, 24.0 * 3)
    turn = 48 * 60 + np.flatnonzero(np.diff(days.running[48 * 60 :]))[0]
    days.seen_l[turn - 5 : turn + 15] = days.seen_l[turn - 5]
    run = drive(in_order(days.contact(), days.levels()))
    assert run.moved() == []
    for b in run.beliefs[24:]:
        assert abs(b.volume_l - days.volume_l[days.at(b.time)]) < 3.0 * b.volume_sd + 0.5


def test_one_long_fault_does_not_make_stillness_usual():
    """Frozen for eight hours at night and going on where it stood; five days later again: found no later."""
    days = simulate(
        np.random.default_rng(17), Plant(runs=three_runs_a_day, volume_l=185.0, loses_l_per_h=0.2), 24.0 * 9
    )
    froze = [T0 + 3600.0 * (24.0 * day - 2.5) for day in (3, 8)]
    for at in froze:
        stuck = (days.time >= at) & (days.time < at + 8.0 * 3600.0)
        days.seen_l[stuck] = days.seen_l[np.argmax(stuck)]
    faults = [f for f in drive(in_order(days.contact(), days.levels())).findings if f.kind == "level_sensor"]
    first, second = (f.start - at for f, at in zip([f for f in faults if f.revision == 0], froze, strict=True))
    assert 0.0 < second <= first <= 3600.0


def test_what_was_told_is_not_taken_back_for_one_reading():
    """A pour of about what the pump holds up; half an hour later a spike where the level would lie had the pump stopped
    then and started now."""
    pour = Pour(24.0 * 3 + 11.0, 18.0, minutes=6.0)
    days = simulate(
        np.random.default_rng(18), Plant(pours=[pour], volume_l=165.0, runs=three_runs_a_day), pour.hour + 1.5
    )
    days.seen_l[days.at(T0 + 3600.0 * (pour.hour + 0.45))] -= 12.0
    told = [f for f in drive(days.levels()).findings if f.kind == "top_off" and f.start > T0 + 3 * 86400.0]
    assert [f.withdrawn for f in told] == [False] * len(told)
    assert told[-1].volume_l == pytest.approx(18.0, abs=1.0)


def test_a_sensor_that_freezes_in_the_middle_of_a_stop_shows_no_pour():
    """Three minutes after a stop, with most of the fluid back and no contact that tells: the level stands for hours."""
    days = simulate(np.random.default_rng(1), Plant(runs=three_runs_a_day, volume_l=185.0), 24.0 * 6)
    stop = 5 * 24 * 60 + np.flatnonzero(np.diff(days.running[5 * 24 * 60 :]) < 0.0)[0]
    days.seen_l[stop + 3 : stop + 120] = days.seen_l[stop + 3]
    run = drive(days.levels())
    assert [f for f in run.findings if f.kind in ("top_off", "drained") and f.start > T0 + 4 * 86400.0] == []


@pytest.mark.parametrize("law", LAWS)
def test_a_surface_that_the_pump_stirs_shows_no_pours_as_it_starts(law):
    """Readings five times as rough while the pump runs, after a night in which the tank lay still."""
    rng = np.random.default_rng(1)
    days = simulate(rng, Plant(law, runs=three_runs_a_day, volume_l=195.0, noise_l=0.2, loses_l_per_h=0.5), 24.0 * 6)
    days.seen_l += rng.normal(0.0, 0.9, len(days.time)) * days.running
    assert drive(days.levels()).moved(T0 + 2 * 86400.0) == []


def test_ends_of_the_scale_are_no_measurements():
    """A float against its stop for half a day: flagged, stale, no pour and no leak when it comes free."""
    rng = np.random.default_rng(15)
    days = simulate(rng, Plant(runs=three_runs_a_day, volume_l=185.0), 24.0 * 3)
    clamped = (days.time > T0 + 50 * 3600.0) & (days.time < T0 + 60 * 3600.0)
    days.seen_l[clamped] = np.where(np.arange(clamped.sum()) % 2, 300.0, 0.0)
    records = in_order(days.contact(), days.levels())
    run = drive(records)
    assert run.moved() == []
    assert {b.status for b in run.beliefs if T0 + 53 * 3600.0 < b.time < T0 + 60 * 3600.0} == {"stale"}
    half = drive([r for r in records if r.time < T0 + 55.0 * 3600.0])
    assert flags(half.state, "mill-2", "level") == END_OF_SCALE


# ---- the tracker by itself


def test_a_pour_is_told_once_and_only_when_it_has_settled():
    tracker, told = Tracker(FULL_L, MILL.high_l), []
    rng = np.random.default_rng(16)
    for k in range(600):
        when = T0 + 60.0 * k
        tracker.reading(when, 150.0 + float(np.clip((k - 300) * 5.0, 0.0, 20.0)) + float(rng.normal(0.0, 0.2)))
        told += [(when, p) for p in tracker.settled(when)]
    assert len(told) == 1
    when, poured = told[0]
    assert poured.volume_l == pytest.approx(20.0, abs=1.0)
    assert when - poured.end >= SETTLE_MIN * 60.0
    assert T0 + 298 * 60.0 <= poured.start <= poured.end <= T0 + 306 * 60.0


def test_buckets_within_minutes_are_one_pour_and_hours_apart_are_two():
    plant = Plant(runs=lambda h: False, volume_l=150.0, pours=[
        Pour(30.0, 10.0, minutes=1.0), Pour(30.12, 10.0, minutes=1.0), Pour(30.25, 10.0, minutes=1.0), Pour(34.0, 12.0),
    ])  # fmt: skip
    days = simulate(np.random.default_rng(17), plant, 40.0)
    stand = drive(in_order(days.contact(), days.levels())).moved()
    assert [f.kind for f in stand] == ["top_off", "top_off"]
    assert [f.volume_l for f in stand] == pytest.approx([30.0, 12.0], abs=1.0)


def test_branches_stay_few_whatever_comes():
    rng, tracker = np.random.default_rng(18), Tracker(FULL_L, MILL.high_l)
    for k in range(3000):
        tracker.reading(T0 + 60.0 * k + float(rng.uniform(0, 50)), float(rng.uniform(1.0, 290.0)))
        assert 1 <= len(tracker.branches) <= 30
        assert all(np.isfinite([b.V, b.H, b.G, b.pvv, b.logw]).all() and b.pvv > 0.0 for b in tracker.branches)
        tracker.settled(T0 + 60.0 * k + 50.0)


def test_a_contact_that_chatters_and_readings_out_of_order_are_survived():
    rng = np.random.default_rng(19)
    days = simulate(rng, Plant(runs=three_runs_a_day, volume_l=185.0), 30.0)
    records = in_order(days.contact(), days.levels())
    chatter = [Record(float(t), "mill-2", "running", float(k % 2)) for k, t in enumerate(np.arange(T0, T0 + 3e4, 7.0))]
    shuffled = in_order(records, chatter)
    for i in rng.integers(0, len(shuffled) - 10, 300):
        j = i + int(rng.integers(1, 10))
        shuffled[i], shuffled[j] = shuffled[j], shuffled[i]
    run = drive(shuffled)
    assert all(b.time < c.time for b, c in pairwise(run.beliefs))
    last = run.beliefs[-1]
    assert last.volume_l == pytest.approx(days.volume_l[-1], abs=4.0 * last.volume_sd)


def test_losses_while_running_and_idle_are_learned():
    plant = Plant(loses_l_per_h=1.1, idle_l_per_h=0.05, noise_l=0.15, volume_l=210.0, runs=three_runs_a_day)
    days = simulate(np.random.default_rng(20), plant, 24.0 * 4)
    rates = drive(in_order(days.contact(), days.levels())).state.sumps["mill-2"].tracker.rates
    assert 60.0 * rates.running == pytest.approx(1.15, rel=0.3)
    assert 60.0 * rates.idle == pytest.approx(0.05, abs=0.1)
