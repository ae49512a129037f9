"""A clock that is set, unset, or set late: every reading is kept once, at its own time; the estimate sees no jump."""

from __future__ import annotations

import itertools
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.io.clock import AFTER_NEWEST_S, STEP_S, Clock, SteadyClock
from agent.io.journal import JournalReader
from tests.costs.byhand import DAY_S, T0, ByHand, HandClock

MONTH_S = 30 * DAY_S
PERIOD_S = 10.0
SUMP = "lathe-1"


@pytest.fixture
def shop(in_memory: Path) -> Iterator[ByHand]:
    shop = opened(in_memory)
    yield shop
    shop.stop()


def times_kept(shop: ByHand) -> list[float]:
    """Times of all levels in the journal, as readers see them."""
    shop.agent._commit()
    reader = JournalReader(shop.journal_path)
    found = [s.time for s in reader.samples(SUMP, "level", 0.0, 9e9)]
    graph = reader.trace(SUMP, "level", 0.0, 9e9, 600)
    reader.close()
    assert sum(n for _, n, *_ in graph) > 0.9 * len(found)  # what graphs are drawn from has them, too
    return found


def placed(found: list[float], truth: list[float]) -> bool:
    """As many as were measured, each at its own time to within what a wall clock may be followed by."""
    return len(found) == len(truth) and all(abs(a - b) <= STEP_S for a, b in zip(found, truth, strict=True))


def every_period(start: float, length_s: int) -> list[float]:
    return [start + PERIOD_S * (i + 1) for i in range(int(length_s / PERIOD_S))]


def opened(folder: Path, clock: HandClock | None = None) -> ByHand:
    folder.mkdir(exist_ok=True)
    shop = ByHand(folder, 1, "block_s = 30", clock=clock)
    shop.period_s = PERIOD_S
    return shop


@pytest.mark.parametrize("step_s", [MONTH_S, -MONTH_S, 3600.0, -3600.0])
def test_a_step_and_back_loses_doubles_and_misplaces_nothing(shop: ByHand, step_s: float) -> None:
    shop.run(150)
    shop.clock.wall += step_s
    shop.run(150)
    assert shop.agent.fault is not None and "clock was set" in shop.agent.fault
    shop.clock.wall -= step_s
    shop.run(150)
    assert shop.agent.fault is None
    assert placed(times_kept(shop), every_period(T0, 450))


@pytest.mark.parametrize("step_s", [MONTH_S, -MONTH_S])
def test_the_estimate_sees_no_jump(in_memory: Path, step_s: float) -> None:
    """The same readings with and without the steps give the same belief."""
    beliefs = []
    for folder, by_s in (("plain", 0.0), ("stepped", step_s)):
        shop = opened(in_memory / folder)
        shop.run(400)
        shop.clock.wall += by_s
        shop.run(400)
        shop.clock.wall -= by_s
        shop.run(100)
        beliefs.append(shop.agent.engine.belief(SUMP, T0 + 900).row())
        shop.stop()
    assert beliefs[0] == beliefs[1]


@pytest.mark.parametrize("behind_s", [400 * DAY_S, 3 * DAY_S])
def test_a_clock_unset_at_boot_and_set_an_hour_later_puts_its_hour_right(in_memory: Path, behind_s: float) -> None:
    """A run; power off for a night; a start with a time before (or just after) the last row; the time comes late."""
    shop = opened(in_memory)
    shop.run(600)
    shop.stop()
    shop.true_time += 5 * DAY_S
    shop.clock = HandClock(shop.true_time - behind_s, is_set=False)
    shop.start()
    shop.run(3600)
    assert shop.agent.fault is not None and "does not know the time" in shop.agent.fault
    reader = JournalReader(shop.journal_path)
    unsure = shop.agent.journal.unsure_from
    assert 0 < unsure <= reader.last_seq()
    assert max(row.seq for row in reader.settled_rows_after(0, 100_000)) == unsure - 1  # publishers wait
    shop.clock.wall, shop.clock.set = shop.true_time, True
    shop.run(600)
    assert shop.agent.fault is None
    assert reader.settled_rows_after(unsure, 100_000)
    assert placed(times_kept(shop), every_period(T0, 600) + every_period(T0 + 600 + 5 * DAY_S, 4200))
    (note,) = [row.data() for row in reader.events("agent") if row.data()["event"] == "clock"]
    assert note["first_seq"] == unsure
    newest = T0 + 600 + AFTER_NEWEST_S  # what is written never goes back: a time before it is counted on from there
    assert note["shift_s"] == pytest.approx(min(behind_s, T0 + 600 + 5 * DAY_S - newest), abs=STEP_S)
    assert reader.verify_chain().ok
    reader.close()
    shop.stop()


