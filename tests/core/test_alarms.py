"""An alert's life: raised once, however its cause flickers; seen, set aside and back; over when its cause is."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.core import alarms, review
from agent.core.alarms import Alarms, AlertRefused, Condition, Step
from agent.core.review import NoSuchStep, NotAllowed

T0 = 1_790_000_000.0
STATES = [alarms.RAISED, alarms.ACKNOWLEDGED, alarms.SET_ASIDE, alarms.OVER, alarms.CLEARED]
EVENTS = sorted({event for _, event in alarms.TABLE} | {"raise"})
ROLES = sorted(review.PEOPLE | review.MACHINE)
LOW = alarms.KINDS["low_mark"]
MONTH_S = 30 * alarms.DAY_S


class Board:
    """Alarms as the agent keeps them: every step is followed at once, and kept."""

    def __init__(self) -> None:
        self.alarms = Alarms()
        self.now, self.steady_s = T0, 5.0
        self.steps: list[Step] = []

    def pass_s(self, seconds: float) -> None:
        self.now += seconds
        self.steady_s += seconds

    def keep(self, step: Step) -> None:
        self.steps.append(step)
        self.alarms.absorb(step, self.now, self.steady_s)

    def look(self, *conditions: Condition) -> list[str]:
        steps = self.alarms.look(conditions, self.now, self.steady_s)
        for step in steps:
            self.keep(step)
        return [step.event for step in steps]

    def decide(
        self, action: str, role: str = "operator", for_s: float | None = None, reason: str | None = None
    ) -> Step:
        (alert,) = self.alarms.listed()
        until = None if for_s is None else self.now + for_s
        step = self.alarms.decide(alert.id, action, "Ana", role, self.now, until, reason)
        self.keep(step)
        return step

    @property
    def state(self) -> str:
        """Of the one open alert; "" where there is none."""
        return next((alert.state for alert in self.alarms.listed()), "")


def low(on: bool, off: bool | None = None) -> Condition:
    return Condition("low_mark", "mill-2", on, not on if off is None else off, "Mill 2 is below its low mark")


def high(on: bool) -> Condition:
    return Condition("high_mark", "mill-2", on, not on, "Mill 2 is above its high mark")


@pytest.fixture
def board() -> Board:
    return Board()


@pytest.fixture
def raised(board: Board) -> Board:
    board.look(low(True))
    board.pass_s(LOW.on_s)
    assert board.look(low(True)) == ["raise"]
    return board


# -- the table --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("event", EVENTS)
@pytest.mark.parametrize("state", STATES)
def test_only_steps_of_the_table_are_taken_and_only_by_its_roles(state: str, event: str, role: str) -> None:
    if (state, event) not in alarms.TABLE:
        with pytest.raises(NoSuchStep):
            alarms.apply(state, event, role)
        return
    after, roles = alarms.TABLE[state, event]
    if role in roles:
        assert alarms.apply(state, event, role) == after
        return
    with pytest.raises(NotAllowed):
        alarms.apply(state, event, role)


def test_no_machine_acknowledges_and_no_person_clears() -> None:
    for (_, event), (_, roles) in alarms.TABLE.items():
        assert roles == (review.PEOPLE if event in alarms.ACTIONS else review.MACHINE)


# -- raised once ------------------------------------------------------------------------------------------------------


def test_a_cause_counts_after_its_delay_and_once(board: Board) -> None:
    assert board.look(low(True)) == []
    board.pass_s(LOW.on_s - 1.0)
    assert board.look(low(True)) == []
    board.pass_s(1.0)
    assert board.look(low(True)) == ["raise"]
    board.pass_s(9999.0)
    assert board.look(low(True)) == []
    assert board.state == "raised"


def test_a_cause_that_flickers_raises_nothing(board: Board) -> None:
    for _ in range(50):
        assert board.look(low(True)) == []
        board.pass_s(LOW.on_s - 1.0)
        assert board.look(low(False)) == []
        board.pass_s(1.0)


def test_within_the_dead_band_an_alert_stays_and_none_comes(raised: Board) -> None:
    between = low(False, off=False)
    raised.pass_s(LOW.off_s + 1.0)
    assert raised.look(between) == []
    assert raised.state == "raised"
    fresh = Board()
    fresh.look(between)
    fresh.pass_s(LOW.on_s + 1.0)
    assert fresh.look(between) == []


def test_it_is_cleared_when_the_cause_has_been_gone_for_long_enough(raised: Board) -> None:
    assert raised.look(low(False)) == []
    raised.pass_s(LOW.off_s)
    assert raised.look(low(False)) == ["clear"]
    assert raised.alarms.current == {}


def test_a_cause_that_nobody_looks_for_any_more_is_gone(raised: Board) -> None:
    raised.look()
    raised.pass_s(LOW.off_s)
    assert raised.look() == ["clear"]


def test_two_causes_of_a_kind_are_two_alerts(board: Board) -> None:
    silent = [Condition("bus_silent", None, True, False, f"{bus} is silent", bus) for bus in ("rs485", "line")]
    board.look(*silent)
    board.pass_s(alarms.KINDS["bus_silent"].on_s)
    assert board.look(*silent) == ["raise", "raise"]
    assert len({alert.id for alert in board.alarms.listed()}) == 2


def test_what_needs_action_now_and_went_unseen_waits_to_be_seen(board: Board) -> None:
    kind = alarms.KINDS["high_mark"]
    board.look(high(True))
    board.pass_s(kind.on_s)
    board.look(high(True))
    board.look(high(False))
    board.pass_s(kind.off_s)
    assert board.look(high(False)) == ["over"]
    assert board.look(high(False)) == []
    board.decide("acknowledge")
    assert board.state == ""


def test_what_is_over_and_comes_back_is_the_same_alert(board: Board) -> None:
    kind = alarms.KINDS["high_mark"]
    for on in (True, True, False, False, True, True):
        board.look(high(on))
        board.pass_s(max(kind.on_s, kind.off_s))
    assert [step.event for step in board.steps] == ["raise", "over", "return"]
    assert len({step.alert.id for step in board.steps}) == 1


# -- people -----------------------------------------------------------------------------------------------------------


def test_acknowledged_it_stays_until_its_cause_is_gone(raised: Board) -> None:
    step = raised.decide("acknowledge")
    assert (step.before, step.alert.state, step.by, step.role) == ("raised", "acknowledged", "Ana", "operator")
    assert raised.look(low(True)) == []
    raised.look(low(False))
    raised.pass_s(LOW.off_s)
    assert raised.look(low(False)) == ["clear"]


def test_set_aside_it_comes_back_unacknowledged(raised: Board) -> None:
    raised.decide("set_aside", for_s=3600.0, reason="drum arrives at ten")
    raised.pass_s(3599.0)
    assert raised.look(low(True)) == []
    raised.pass_s(1.0)
    assert raised.look(low(True)) == ["return"]
    (alert,) = raised.alarms.listed()
    assert (alert.state, alert.by, alert.until, alert.since) == ("raised", "agent", None, T0 + LOW.on_s)


def test_set_aside_it_comes_back_though_its_cause_lies_within_the_dead_band(raised: Board) -> None:
    raised.decide("set_aside", for_s=60.0, reason="later")
    raised.pass_s(60.0)
    assert raised.look(low(False, off=False)) == ["return"]


@pytest.mark.parametrize("step_s", [-MONTH_S, MONTH_S])
def test_a_clock_that_is_set_stretches_nothing(raised: Board, step_s: float) -> None:
    raised.decide("set_aside", for_s=3600.0, reason="later")
    raised.now += step_s
    raised.pass_s(3600.0)
    assert raised.look(low(True)) == ["return"]


@pytest.mark.parametrize("step_s", [-MONTH_S, MONTH_S])
def test_delays_are_measured_on_a_clock_that_nobody_sets(board: Board, step_s: float) -> None:
    board.look(low(True))
    board.now += step_s
    assert board.look(low(True)) == []
    board.pass_s(LOW.on_s)
    assert board.look(low(True)) == ["raise"]


@pytest.mark.parametrize(
    ("role", "for_s", "reason", "why"),
    [
        ("operator", 3600.0, "", "a reason is needed"),
        ("operator", 3600.0, "   ", "a reason is needed"),
        ("operator", 3600.0, None, "a reason is needed"),
        ("operator", None, "later", "until when"),
        ("operator", 0.0, "later", "until when"),
        ("operator", -1.0, "later", "until when"),
        ("operator", 8 * 3600.0 + 1.0, "later", "within the next 8 h"),
        ("supervisor", 7 * 86_400.0 + 1.0, "later", "within the next 168 h"),
        ("maintenance", float("nan"), "later", "until when"),
        ("maintenance", float("inf"), "later", "until when"),
    ],
)
def test_setting_aside_takes_a_reason_and_an_end(
    raised: Board, role: str, for_s: float | None, reason: str | None, why: str
) -> None:
    with pytest.raises(AlertRefused, match=why):
        raised.decide("set_aside", role, for_s, reason)
    assert raised.state == "raised"


def test_what_is_not_open_or_no_action_is_refused(raised: Board) -> None:
    (alert,) = raised.alarms.listed()
    for id, action in (("nothing", "acknowledge"), (alert.id, "clear"), (alert.id, "")):
        with pytest.raises(AlertRefused):
            raised.alarms.decide(id, action, "Ana", "supervisor", T0, None, None)
    with pytest.raises(NotAllowed):
        raised.alarms.decide(alert.id, "acknowledge", "Ana", "agent", T0, None, None)


# -- what is kept and shown -------------------------------------------------------------------------------------------


def test_a_row_tells_the_step_whole(raised: Board) -> None:
    raised.decide("set_aside", for_s=60.0, reason="later")
    for step in raised.steps:
        assert alarms.step_of(step.time, step.body()) == step
    alert = ["id", "kind", "sump", "subject", "severity"]
    keys = [*alert, "event", "from", "state", "since", "text", "by", "role", "reason", "until"]
    assert list(raised.steps[-1].body()) == keys


def test_most_severe_first_then_unseen_then_oldest(board: Board) -> None:
    conditions = [low(True), high(True), Condition("oil", "mill-1", True, False, "way oil")]
    for _ in range(2):
        board.look(*conditions)
        board.pass_s(100.0)
    assert [alert.kind for alert in board.alarms.listed()] == ["high_mark", "low_mark", "oil"]


def test_the_rate_counts_what_came_up(raised: Board) -> None:
    assert raised.alarms.rate(raised.now) == {"last_hour": 1, "last_day": 1}
    raised.decide("set_aside", for_s=7200.0, reason="later")
    raised.pass_s(7200.0)
    raised.look(low(True))
    assert raised.alarms.rate(raised.now) == {"last_hour": 1, "last_day": 2}
    assert raised.alarms.rate(raised.now + alarms.DAY_S) == {"last_hour": 0, "last_day": 0}


moves = st.lists(
    st.one_of(
        st.tuples(st.just("look"), st.sampled_from([(True, False), (False, True), (False, False)])),
        st.tuples(st.just("pass"), st.sampled_from([1.0, 59.0, 60.0, 3600.0])),
        st.tuples(st.just("set clock"), st.sampled_from([-MONTH_S, -30.0, 30.0, MONTH_S])),
        st.tuples(st.just("acknowledge"), st.just(None)),
        st.tuples(st.just("set_aside"), st.sampled_from([1.0, 3600.0])),
        st.tuples(st.just("restart"), st.just(None)),
    ),
    max_size=40,
)


@given(moves)
def test_however_it_goes_one_cause_has_one_alert_and_a_restart_changes_none(steps: list) -> None:
    board = Board()
    for what, how in steps:
        if what == "look":
            board.look(Condition("high_mark", "mill-2", *how, "above"))
        elif what == "pass":
            board.pass_s(how)
        elif what == "set clock":
            board.now += how
        elif what == "restart":
            restarted = Alarms()
            for step in board.steps:
                restarted.absorb(alarms.step_of(step.time, step.body()), board.now, 0.0)
            assert restarted.current == board.alarms.current
            board.alarms, board.steady_s = restarted, 0.0
        elif board.alarms.current:
            before = board.state
            try:
                board.decide(what, for_s=how, reason="later")
            except NoSuchStep:
                assert (before, what) not in alarms.TABLE
        assert len(board.alarms.current) <= 1
        for first, second in zip(board.steps, board.steps[1:], strict=False):
            same = first.alert.id == second.alert.id
            assert second.before == (first.alert.state if same else None)
            assert same or first.alert.state == "cleared"
