"""A dose from the review to the proof: approved by a reviewer, begun by a person, told like any addition."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from agent.core import dosing, review
from agent.core.dosing import LOCKED, READY, RUNNING, SELECTED, SETTLING
from agent.core.gates import SPIKE
from agent.core.outputs import Belief
from agent.doses import UNWRITTEN, Doses, Post, doses_of
from agent.io.inbox import Word
from agent.io.journal import Sample
from agent.io.valve_process import Standing, ValveProcess
from agent.reviews import Row
from agent.site import load_site
from tests.contract.test_site_file import BUSES, SOUND
from tests.io.lines import wait_for
from tests.io.test_reviews import T0, Desk
from tests.io.test_valve import WAIT_S, Wired

LIMITS = dosing.Limits("mill-1", 2.5, 60.0, 40.0, 60.0, 90.0, 5.0, 360.0, 1.0)
TICK_S = 0.2
DOSING = """
[sump.dosing]
driver = "modbus_coil"
port = "/dev/valve"
unit = 1
coil = 4
rate_l_per_min = 4.0
pct = 2.5
max_dose_l = 20.0
max_hour_l = 30.0
max_day_l = 60.0
margin_l = 5.0
"""


@dataclass
class Stand:
    """A valve that does as it is told, by the works' clock."""

    clock: Works
    dead_man: dosing.DeadMan = field(default_factory=dosing.DeadMan)
    fault: str = ""
    stuck: bool | None = None
    running: bool = False

    def start(self) -> None:
        self.running = True

    def stop(self) -> None:
        self.running = False

    def hold(self) -> None:
        self.dead_man.renew(self.clock.steady_s)

    def close(self) -> None:
        self.dead_man.close()

    @property
    def on(self) -> bool:
        return self.dead_man.is_open(self.clock.steady_s) if self.stuck is None else self.stuck

    def standing(self) -> Standing:
        return Standing(None if self.fault else self.on, self.fault)


class Works:
    """Reviews, doses and a tank, in one hand. Time goes as it is told."""

    def __init__(self, valve: Any = None) -> None:
        self.now, self.steady_s, self.volume_l, self.wobble = T0, 500.0, 300.0, 0
        self.status = "settled"
        self.desk = Desk()
        self.valve = Stand(self) if valve is None else valve
        self.post = Post(LIMITS, self.valve)
        self.doses = Doses({"mill-1": self.post}, self.desk.reviews, self.believe, lambda: self.steady_s)
        self.records: list[Any] = []
        self.words, self.disk = 0, True

    def believe(self, sump: str) -> Belief:
        blank: dict[str, Any] = dict.fromkeys(Belief.__dataclass_fields__, 0.0)
        return Belief(**{**blank, "sump": sump, "volume_l": self.volume_l, "status": self.status})

    def start(self, rows: list[Row] | None = None) -> None:
        self.doses.start(rows or [], self.now)

    def sample(self, flags: int = 0) -> None:
        self.wobble ^= 1
        litres = self.volume_l + 0.05 * self.wobble
        self.doses.saw(Sample(self.now, "mill-1", "level", litres, litres, flags))

    def enter(self, rows: list[Row]) -> list[Row]:
        self.desk.enter(rows)
        for row in rows:
            self.desk.enter(self.doses.absorb(row, self.now))
        return rows

    def tick(self, times: int = 1, sampled: bool = True) -> None:
        """As the agent's loop does."""
        for _ in range(times):
            if self.valve.on:
                self.volume_l += TICK_S * LIMITS.rate_l_per_s
            self.now += TICK_S
            self.steady_s += TICK_S
            if sampled:
                self.sample()
            rows, words = self.doses.tick(self.now)
            self.enter(rows)
            for word in words:
                decision = self.desk.reviews.decided(word, lambda _: self.volume_l)
                self.enter(decision.rows)
                self.records.append(decision.record)

    def say(self, action: str, role: str = "supervisor", kind: str = "decision", **body: Any) -> Row:
        """A word through the inbox, as the agent takes it; its first row."""
        self.words += 1
        told = {"action": action, **({"advice": "a1"} if kind == "decision" else {}), **body}
        word = Word(self.words, self.now, "Ana", role, "mill-1", kind, told, f"w{self.words}")
        rows = self.doses.heard(word, self.now)
        if not rows:
            rows = self.desk.reviews.decided(word, lambda _: self.volume_l).rows
        self.enter(rows)
        more = self.doses.decided(word, rows, self.now)
        self.enter(more)
        if self.disk:
            self.doses.kept()
        return [*rows, *more][-1]

    def approve(self, action: str = "approve", **more: Any) -> str:
        """Approved with a dose; the key that the pages are shown."""
        seen = {"advice": {"volume_l": 10.0, "makeup_pct": 2.5}, "volume_l": 300.0}
        self.say(action, dose=True, **{"seen": seen, **more})
        return str(self.shown["key"])

    @property
    def shown(self) -> dict[str, Any]:
        found: dict[str, Any] = self.doses.shown(self.now)["mill-1"]
        return found

    @property
    def state(self) -> str | None:
        found = self.desk.find("a1")
        return None if found is None else found["state"]

    def told(self) -> list[tuple[str, str]]:
        return [
            (row.body["from"], row.body["to"]) for row in self.desk.rows if "to" in row.body and row.kind == "agent"
        ]