def test_after_the_time_came_the_belief_is_that_of_a_clock_that_was_right(in_memory: Path) -> None:
    beliefs = []
    for name, behind_s in (("right", 0.0), ("late", 400 * DAY_S)):
        shop = opened(in_memory / name)
        shop.run(600)
        shop.stop()
        shop.true_time += DAY_S
        shop.clock = HandClock(shop.true_time - behind_s, is_set=not behind_s)
        shop.start()
        shop.run(1200)
        shop.clock.wall, shop.clock.set = shop.true_time, True
        shop.run(600)
        beliefs.append(shop.agent.engine.belief(SUMP, shop.true_time).row())
        shop.stop()
    right, late = beliefs
    assert late["volume_l"] == pytest.approx(right["volume_l"], abs=0.5)
    assert late["strength_pct"] == pytest.approx(right["strength_pct"], abs=0.02)
    assert late["status"] == right["status"]


def test_a_step_forward_that_stands_for_an_hour_is_believed_as_a_gap(shop: ByHand) -> None:
    shop.run(60)
    shop.clock.wall += MONTH_S
    shop.run(3700)
    found = times_kept(shop)
    assert len(found) == 376
    assert found == sorted(set(found))
    assert found[-1] == pytest.approx(shop.clock.wall, abs=STEP_S)


def test_a_clock_nobody_sets_is_taken_as_it_is_after_some_hours(in_memory: Path) -> None:
    shop = opened(in_memory, HandClock(is_set=False))
    shop.run(60)
    assert shop.agent.journal.unsure_from == 1
    shop.clock.go(7300.0)
    shop.run(60)
    assert shop.agent.journal.unsure_from == 0
    assert placed(times_kept(shop)[:6], every_period(T0, 60))
    shop.stop()


def test_a_run_that_never_learned_the_time_leaves_its_rows_as_they_are(in_memory: Path) -> None:
    shop = opened(in_memory, HandClock(is_set=False))
    shop.run(60)
    shop.stop()
    shop.clock = HandClock(T0 + DAY_S, is_set=True)
    shop.start()
    shop.run(60)
    assert shop.agent.journal.unsure_from == 0
    assert placed(times_kept(shop), every_period(T0, 60) + every_period(T0 + DAY_S, 60))
    shop.stop()


def test_small_differences_are_followed_gently_and_never_backwards() -> None:
    clock = HandClock()
    clock.begin(0.0)
    clock.wall -= 1.5
    last = clock.time()
    for _ in range(100):
        clock.go(1.0)
        assert clock.look() is None
        assert clock.time() > last
        last = clock.time()
    assert clock.time() == pytest.approx(clock.wall, abs=0.01)


AUTUMN, SPRING = 1_792_890_000.0, 1_806_195_600.0  # the moments at which Vienna's clocks go back, and forward


@pytest.mark.parametrize("leap", [AUTUMN, SPRING])
def test_a_leap_through_daylight_saving_moves_no_reading_and_no_belief(
    in_memory: Path, monkeypatch: pytest.MonkeyPatch, leap: float
) -> None:
    """The whole agent through the night of the leap, on a computer in the shop's zone and on one in none."""
    beliefs = []
    for zone in ("UTC", "Europe/Vienna"):
        monkeypatch.setenv("TZ", zone)
        time.tzset()
        start = leap - 3000.0
        shop = opened(in_memory / zone.replace("/", "-"), HandClock(start))
        shop.run(5400)
        assert shop.agent.fault is None
        assert placed(times_kept(shop), every_period(start, 5400))
        reader = JournalReader(shop.journal_path)
        rows = [row.data() for row in reader.rows_after(0, 100_000) if row.kind == "belief"]
        reader.close()
        steps = {round(after["time"] - before["time"], 3) for before, after in itertools.pairwise(rows)}
        assert len(steps) == 1 and len(rows) > 5
        assert max(abs(after["volume_l"] - before["volume_l"]) for before, after in itertools.pairwise(rows)) < 1.0
        beliefs.append(rows)
        shop.stop()
    monkeypatch.undo()
    time.tzset()
    assert beliefs[0] == beliefs[1]


def test_a_quick_restart_after_readings_stamped_a_little_ahead_is_no_unknown_time() -> None:
    clock = HandClock(T0)
    clock.begin(T0 + 0.9)
    assert clock.sure
    assert clock.time() >= T0 + 0.9


def test_the_real_clock_is_the_computer_s() -> None:
    steady, plain = SteadyClock(), Clock()
    steady.begin(0.0)
    assert steady.time() == pytest.approx(plain.time(), abs=1.0)
    assert steady.look() is None
