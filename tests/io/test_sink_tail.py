"""The confirmed tail: what a store may still lose is not given up. All times are told, none is waited for."""

from __future__ import annotations

import random

from hypothesis import given
from hypothesis import strategies as st

from agent.io.sink import Tail

CONFIRM_S = 60.0
LOSS_S = 9.0  # how much a killed store was seen to lose


def test_what_is_sent_to_a_broker_is_confirmed_at_once() -> None:
    tail = Tail(10, confirm_s=0.0)
    tail.sent(12, now=5.0)
    assert tail.confirmed(5.0) == 12
    assert tail.confirmed(6.0) is None


def test_a_row_is_confirmed_when_the_store_still_runs_after_the_tail() -> None:
    tail = Tail(0, CONFIRM_S)
    tail.found(1000.0, now=0.0)
    tail.sent(1, now=1.0)
    tail.sent(2, now=30.0)
    assert tail.confirmed(60.0) is None
    assert not tail.due(60.0)
    assert tail.due(61.0)
    tail.found(1000.0, now=61.0)
    assert tail.confirmed(61.0) == 1
    assert tail.confirmed(100.0) is None, "row 2 was not yet old enough when the store was asked"


def test_a_restarted_store_gets_the_tail_again() -> None:
    tail = Tail(7, CONFIRM_S)
    tail.found(1000.0, now=0.0)
    tail.sent(8, now=1.0)
    tail.sent(9, now=50.0)
    tail.found(1060.0, now=61.0)
    assert tail.cursor == 7
    assert tail.confirmed(61.0) is None


def test_a_short_outage_of_the_network_is_no_restart() -> None:
    tail = Tail(7, CONFIRM_S)
    tail.found(1000.0, now=0.0)
    tail.sent(8, now=1.0)
    tail.failed()
    tail.found(1000.0, now=10.0)
    assert tail.cursor == 8


def test_where_the_store_does_not_tell_its_start_any_failure_counts() -> None:
    tail = Tail(7, CONFIRM_S)
    tail.found(None, now=0.0)
    tail.sent(8, now=1.0)
    tail.found(None, now=61.0)
    assert tail.confirmed(61.0) == 8, "no failure: confirmed by time alone"
    tail.sent(9, now=62.0)
    tail.failed()
    tail.found(None, now=70.0)
    assert tail.cursor == 8


def test_several_processes_behind_one_name_do_not_cause_endless_repetition() -> None:
    tail = Tail(0, CONFIRM_S)
    now = 0.0
    for seq, started in enumerate([1000.0, 500.0] * 10, start=1):
        tail.found(started, now)
        tail.sent(seq, now)
        now += CONFIRM_S
    assert tail.cursor == 20, "after the first surprise their start times are not believed any more"


@given(st.integers(0, 2**32 - 1))
def test_no_store_that_is_killed_at_any_moment_loses_a_confirmed_row(seed: int) -> None:
    """A store in a model: rows are safe LOSS_S after they came, a kill takes the younger ones and nobody tells."""
    chance = random.Random(seed)
    tail, held, started, now = Tail(0, CONFIRM_S), dict[int, float](), 1.0, 0.0
    tail.found(started, now)
    for _ in range(120):
        now += chance.expovariate(1 / 8)
        if chance.random() < 0.1:
            held = {seq: at for seq, at in held.items() if now - at >= LOSS_S}
            started += 1.0 + chance.random() * 5
        if tail.due(now):
            tail.found(started, now)
        bookmark = tail.confirmed(now)
        if bookmark is not None:
            assert set(range(1, bookmark + 1)) <= set(held), "confirmed, and gone"
        held[tail.cursor + 1] = now
        tail.sent(tail.cursor + 1, now)
