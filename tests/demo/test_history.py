"""The fortnight before the first live moment: sound records in time order, and the works left as the demo needs it."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path

import pytest

from agent.io.simulated import calendar, history
from agent.io.simulated.plant import Plant, new_plant
from agent.records import SAID, decode_line
from agent.site import check_site, load_site

OPENING = calendar.opening(1_790_000_000.0)
SITE = Path(str(files("agent.io.simulated") / "harrow-lane.toml"))


@pytest.fixture(scope="module", params=[1, 2, 3])
def lived(request: pytest.FixtureRequest) -> tuple[Plant, list[dict[str, object]]]:
    plant = new_plant(history.beginning(OPENING), request.param)
    return plant, list(history.live_through(plant, OPENING))


def test_the_site_file_is_sound() -> None:
    faults, _ = check_site(SITE)
    assert faults == []


def test_every_record_passes_the_door_in_order_of_time(lived: tuple[Plant, list[dict[str, object]]]) -> None:
    records = [decode_line(json.dumps(record).encode()) for record in lived[1]]
    assert all(a.time <= b.time for a, b in zip(records, records[1:], strict=False))
    sumps = load_site(SITE).spec().sumps
    assert {record.sump for record in records} == set(sumps)
    assert records[-1].time < OPENING


def test_what_people_said_is_marked_as_simulated(lived: tuple[Plant, list[dict[str, object]]]) -> None:
    words = [record for record in lived[1] if record["signal"] in SAID]
    assert len(words) > 20
    assert all(record["by"] == history.SIMULATED_PERSON for record in words)


def test_the_level_curves_of_the_site_fit_the_tanks_within_a_percent(
    lived: tuple[Plant, list[dict[str, object]]],
) -> None:
    plant, _ = lived
    for sump, spec in load_site(SITE).spec().sumps.items():
        now = plant.conditions[sump]
        seen = spec.curve.litres_at(plant.level_raw(sump))
        assert abs(seen - now.standing_l) < 0.015 * spec.full_l


def test_the_demo_opens_with_a_low_lathe_and_a_weak_mill(lived: tuple[Plant, list[dict[str, object]]]) -> None:
    truth = lived[0].state()["sumps"]
    assert 125.0 < truth["lathe-1"]["volume_l"] < 127.5
    assert truth["mill-1"]["volume_l"] > 185.0 and 5.0 < truth["mill-1"]["strength_pct"] < 5.9
    assert 6.3 < truth["mill-2"]["strength_pct"] < 8.0
    assert not any(now["running"] for now in truth.values())
