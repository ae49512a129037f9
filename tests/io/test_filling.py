"""The live file says what is being poured, for the instruction that people have begun."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from agent.core.curve import Curve
from agent.core.filling import Asked
from agent.core.spec import SiteSpec, SumpSpec
from agent.engine import Engine
from agent.io.clock import Clock
from agent.io.journal import Journal
from agent.picture import Picture, asked
from agent.records import sensed
from agent.reviews import Instruction
from agent.service import Agent
from agent.site import load_site
from tests import sites

SPEC = SumpSpec(
    "mill-2", "Mill 2", 340.0, 240.0, 360.0, 7.0, 6.0, 8.4, 1.5, 2.5, 1.5, 14.0, Curve((0.0, 421.0), (0.0, 421.0))
)
SITE = SiteSpec("Harrow Lane Gearworks", sumps={"mill-2": SPEC})
T0 = 1.76e9


def instruction(number: int, state: str, volume_l: float) -> Instruction:
    one = Instruction(f"mill-2/advice{number}", "mill-2", "top_off", {}, state)
    one.volume_l, one.makeup_pct = volume_l, 2.5
    return one


def test_a_pour_through_the_engine_counts_down_in_the_live_picture(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "journal.sqlite")
    engine, picture = Engine(journal, SITE, 600.0), Picture(simulated=False)
    known = [instruction(1, "approved", 50.0), instruction(2, "begun", 38.0)]  # amended from 50 to 38
    now = T0
    engine.step(sensed(now, "mill-2", "running", 0.0))
    for k in range(180):
        now = T0 + k
        engine.step(sensed(now, "mill-2", "level", 290.0 + 0.2 * (k % 3)))
    assert engine.filling("mill-2", now, asked(known, "mill-2")) is None
    for k in range(60):
        now += 1.0
        engine.step(sensed(now, "mill-2", "level", 290.0 + 0.2 * (k % 3) + 0.5 * (k + 1)))
    pour = engine.filling("mill-2", now, asked(known, "mill-2"))
    body = picture.body(now, 1, {}, {"mill-2": {}}, {"mill-2": pour})
    told = body["sumps"]["mill-2"]["filling"]
    assert told["advice"] == "mill-2/advice2" and told["target_l"] == 38.0
    assert told["poured_l"] == pytest.approx(30.0, abs=1.2) and told["to_go_l"] == pytest.approx(8.0, abs=1.2)
    assert told["rate_l_per_min"] == pytest.approx(30.0, abs=3.0)
    assert told["to_high_s"] == pytest.approx(80.0, abs=10.0) and told["overfill"] is False
    assert told["since"] == pytest.approx(T0 + 180.0, abs=8.0)
    for _ in range(60):
        now += 1.0
        engine.step(sensed(now, "mill-2", "level", 290.0 + 0.5 * (now - T0 - 179.0)))
    late = engine.filling("mill-2", now, asked(known, "mill-2"))
    assert late is not None and late.row()["overfill"] and late.to_go_l == pytest.approx(-22.0, abs=1.5)
    journal.close()


def test_people_may_pour_what_is_begun_or_approved_and_nothing_else() -> None:
    waits, gone = instruction(1, "posted", 20.0), instruction(2, "done", 20.0)
    assert asked([waits, gone], "mill-2") is None
    assert asked([waits, instruction(3, "approved", 25.0)], "mill-2") == Asked("mill-2/advice3", 25.0)
    assert asked([instruction(3, "approved", 25.0)], "mill-1") is None


def test_the_agent_raises_an_alert_before_the_high_mark_is_reached(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(sites.head() + sites.sump(curve="[[0.0, 0.0], [421.0, 421.0]]"))
    site, clock = load_site(tmp_path / "site.toml"), Clock()
    agent = Agent(site, "", tmp_path / "journal.sqlite", tmp_path / "inbox.sqlite", tmp_path, clock)
    began, litres = clock.time() - 300.0, 0.0
    agent.engine.step(sensed(began, "mill-2", "running", 0.0))
    for k in range(298):
        litres = 300.0 + 0.1 * (k % 3) + 0.5 * max(0, k - 200)
        agent.engine.step(sensed(began + k, "mill-2", "level", litres))
    agent._write_live()
    live = json.loads((tmp_path / "live.json").read_text())
    assert litres < site.sump[0].high_l and live["sumps"]["mill-2"]["filling"]["overfill"] is True
    assert [alert["kind"] for alert in live["alerts"]] == ["overfill"]
    agent.stop()
