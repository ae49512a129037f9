"""The simulated people read a real journal, act in the plant, and say what they did."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from agent.io.journal import Journal
from agent.io.simulated import calendar
from agent.io.simulated.crew import AGAIN_S, PATIENCE_S, SOON_S, Crew, NotTaken, asked
from agent.io.simulated.plant import Plant, new_plant

OPENING = calendar.opening(1_790_000_000.0)
SHIFT = OPENING + 2 * 3600.0


@dataclass
class Notebook:
    """A voice that writes down what it is told, and may be made to refuse."""

    said: list[tuple[str, str, dict[str, Any]]] = field(default_factory=list)
    refuses: int = 0

    def say(self, sump: str, record: dict[str, Any]) -> None:
        self._take(("say", sump, record))

    def decide(self, sump: str, advice_id: str, action: str, fields: dict[str, Any]) -> None:
        self._take((action, sump, {"advice": advice_id, **fields}))

    def _take(self, words: tuple[str, str, dict[str, Any]]) -> None:
        if self.refuses:
            self.refuses -= 1
            raise NotTaken("the page answered 503")
        self.said.append(words)


@dataclass
class Scene:
    plant: Plant
    journal: Journal
    crew: Crew
    voice: Notebook
    told: list[str]

    def post(self, id: str, kind: str, state: str = "approved", **fields: Any) -> None:
        advice = {
            "type": "advice",
            "id": id,
            "time": self.plant.time_s,
            "sump": "mill-2",
            "kind": kind,
            "volume_l": None,
            "makeup_pct": None,
            "of": None,
            **fields,
        }
        self.journal.event("advice", self.plant.time_s, "mill-2", id, advice)
        review = {"advice": id, "event": "post", "from": None, "to": state, "by": "policy", "role": "agent"}
        self.journal.event("review", self.plant.time_s, "mill-2", id, review)

    def live(self, seconds: float) -> None:
        end = self.plant.time_s + seconds
        while self.plant.time_s < end:
            self.plant.advance_to(min(end, self.plant.time_s + 60.0))
            self.crew.round(self.plant.time_s)


@pytest.fixture
def scene(tmp_path: Path) -> Scene:
    plant, voice, told = new_plant(OPENING, 1), Notebook(), []
    plant.advance_to(SHIFT)
    journal = Journal.open(tmp_path / "journal.sqlite")
    crew = Crew(plant, tmp_path / "journal.sqlite", voice, told.append, random.Random(1))
    return Scene(plant, journal, crew, voice, told)


def test_an_approved_top_off_is_left_a_while_then_poured_and_said(scene: Scene) -> None:
    scene.post("a1", "top_off", volume_l=30.0, makeup_pct=2.5)
    before = scene.plant.conditions["mill-2"].concentrate_l
    scene.live(PATIENCE_S - 120.0)
    assert scene.voice.said == [] and scene.plant.poured == []
    scene.live(1200.0)
    assert [words[0] for words in scene.voice.said] == ["begin", "done"]
    assert scene.voice.said[1] == ("done", "mill-2", {"advice": "a1", "volume_l": 30.0, "makeup_pct": 2.5})
    assert [(p.litres, p.pct) for p in scene.plant.poured] == [(30.0, 2.5)]
    gained = scene.plant.conditions["mill-2"].concentrate_l - before
    assert gained == pytest.approx(30.0 * 0.025 * scene.plant.natures["mill-2"].proportioner, abs=0.12)


def test_what_waits_for_review_is_left_alone(scene: Scene) -> None:
    scene.post("a1", "strengthen", state="posted", volume_l=30.0, makeup_pct=8.0)
    scene.live(PATIENCE_S + 3600.0)
    assert scene.voice.said == [] and scene.plant.poured == []


def test_a_change_by_the_reviewer_is_what_gets_poured(scene: Scene) -> None:
    scene.post("a1", "strengthen", state="posted", volume_l=30.0, makeup_pct=8.0)
    amended = {
        "advice": "a1",
        "event": "amend",
        "from": "posted",
        "to": "approved",
        "by": "Ada",
        "role": "supervisor",
        "volume_l": 20.0,
        "makeup_pct": 9.0,
    }
    scene.journal.event("review", scene.plant.time_s, "mill-2", "a1", amended)
    scene.live(PATIENCE_S + 1200.0)
    assert [(p.litres, round(p.pct)) for p in scene.plant.poured] == [(20.0, 9)]
    assert scene.voice.said[-1] == ("done", "mill-2", {"advice": "a1", "volume_l": 20.0, "makeup_pct": 9.0})


def test_asked_for_a_reading_somebody_dips(scene: Scene) -> None:
    scene.post("a1", "read_strength")
    scene.live(SOON_S + 300.0)
    ((_, _, record),) = scene.voice.said
    assert record["signal"] == "hand_reading"
    assert record["value"] == pytest.approx(scene.plant.conditions["mill-2"].strength_pct / 1.5, abs=0.8)


def test_asked_what_went_in_somebody_remembers(scene: Scene) -> None:
    start = scene.plant.time_s
    scene.plant.pour("mill-2", 25.0, 0.0)
    finding = {"type": "finding", "id": "f1", "start": start + 120.0, "sump": "mill-2", "kind": "top_off"}
    scene.journal.event("finding", start + 600.0, "mill-2", "f1", finding)
    scene.post("a1", "ask", of="f1")
    scene.live(SOON_S + 300.0)
    assert scene.voice.said == [("say", "mill-2", {"signal": "addition", "volume_l": 25.0, "pct": 0.0, "of": "f1"})]


def test_asked_to_look_somebody_looks_and_says_so(scene: Scene) -> None:
    scene.post("a1", "look")
    scene.live(PATIENCE_S + 600.0)
    assert [(words[0], words[2]["advice"]) for words in scene.voice.said] == [("done", "a1")]
    assert "Looked" in scene.voice.said[0][2]["note"]


def test_a_part_to_be_drained_is_drained_not_poured(scene: Scene) -> None:
    scene.post("a1", "drain_part", volume_l=30.0)
    before = scene.plant.rest_litres("mill-2")
    scene.live(PATIENCE_S + 900.0)
    assert scene.plant.rest_litres("mill-2") == pytest.approx(before - 30.0, abs=2.0)
    assert scene.voice.said[-1] == ("done", "mill-2", {"advice": "a1", "volume_l": 30.0})


def test_what_the_page_did_not_take_is_said_again(scene: Scene) -> None:
    scene.post("a1", "read_strength")
    scene.voice.refuses = 2
    scene.live(SOON_S + 2 * AGAIN_S + 600.0)
    assert len(scene.voice.said) == 1
    assert sum("did not take it" in line for line in scene.told) == 2


def test_nothing_is_poured_that_could_not_be_begun(scene: Scene) -> None:
    scene.post("a1", "top_off", volume_l=30.0, makeup_pct=2.5)
    scene.voice.refuses = 10**6
    scene.live(PATIENCE_S + 1200.0)
    assert scene.plant.poured == []


def test_a_sump_nearly_dry_is_topped_off_without_being_told(scene: Scene) -> None:
    scene.plant.drain("mill-2", 90.0)
    scene.live(3600.0)
    assert scene.plant.rest_litres("mill-2") > 300.0
    assert scene.voice.said[0][2]["signal"] == "addition"


def test_nobody_acts_at_night(scene: Scene) -> None:
    scene.plant.advance_to(OPENING + 17 * 3600.0)  # 22:50
    scene.post("a1", "top_off", volume_l=30.0, makeup_pct=2.5)
    scene.live(4 * 3600.0)
    assert scene.voice.said == [] and scene.plant.poured == []


def test_without_a_journal_people_wait(tmp_path: Path) -> None:
    plant = new_plant(OPENING, 1)
    plant.advance_to(SHIFT)
    crew = Crew(plant, tmp_path / "none.sqlite", Notebook(), print)
    crew.round(plant.time_s)
    assert plant.poured == []


def test_asked_for_takes_the_last_change() -> None:
    changed = {"volume_l": 20.0, "makeup_pct": 0.0}
    assert asked({"advice": {"volume_l": 30.0, "makeup_pct": 8.0}, "reviews": [{}, changed]}) == (20.0, 0.0)