def advised(works: Works, **more: Any) -> None:
    works.desk.advise("a1", at=works.now, **{"volume_l": 10.0, **more})
    works.enter(works.desk.reviews.due(works.now))


@pytest.fixture
def works() -> Works:
    """Reset, with an instruction that waits for its review."""
    made = Works()
    made.desk.reviews.top_off = "review"
    made.start()
    made.tick(20)
    made.say("reset", kind="dosing")
    advised(made)
    assert (made.state, made.post.state.phase) == ("posted", READY)
    return made


# -- the straight way -------------------------------------------------------------------------------------------------


def test_a_dose_is_approved_begun_given_and_told(works: Works) -> None:
    key = works.approve()
    assert (works.state, works.post.state.phase) == ("approved", SELECTED)
    assert not works.valve.on
    works.say("begin", "operator", dose=key)
    assert (works.state, works.post.state.phase) == ("begun", RUNNING)
    works.tick(60)
    assert works.post.state.phase == SETTLING and not works.valve.on
    assert works.state == "done"
    (record,) = works.records
    assert (record.signal, record.sump, record.pct, record.by) == ("addition", "mill-1", 2.5, "dosing")
    assert record.volume_l == pytest.approx(works.volume_l - 300.0, abs=0.5)
    assert 7.5 < record.volume_l <= 10.0
    works.tick(int((dosing.SETTLE_S + 1.0) / TICK_S))
    assert works.post.state.phase == READY
    phases = ["locked", "ready", "selected", "running", "settling", "ready"]
    assert works.told() == list(zip(phases, phases[1:], strict=False))


def test_it_opens_only_when_the_row_that_tells_of_it_is_kept(works: Works) -> None:
    """An agent that dies in between would not know, after its restart, what counts towards the caps."""
    key, works.disk = works.approve(), False
    row = works.say("begin", "operator", dose=key)
    assert row.body["to"] == RUNNING and works.doses.waits and not works.valve.on
    works.doses.kept()
    assert works.valve.on and not works.doses.waits
    works.tick(60)
    assert works.state == "done" and works.records[0].volume_l == pytest.approx(works.volume_l - 300.0, abs=0.5)


def test_a_disk_that_takes_nothing_opens_nothing(works: Works) -> None:
    key, works.disk = works.approve(), False
    works.say("begin", "operator", dose=key)
    works.tick(10)
    assert not works.valve.on and works.post.state.phase == READY and works.volume_l == 300.0
    assert works.desk.rows[-1].body["why"] == UNWRITTEN and works.records == []
    works.disk = True
    assert "used already" in works.say("begin", "operator", dose=key).body["refused"]


def test_the_addition_proves_it_like_any_other(works: Works) -> None:
    works.say("begin", "operator", dose=works.approve())
    works.tick(60)
    works.desk.find_inflow("f1", works.now - 10.0, volume_l=works.records[0].volume_l)
    works.enter(works.desk.reviews.due(works.now))
    assert works.state == review.PROVEN


# -- always reviewed --------------------------------------------------------------------------------------------------


def test_what_the_site_s_policy_approved_is_not_dosed() -> None:
    made = Works()
    made.start()
    made.tick(20)
    made.say("reset", kind="dosing")
    advised(made)
    assert made.state == "approved"
    assert made.shown["key"] is None
    assert made.say("begin", "operator", dose="anything").body["refused"].startswith("nothing is selected")
    assert made.state == "approved"
    key = made.approve("amend", volume_l=10.0)
    made.say("begin", "operator", dose=key)
    assert made.post.state.phase == RUNNING


