"""The simulated sumps keep their books, hold fluid up and show what their transmitters would show."""

from __future__ import annotations

import math
import random

import pytest

from agent.io.simulated import calendar, physics
from agent.io.simulated.physics import Condition, Flow
from agent.io.simulated.plant import BUCKETS_L_PER_S, new_plant
from agent.io.simulated.shop import NATURES

MILL = NATURES["mill-2"]
DAY_S = 86_400.0


def a_mill(running: bool = True) -> Condition:
    return Condition(volume_l=300.0, concentrate_l=21.0, running=running)


def test_litres_and_concentrate_are_booked_to_the_last_drop() -> None:
    now = a_mill()
    now.flows += [Flow(40.0, BUCKETS_L_PER_S, 2.5), Flow(25.0, 0.2, None)]
    poured, evaporated, carried = 0.0, 0.0, 0.0
    for _ in range(600):
        before = sum(flow.left_l for flow in now.flows if flow.pct is not None)
        water_l, mix_l = physics.advance(MILL, now, 10.0, 22.0)
        poured += before - sum(flow.left_l for flow in now.flows if flow.pct is not None)
        evaporated, carried = evaporated + water_l, carried + mix_l
    assert poured == pytest.approx(40.0, abs=1e-9)
    assert now.volume_l == pytest.approx(300.0 + 40.0 - 25.0 - evaporated - carried, abs=1e-9)
    assert evaporated > carried > 0.0


def test_evaporation_leaves_the_concentrate_behind() -> None:
    nature = NATURES["lathe-1"]
    now = Condition(volume_l=150.0, concentrate_l=9.0)  # at rest: nothing is carried off
    for _ in range(1440):
        physics.advance(nature, now, 60.0, 22.0)
    assert now.concentrate_l == pytest.approx(9.0, abs=1e-12)
    assert now.strength_pct > 6.0


def test_mixing_follows_the_textbook() -> None:
    now = a_mill(running=False)
    now.flows.append(Flow(50.0, 1.0, 2.0))
    still = physics.Nature(**{**_fields(MILL), "idle_evaporation_l_per_h": 0.0})
    for _ in range(60):
        physics.advance(still, now, 1.0, 22.0)
    assert now.strength_pct == pytest.approx(100.0 * (21.0 + 1.0) / 350.0, rel=1e-12)


def test_the_pump_holds_fluid_up_and_gives_it_back() -> None:
    now = a_mill()
    for _ in range(60):
        physics.advance(MILL, now, 20.0, 22.0)
    held = now.volume_l - now.standing_l
    assert held == pytest.approx(MILL.held_l, rel=0.01)
    now.running = False
    for _ in range(15):
        physics.advance(MILL, now, 20.0, 22.0)
    tail = now.volume_l - now.standing_l
    assert 0.05 * held < tail < 0.25 * held  # five minutes on: most is back, the tail still drips
    for _ in range(120):
        physics.advance(MILL, now, 60.0, 22.0)
    assert now.volume_l - now.standing_l < 0.02 * held


def test_a_transmitter_that_looks_down_reads_less_when_there_is_more() -> None:
    grinder, rng = NATURES["grinder-1"], random.Random(1)
    low, high = Condition(300.0, 12.0), Condition(400.0, 16.0)
    assert physics.level_raw(grinder, low, rng) > physics.level_raw(grinder, high, rng) + 50.0


def test_an_inline_refractometer_lies_with_the_pump_off() -> None:
    rng = random.Random(1)
    on, off = a_mill(), a_mill(running=False)
    true = on.strength_pct / MILL.factor
    good = [physics.inline_brix(MILL, on, 1000.0, rng) for _ in range(50)]
    air = [physics.inline_brix(MILL, off, 1000.0, rng) for _ in range(50)]
    assert all(abs(value - true - MILL.inline_bias_brix) < 0.3 for value in good)
    assert max(air) - min(air) > 1.0


def test_a_pump_never_empties_the_sump_by_use() -> None:
    now = a_mill()
    now.work = 500.0
    for _ in range(5000):
        physics.advance(MILL, now, 60.0, 22.0)
    assert now.volume_l > 0.0 and math.isfinite(now.strength_pct)


def test_nobody_works_at_night_and_on_sundays() -> None:
    wednesday = calendar.opening(1_790_000_000.0)
    night, day, sunday = wednesday - 4 * 3600.0, wednesday + 3600.0, wednesday + 4 * DAY_S + 4 * 3600.0
    assert not calendar.attended(night) and calendar.attended(day) and not calendar.attended(sunday)
    assert not calendar.runs(1, "mill-2", night) and not calendar.runs(1, "mill-2", sunday)


def test_the_pump_runs_in_blocks_for_most_of_a_shift() -> None:
    wednesday = calendar.opening(1_790_000_000.0)
    minutes = [calendar.runs(1, "mill-2", wednesday + 60.0 * k) for k in range(16 * 60)]
    assert 0.5 < sum(minutes) / len(minutes) < 0.95
    assert 4 < sum(a != b for a, b in zip(minutes, minutes[1:], strict=False)) < 60


def test_opening_is_a_wednesday_before_the_shift_and_never_ahead_of_now() -> None:
    for now in (1_790_000_000.0 + 40_000.0 * k for k in range(60)):
        opening = calendar.opening(now)
        assert now - 7 * DAY_S - 3600.0 <= opening <= now
        assert calendar.midnight(opening).weekday() == 2
        assert calendar.hour_of_day(opening) == pytest.approx(5 + 50 / 60)


def test_the_same_seed_lives_the_same_day() -> None:
    start = calendar.opening(1_790_000_000.0)
    one, other = new_plant(start, 7), new_plant(start, 7)
    one.advance_to(start + 7200.0)
    other.advance_to(start + 7200.0)
    assert one.state() == other.state()
    assert one.level_raw("mill-1") == other.level_raw("mill-1")


def test_a_pour_at_the_proportioner_comes_at_its_real_ratio() -> None:
    start = calendar.opening(1_790_000_000.0)
    plant = new_plant(start, 1)
    before = plant.conditions["mill-2"].concentrate_l
    takes_s = plant.pour("mill-2", 40.0, 2.5)
    plant.advance_to(start + takes_s + 60.0)
    gained = plant.conditions["mill-2"].concentrate_l - before
    assert gained == pytest.approx(40.0 * 0.025 * MILL.proportioner, abs=1e-9)  # the pump is still off at 05:55


@pytest.mark.parametrize(
    "order",
    [
        ("mill-9", 10.0, 2.0),
        ("mill-2", -1.0, 2.0),
        ("mill-2", math.nan, 2.0),
        ("mill-2", 10.0, 101.0),
        ("mill-2", 10.0, math.nan),
    ],
)
def test_a_senseless_pour_is_refused_and_changes_nothing(order: tuple[str, float, float]) -> None:
    plant = new_plant(calendar.opening(1_790_000_000.0), 1)
    before = plant.state()
    with pytest.raises(ValueError):
        plant.pour(*order)
    assert plant.state() == before


def _fields(nature: physics.Nature) -> dict[str, object]:
    return {name: getattr(nature, name) for name in physics.Nature.__dataclass_fields__}
