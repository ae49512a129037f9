"""The real agent with a real valve driver: locked after every start, reset by a reviewer alone, shut by a kill."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.faults.harness import Transmitter, Works
from tests.io.test_valve import WAIT_S, Wired

DOSING = """
[sump.dosing]
driver = "modbus_coil"
port = "{port}"
baud = 19200
unit = 1
coil = 4
rate_l_per_min = 4.0
pct = 2.5
max_dose_l = 20.0
max_hour_l = 30.0
max_day_l = 60.0
margin_l = 5.0
"""


@pytest.fixture
def wired(tmp_path: Path) -> Iterator[Wired]:
    (tmp_path / "valve").mkdir()
    made = Wired(tmp_path / "valve")
    yield made
    made.end()


@pytest.fixture
def works(tmp_path: Path, wired: Wired) -> Iterator[Works]:
    opened = Works(tmp_path, more=DOSING.format(port=wired.agents.path))
    yield opened
    opened.end()


def dosing(works: Works) -> dict[str, Any]:
    found: dict[str, Any] = works.live().get("dosing", {}).get("mill-1", {})
    return found


def test_a_valve_is_locked_after_every_start_and_shut_when_the_agent_is_killed(works: Works, wired: Wired) -> None:
    sender = Transmitter(works.plugs["mill-1"])
    sender.start()
    works.start()
    works.wait(lambda: dosing(works).get("valve", {}).get("on") is False, "the valve to be known to be shut", WAIT_S)
    assert dosing(works)["phase"] == "locked" and not wired.on
    works.say("by an operator", "dosing", {"action": "reset"})
    works.say("by a supervisor", "dosing", {"action": "reset", "reason": "looked at it"}, role="supervisor")
    works.wait(lambda: dosing(works)["phase"] == "ready", "the reset", WAIT_S)
    rows = [row for row in works.events("agent") if row["event"] == "dosing"]
    assert "refused" in rows[0] and (rows[1]["to"], rows[1]["by"], rows[1]["reason"]) == (
        "ready",
        "Ana",
        "looked at it",
    )
    wired.slave.set_coil(4, True)  # as if it had been open in that moment
    works.kill()
    works.start()
    works.wait(lambda: dosing(works).get("valve", {}).get("on") is False, "the valve to be known to be shut", WAIT_S)
    assert dosing(works)["phase"] == "locked" and not wired.on
    sender.end()
    assert works.terminate() == 0