def test_an_operator_approves_no_dose(works: Works) -> None:
    works.say("approve", "operator", dose=True, seen={"advice": {"volume_l": 10.0, "makeup_pct": 2.5}})
    assert (works.state, works.post.state.phase) == ("posted", READY)


@pytest.mark.parametrize("seen", [None, {}, {"advice": None}, "x"])
def test_who_does_not_say_what_was_shown_approves_no_dose(works: Works, seen: Any) -> None:
    row = works.say("approve", dose=True, seen=seen)
    assert "what was shown" in row.body["refused"]
    assert (works.state, works.post.state.phase) == ("approved", READY)  # a person may still pour it


def test_an_approval_without_the_wish_is_for_people(works: Works) -> None:
    works.say("approve", seen={"advice": {"volume_l": 10.0, "makeup_pct": 2.5}})
    works.say("begin", "operator")
    works.tick(10)
    assert (works.state, works.post.state.phase) == ("begun", READY)


def test_a_dose_that_cannot_begin_leaves_the_instruction_where_it_is(works: Works) -> None:
    key = works.approve()
    works.tick(20, sampled=False)
    row = works.say("begin", "operator", dose=key)
    assert "refused" in row.body and works.state == "approved"
    assert works.post.state.phase == READY and not works.valve.on


@pytest.mark.parametrize("status", ["stale", "learning"])
def test_a_belief_that_is_no_ground_to_act_upon_doses_nothing(works: Works, status: str) -> None:
    works.status = status
    works.approve()
    assert works.post.state.phase == READY


def test_a_richer_mix_than_the_valve_s_is_not_dosed(works: Works) -> None:
    works.approve("amend", makeup_pct=4.0)
    assert (works.state, works.post.state.phase) == ("approved", READY)


# -- void -------------------------------------------------------------------------------------------------------------


def test_what_is_declined_amended_or_set_aside_is_not_dosed(works: Works) -> None:
    key = works.approve()
    works.say("not_now", "operator", reason="the machine is open")
    assert works.post.state.phase == READY
    assert "refused" in works.say("begin", "operator", dose=key).body


def test_an_instruction_that_is_withdrawn_takes_its_dose_along(works: Works) -> None:
    works.approve()
    works.desk.advise("a1", at=works.now, volume_l=10.0, withdrawn=True)
    (taken_back,) = [row for row in works.desk.rows if row.body.get("to") == "withdrawn"]
    works.enter(works.doses.absorb(taken_back, works.now))
    assert works.post.state.phase == READY


def test_anybody_stops_it_and_what_went_in_is_told(works: Works) -> None:
    works.say("begin", "operator", dose=works.approve())
    works.tick(15)
    assert works.valve.on
    works.say("stop", "operator", kind="dosing", reason="it drips")
    assert not works.valve.on and works.post.state.phase == SETTLING
    works.tick(600)
    assert works.volume_l < 304.0
    assert works.state == "done" and works.records[0].volume_l == pytest.approx(works.volume_l - 300.0, abs=0.5)


# -- locked -----------------------------------------------------------------------------------------------------------


def test_anybody_locks_it_out_while_it_runs_and_says_why(works: Works) -> None:
    works.say("begin", "operator", dose=works.approve())
    works.tick(10)
    assert "reason" in works.say("lock", "operator", kind="dosing").body["refused"] and works.valve.on
    row = works.say("lock", "operator", kind="dosing", reason="the hose drips")
    assert (row.body["to"], row.body["by"], row.body["reason"]) == ("locked", "Ana", "the hose drips")
    assert not works.valve.on and row.body["poured_l"] == pytest.approx(2.0, abs=0.3)
    works.tick(1)
    assert (works.state, len(works.records)) == ("done", 1)  # what went in is told all the same


def test_it_starts_locked_and_only_a_reviewer_resets_it() -> None:
    made = Works()
    made.start()
    made.tick(20)
    assert made.post.state.phase == LOCKED and made.valve.running
    assert made.doses.locked() == {}  # a restart alone is no alert
    assert "refused" in made.say("reset", "operator", kind="dosing").body
    assert "refused" in made.say("open", kind="dosing").body
    assert made.post.state.phase == LOCKED


