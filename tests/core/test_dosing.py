"""A dose runs only as people saw and approved it, once, and stops at the first doubt, whatever is tried."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule, run_state_machine_as_test

from agent.core import dosing
from agent.core.dosing import LOCKED, READY, SELECTED, SETTLING, DoseRefused, Order
from tests.core.dosing_rig import LIMITS, ROLES, TICK_S, Rig

DOSE_TICKS = int(10.0 / LIMITS.rate_l_per_s / TICK_S) + 50


@pytest.fixture
def rig() -> Rig:
    made = Rig()
    made.reset()
    return made


def run_dose(rig: Rig, volume_l: float = 10.0) -> None:
    assert rig.operate(rig.select(volume_l))
    rig.tick(int(volume_l / LIMITS.rate_l_per_s / TICK_S) + 50)


# -- the straight way -------------------------------------------------------------------------------------------------


def test_what_was_approved_flows_and_no_more(rig: Rig) -> None:
    run_dose(rig)
    assert rig.state.phase == SETTLING
    tail_l = dosing.HOLD_S * LIMITS.rate_l_per_s
    assert 10.0 - tail_l - 0.1 <= rig.valve.total_l <= 10.0
    rig.wait(dosing.SETTLE_S + 1.0)
    assert (rig.state.phase, rig.state.order) == (READY, None)


def test_after_a_restart_it_is_locked_until_a_reviewer_resets_it() -> None:
    rig = Rig()
    assert rig.state.phase == LOCKED and rig.select() == ""
    for role in ("operator", "agent", "policy", "visitor"):
        rig.reset(role)
        assert rig.state.phase == LOCKED
    rig.reset("maintenance")
    assert rig.state.phase == READY and rig.select()


def test_an_approval_opens_the_valve_once(rig: Rig) -> None:
    key = rig.select()
    assert rig.operate(key) and not rig.operate(key)
    rig.tick(DOSE_TICKS)
    rig.wait(dosing.SETTLE_S + 1.0)
    assert rig.state.phase == READY
    assert not rig.operate(key)
    with pytest.raises(DoseRefused, match="used already"):
        dosing.operate(rig.state, key, "operator", rig.picture, LIMITS, rig.now_s)


def test_an_approval_holds_ten_minutes(rig: Rig) -> None:
    key = rig.select()
    rig.wait(dosing.EXPIRY_S - 10.0)
    assert rig.state.phase == SELECTED
    rig.wait(10.0)
    assert rig.state.phase == READY and "expired" in rig.state.why
    assert not rig.operate(key)
    assert rig.select(for_s=dosing.EXPIRY_S + 1.0) == rig.select(for_s=0.0) == ""


def test_an_expired_approval_opens_nothing_though_nobody_looked_since(rig: Rig) -> None:
    key = rig.select()
    rig.hang(dosing.EXPIRY_S)
    rig.sample()
    assert rig.state.phase == SELECTED and not rig.operate(key)


def test_the_approval_names_all_that_was_approved(rig: Rig) -> None:
    usual = Order("mill-2", "a-1", 10.0, 2.5, "x", "w1", "Ana", 600.0, 300.0, 300.0)
    changes = [{"sump": "mill-1"}, {"volume_l": 10.1}, {"pct": 2.6}, {"shown": "y"}, {"token": "w2"}]
    changes.append({"expires_s": 601.0})
    keys = {replace(usual, **change).key for change in ({}, *changes)}  # type: ignore[arg-type]
    assert len(keys) == 7


def test_only_the_approval_that_is_selected_opens_it(rig: Rig) -> None:
    first = rig.select(10.0)
    second = rig.select(12.0)
    assert not rig.operate(first) and not rig.operate("") and not rig.operate(second[:-1])
    assert rig.operate(second)


@pytest.mark.parametrize("role", ROLES)
def test_who_may_do_what(role: str) -> None:
    rig = Rig()
    rig.reset()
    key = rig.select(role=role)
    assert bool(key) == (role in ("supervisor", "maintenance"))
    assert rig.operate(key or rig.select(), role) == (role in ("operator", "supervisor", "maintenance"))


# -- reasons not to ---------------------------------------------------------------------------------------------------


def doubt(rig: Rig) -> None:
    rig.doubt = "a spike"


def silence(rig: Rig) -> None:
    rig.silent = True
    rig.hang(dosing.STALE_PERIODS * LIMITS.period_s + 0.1)


def jam(rig: Rig) -> None:
    rig.stick(True)
    for _ in range(40):
        rig.hang(dosing.FLAT_S / 40 + 0.1)
        rig.sample()


BAD: list[Callable[[Rig], None]] = [doubt, silence, jam]


@pytest.mark.parametrize("spoil", BAD)
def test_nothing_is_approved_upon_a_bad_picture(rig: Rig, spoil: Callable[[Rig], None]) -> None:
    spoil(rig)
    assert rig.select() == ""


@pytest.mark.parametrize("spoil", BAD)
def test_nothing_begins_upon_a_bad_picture(rig: Rig, spoil: Callable[[Rig], None]) -> None:
    key = rig.select()
    spoil(rig)
    assert not rig.operate(key)


@pytest.mark.parametrize("spoil", [doubt, silence])
def test_a_dose_ends_with_a_good_picture(rig: Rig, spoil: Callable[[Rig], None]) -> None:
    rig.operate(rig.select())
    rig.tick(20)
    assert rig.valve.dead_man.is_open(rig.now_s)
    spoil(rig)
    rig.tick(1, sampled=False)
    assert rig.state.phase == SETTLING and not rig.valve.dead_man.is_open(rig.now_s)


def test_a_slow_sensor_is_believed_for_a_minute_at_most() -> None:
    picture, slow = Rig().picture, replace(LIMITS, period_s=600.0)
    at_s = picture.at_s or 0.0
    assert dosing.blind(picture, slow, at_s + 60.0) == ""
    assert dosing.blind(picture, slow, at_s + 60.1) != ""
    assert dosing.blind(picture, LIMITS, at_s + 3.1) != ""


@pytest.mark.parametrize("litres", [4.0 + 0.02 * 300.0, -10.0])
def test_an_approval_is_void_when_the_level_moves(rig: Rig, litres: float) -> None:
    key = rig.select()
    rig.pour(litres)
    assert not rig.operate(key)
    rig.tick()
    assert rig.state.phase == READY and "void" in rig.state.why


@pytest.mark.parametrize(
    ("volume_l", "why"),
    [(20.1, "cap of one dose"), (0.0, "measured out"), (-5.0, "measured out"), (0.3, "measured out")],
)
def test_a_dose_beyond_its_cap_is_refused(rig: Rig, volume_l: float, why: str) -> None:
    order = rig.make_order(volume_l, LIMITS.pct, 600.0, "mill-2", "x")
    with pytest.raises(DoseRefused, match=why):
        dosing.select(rig.state, order, "supervisor", rig.picture, LIMITS, rig.now_s)


@pytest.mark.parametrize("number", [float("nan"), float("inf")])
def test_what_is_no_number_is_no_dose(rig: Rig, number: float) -> None:
    assert rig.select(number) == rig.select(pct=number) == rig.select(for_s=number) == ""


def test_hour_and_day_have_their_caps(rig: Rig) -> None:
    for _ in range(2):
        run_dose(rig, 14.0)
        rig.wait(dosing.SETTLE_S + 1.0)
    assert rig.select(14.0) == "" and rig.select(2.0)
    rig.stop()
    rig.wait(dosing.HOUR_S)
    run_dose(rig, 14.0)
    rig.wait(dosing.HOUR_S)
    assert rig.select(14.0) == ""
    rig.pour(-200.0)
    rig.wait(dosing.DAY_S)
    assert rig.select(14.0)


def test_a_restart_forgets_no_cap(rig: Rig) -> None:
    run_dose(rig, 20.0)
    rig.restart()
    rig.reset()
    assert rig.select(14.0) == "" and rig.select(9.0)


def test_a_dose_that_was_cut_by_a_restart_counts_in_full(rig: Rig) -> None:
    rig.operate(rig.select(20.0))
    rig.tick(10)
    rig.restart(pipe_closes=False)
    rig.reset()
    assert rig.select(14.0) == ""


def test_there_must_be_room(rig: Rig) -> None:
    rig.pour(50.0)
    assert rig.select(6.0) == "" and rig.select(4.0)


def test_the_valve_gives_its_own_mix_to_its_own_sump(rig: Rig) -> None:
    assert rig.select(pct=4.0) == rig.select(sump="mill-1") == ""


# -- the level must answer --------------------------------------------------------------------------------------------


def test_a_level_that_does_not_answer_locks_it_out(rig: Rig) -> None:
    rig.valve.sticks_shut = True
    key = rig.select(20.0)
    assert rig.operate(key)
    rig.tick(200)
    assert rig.state.phase == LOCKED and "no flow" in rig.state.why
    rig.valve.sticks_shut = False
    rig.tick(500)
    assert rig.state.phase == LOCKED and rig.select() == "" and not rig.operate(key)


def test_a_short_dose_must_answer_too(rig: Rig) -> None:
    rig.valve.sticks_shut = True
    run_dose(rig, 3.9)
    rig.pour(-9.0)
    rig.wait(dosing.SETTLE_S + 1.0)
    assert rig.state.phase == LOCKED


def test_a_level_that_rises_more_than_was_dosed_locks_it_out(rig: Rig) -> None:
    rig.operate(rig.select(10.0))
    rig.tick(10)
    rig.pour(30.0)
    rig.tick()
    assert rig.state.phase == LOCKED and not rig.valve.dead_man.is_open(rig.now_s)


def test_near_the_high_mark_it_stops_and_locks(rig: Rig) -> None:
    rig.pour(34.0)
    rig.operate(rig.select(20.0))
    rig.tick(40)
    rig.volume_l = LIMITS.high_l - LIMITS.margin_l / 2.0 + 0.2
    rig.tick()
    assert rig.state.phase == LOCKED and "high mark" in rig.state.why


def test_when_nobody_can_see_whether_it_answered_it_locks(rig: Rig) -> None:
    run_dose(rig)
    rig.silent = True
    rig.hang(dosing.BLIND_S + 1.0)
    rig.tick(1, sampled=False)
    assert rig.state.phase == LOCKED


# -- the driver is on its own -----------------------------------------------------------------------------------------


def test_an_agent_that_hangs_leaves_the_valve_open_for_two_seconds(rig: Rig) -> None:
    rig.operate(rig.select(20.0))
    rig.tick(10)
    before_l = rig.valve.total_l
    rig.hang(3600.0)
    assert not rig.valve.dead_man.is_open(rig.now_s)
    assert rig.valve.total_l - before_l == pytest.approx(dosing.HOLD_S * LIMITS.rate_l_per_s)


def test_an_agent_that_was_held_up_ends_the_dose_and_holds_nothing_open_again(rig: Rig) -> None:
    rig.operate(rig.select(20.0))
    rig.tick(10)
    rig.hang(dosing.LATE_S)
    rig.tick()
    assert rig.state.phase == SETTLING and "held up for 1.7 s" in rig.state.why
    assert not rig.valve.dead_man.is_open(rig.now_s)
    rig.wait(dosing.SETTLE_S + 1.0)
    assert rig.state.phase == READY  # the level has answered by what was counted


def test_anybody_can_stop_it_at_any_time(rig: Rig) -> None:
    rig.operate(rig.select(20.0))
    rig.tick(30)
    rig.stop()
    flowed_l = rig.valve.total_l
    rig.hang(60.0)
    assert rig.valve.total_l == flowed_l > 1.0
    assert rig.state.given[-1][1] >= flowed_l


def test_the_dead_man_s_rule() -> None:
    dead_man = dosing.DeadMan()
    assert not dead_man.is_open(0.0)
    dead_man.renew(10.0)
    assert dead_man.is_open(11.9) and not dead_man.is_open(12.0)
    dead_man.renew(20.0)
    dead_man.close()
    assert not dead_man.is_open(20.0)


# -- whatever is tried ------------------------------------------------------------------------------------------------


class Trying(RuleBasedStateMachine):
    """Every event that the world, people and broken programs can make; the rig looks after each."""

    totals = [0, 0, 0]  # sequences, events, doses that ran

    def __init__(self) -> None:
        super().__init__()
        self.rig = Rig()
        self.keys = [""]

    @initialize(volume_l=st.sampled_from([3.0, 9.0, 20.0, None]))
    def begin(self, volume_l: float | None) -> None:
        """Most sequences start with a dose under way: few that start locked ever come as far as one."""
        if volume_l is not None:
            self.rig.reset()
            self.dose(volume_l)
            self.rig.tick(3)

    @rule(times=st.integers(1, 60), sampled=st.booleans())
    def tick(self, times: int, sampled: bool) -> None:
        self.rig.tick(times, sampled)

    @rule(seconds=st.sampled_from([0.1, 1.9, 2.0, 2.1, 10.0, 599.0, 1801.0, 3600.0, 86_400.0]))
    def hang(self, seconds: float) -> None:
        self.rig.hang(seconds)

    @rule(seconds=st.sampled_from([1.0, 121.0, 590.0, 700.0, 3600.0]))
    def wait(self, seconds: float) -> None:
        self.rig.wait(seconds)

    @rule(role=st.sampled_from(ROLES))
    def reset(self, role: str) -> None:
        self.rig.reset(role)

    @rule()
    def reset_by_one_who_may(self) -> None:
        self.rig.reset()

    @rule(
        volume_l=st.sampled_from([-1.0, 0.0, 0.4, 3.0, 10.0, 20.0, 20.1, 31.0, float("nan"), float("inf")]),
        role=st.sampled_from(ROLES),
        pct=st.sampled_from([2.5, 2.5, 2.6]),
        for_s=st.sampled_from([600.0, 600.0, 5.0, 0.0, 601.0]),
        sump=st.sampled_from(["mill-2", "mill-2", "mill-1"]),
    )
    def select(self, volume_l: float, role: str, pct: float, for_s: float, sump: str) -> None:
        self.keys.append(self.rig.select(volume_l, role, pct, for_s, sump))

    @rule(volume_l=st.sampled_from([3.0, 9.0, 20.0]))
    def dose(self, volume_l: float) -> None:
        key = self.rig.select(volume_l)
        self.keys.append(key)
        self.rig.operate(key)

    @rule(which=st.integers(0, 50), role=st.sampled_from(ROLES))
    def operate(self, which: int, role: str) -> None:
        self.rig.operate(self.keys[-1 - which % len(self.keys)], role)

    @rule()
    def stop(self) -> None:
        self.rig.stop()

    @rule(pipe_closes=st.booleans())
    def restart(self, pipe_closes: bool) -> None:
        self.rig.restart(pipe_closes)

    @rule()
    def fault(self) -> None:
        self.rig.fault()

    @rule(litres=st.sampled_from([-60.0, -5.0, 2.0, 8.0, 40.0]))
    def pour(self, litres: float) -> None:
        self.rig.pour(litres)

    @rule(silent=st.booleans())
    def sensor(self, silent: bool) -> None:
        self.rig.silent = silent

    @rule(doubt=st.sampled_from(["", "", "a spike"]))
    def gate(self, doubt: str) -> None:
        self.rig.doubt = doubt

    @rule(stuck=st.booleans())
    def jam(self, stuck: bool) -> None:
        self.rig.stick(stuck)

    @rule(shut=st.booleans())
    def jam_valve(self, shut: bool) -> None:
        self.rig.valve.sticks_shut = shut

    def teardown(self) -> None:
        self.rig.counted()
        Trying.totals[0] += 1
        Trying.totals[1] += self.rig.events
        Trying.totals[2] += self.rig.doses


@pytest.mark.timeout(3600)  # the long run is long
def test_whatever_is_tried_nothing_is_broken(long_run: bool, capsys: pytest.CaptureFixture[str]) -> None:
    """A thorough search, which makes a failure small."""
    Trying.totals[:] = [0, 0, 0]
    examples = 1_500 if long_run else 60
    how = settings(max_examples=examples, stateful_step_count=60, deadline=None, suppress_health_check=[*HealthCheck])
    run_state_machine_as_test(Trying, settings=how)
    sequences, events, doses = Trying.totals
    with capsys.disabled():
        print(f"\ndosing, searched: {sequences} sequences, {events} events looked at, {doses} doses ran, 0 broken")
    assert doses > 0


def walk(rng: random.Random, steps: int) -> Rig:
    """A random sequence, quick: the same events as above."""
    rig, keys = Rig(rng.uniform(240.0, 356.0)), [""]
    rig.reset()
    for _ in range(steps):
        what = rng.random()
        if what < 0.30:
            rig.tick(rng.choice((1, 3, 12, 60)), rng.random() < 0.9)
        elif what < 0.55:
            order = {"role": rng.choice(ROLES), "pct": rng.choice((2.5, 2.6))} if rng.random() < 0.3 else {}
            keys.append(rig.select(rng.choice((0.3, 3.0, 9.0, 20.0, 25.0)), **order))
            if rng.random() < 0.8:
                rig.operate(keys[-1])
        elif what < 0.62:
            rig.operate(rng.choice(keys), rng.choice(ROLES))
        elif what < 0.70:
            rig.hang(rng.choice((0.1, 1.9, 2.1, 30.0, 599.0, 3600.0)))
        elif what < 0.76:
            rig.wait(rng.choice((1.0, 121.0, 700.0)))
        elif what < 0.84:
            rig.reset(rng.choice(("supervisor", "maintenance", "operator", "agent")))
        else:
            _upset(rig, rng)
    rig.counted()
    return rig


def _upset(rig: Rig, rng: random.Random) -> None:
    upsets: list[Callable[[], object]] = [
        rig.stop,
        rig.fault,
        lambda: rig.restart(rng.random() < 0.5),
        lambda: rig.pour(rng.choice((-60.0, -5.0, 2.0, 8.0, 40.0))),
        lambda: rig.stick(rng.random() < 0.5),
        lambda: setattr(rig, "silent", rng.random() < 0.5),
        lambda: setattr(rig, "doubt", rng.choice(("", "", "a spike"))),
        lambda: setattr(rig.valve, "sticks_shut", rng.random() < 0.3),
    ]
    rng.choice(upsets)()


@pytest.mark.timeout(3600)
def test_over_very_many_random_sequences_nothing_is_broken(long_run: bool, capsys: pytest.CaptureFixture[str]) -> None:
    sequences, events, doses = 100_000 if long_run else 500, 0, 0
    for seed in range(sequences):
        try:
            rig = walk(random.Random(seed), 25)
        except AssertionError as broken:
            raise AssertionError(f"sequence {seed}: {broken}") from broken
        events, doses = events + rig.events, doses + rig.doses
    with capsys.disabled():
        print(f"\ndosing, at random: {sequences} sequences, {events} events looked at, {doses} doses ran, 0 broken")
    assert doses > sequences / 4
