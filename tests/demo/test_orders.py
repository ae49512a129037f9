"""Orders at the demo's terminal: one line in, one answer out, nonsense refused with what to do."""

from __future__ import annotations

import pytest

from agent.io.simulated import calendar, commands
from agent.io.simulated.plant import Plant, new_plant


@pytest.fixture
def plant() -> Plant:
    return new_plant(calendar.opening(1_790_000_000.0), 1)


def test_a_pour_is_poured(plant: Plant) -> None:
    before = plant.rest_litres("mill-2")
    assert commands.answer(plant, "pour mill-2 40 2.5").startswith("mill-2: pouring 40 L set at 2.5 %")
    plant.advance_to(plant.time_s + 600.0)
    assert plant.rest_litres("mill-2") == pytest.approx(before + 40.0, abs=0.1)


def test_a_drain_is_drained_and_work_is_worked(plant: Plant) -> None:
    before = plant.rest_litres("mill-1")
    commands.answer(plant, "drain mill-1 30")
    commands.answer(plant, "work mill-1 3")
    plant.advance_to(plant.time_s + 600.0)
    assert plant.rest_litres("mill-1") == pytest.approx(before - 30.0, abs=0.3)
    assert plant.conditions["mill-1"].work == 3.0


def test_a_dip_reads_what_is_there(plant: Plant) -> None:
    words = commands.answer(plant, "dip mill-2").split()
    assert float(words[2]) == pytest.approx(plant.conditions["mill-2"].strength_pct / 1.5, abs=0.7)


def test_state_names_every_sump(plant: Plant) -> None:
    lines = commands.answer(plant, "state").splitlines()
    assert [line.split(":")[0] for line in lines] == ["lathe-1", "mill-1", "mill-2", "grinder-1"]


def test_help_names_every_order(plant: Plant) -> None:
    named = {line.split()[0] for line in commands.answer(plant, "help").splitlines()}
    assert named == set(commands.ORDERS)


@pytest.mark.parametrize(
    "line",
    [
        "fly",
        "pour",
        "pour mill-2 forty 2.5",
        "pour mill-9 40 2.5",
        "drain mill-2 -3",
        "work mill-2 inf",
        "dip nothing",
        "state now",
    ],
)
def test_nonsense_is_refused_and_changes_nothing(plant: Plant, line: str) -> None:
    before = plant.state()
    with pytest.raises(commands.NotUnderstood, match=line.split()[0]):
        commands.answer(plant, line)
    assert plant.state() == before