@pytest.mark.parametrize(("fault", "stuck"), [("no answer", None), ("", True), ("", False)])
def test_a_valve_that_does_not_do_as_it_is_told_locks_it_out(works: Works, fault: str, stuck: bool | None) -> None:
    works.say("begin", "operator", dose=works.approve())
    works.tick(5)
    works.valve.fault, works.valve.stuck = fault, stuck
    if stuck:
        works.say("stop", kind="dosing")
    works.tick(int(dosing.HOLD_S * 2 / TICK_S) + 20)
    assert works.post.state.phase == LOCKED
    assert list(works.doses.locked()) == ["mill-1"]
    assert works.state == "done"  # what had gone in is told all the same


def test_a_driver_that_shut_by_itself_while_the_agent_was_held_up_is_at_no_fault(works: Works) -> None:
    works.say("begin", "operator", dose=works.approve())
    works.tick(30)
    works.steady_s += dosing.HOLD_S + 1.0
    assert not works.valve.on
    works.tick()
    assert works.post.state.phase == SETTLING and works.doses.locked() == {} and not works.valve.on


def test_a_spike_ends_a_dose(works: Works) -> None:
    works.say("begin", "operator", dose=works.approve())
    works.tick(10)
    works.sample(SPIKE)
    works.tick(1, sampled=False)
    assert works.post.state.phase == SETTLING and not works.valve.on


def test_after_a_restart_the_caps_still_count(works: Works) -> None:
    works.say("begin", "operator", dose=works.approve())
    works.tick(60)
    given_l = works.records[0].volume_l
    again = Works()
    again.now = works.now + 60.0
    again.start([row for row in works.desk.rows if row.kind == "agent"])
    assert [litres for _, litres in again.post.state.given] == [pytest.approx(given_l, abs=0.01)]
    begun = [row for row in works.desk.rows if row.kind == "agent"][:-1]  # killed before its end was written
    assert begun[-1].body["to"] == RUNNING
    killed = Works()
    killed.start(begun)
    assert [litres for _, litres in killed.post.state.given] == [10.0]
    ((at_s, _),) = killed.post.state.given
    assert at_s <= killed.steady_s


def test_words_that_make_no_sense_are_kept_and_move_nothing(works: Works) -> None:
    for body in ({"dose": ["x"]}, {"dose": {"a": 1}}, {"dose": 7}):
        works.say("begin", "operator", **body)
    for action in (None, 5, ["stop"]):
        assert "refused" in works.say(action, kind="dosing").body  # type: ignore[arg-type]
    assert works.post.state.phase == READY and not works.valve.on


# -- the site file, and the real driver -------------------------------------------------------------------------------


def test_a_site_without_the_table_has_no_valve(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SOUND + BUSES)
    site = load_site(tmp_path / "site.toml")
    assert doses_of(site, Desk().reviews, lambda _: None, lambda: 0.0) is None  # type: ignore[arg-type, return-value]


def test_the_site_file_s_table_becomes_limits(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SOUND + DOSING + BUSES)
    made = doses_of(load_site(tmp_path / "site.toml"), Desk().reviews, lambda _: None, lambda: 0.0)  # type: ignore[arg-type, return-value]
    assert made is not None
    limits = made.posts["mill-2"].limits
    assert (limits.rate_l_per_min, limits.high_l, limits.margin_l, limits.max_day_l) == (4.0, 360.0, 5.0, 60.0)


@pytest.fixture
def wired(tmp_path: Path) -> Iterator[Wired]:
    made = Wired(tmp_path)
    yield made
    made.end()


class Piped(ValveProcess):
    """The real driver; the tank looks at the coil."""

    wired: Wired

    @property
    def on(self) -> bool:
        return self.wired.on


def test_a_dose_through_a_real_driver_and_a_real_line(wired: Wired) -> None:
    valve = Piped(wired.table)
    valve.wired = wired
    works = Works(valve)
    works.desk.reviews.top_off = "review"
    works.start()
    try:
        wait_for(lambda: valve.standing().on is False and not wired.on, "the valve to be shut", WAIT_S)
        works.tick(20)
        works.say("reset", kind="dosing")
        advised(works)
        works.say("begin", "operator", dose=works.approve())
        wait_for(lambda: works.tick() or wired.on, "the coil", WAIT_S)
        before_l = works.volume_l
        wait_for(lambda: works.tick() or works.state == "done", "the dose", WAIT_S)
        assert works.volume_l > before_l
        wait_for(lambda: not wired.on, "the valve to be shut again", WAIT_S)
    finally:
        works.doses.stop()
    assert works.records[0].volume_l <= 10.0
