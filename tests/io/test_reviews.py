"""Advice on its way to being proven: what is posted, who may decide, what proves it, and nothing said is lost."""

from __future__ import annotations

from typing import Any

import pytest

from agent.core.curve import Curve
from agent.core.outputs import Advice, Finding
from agent.core.spec import SiteSpec, SumpSpec
from agent.io.inbox import Word
from agent.reviews import BEGUN_WAIT_S, PROOF_WAIT_S, Decision, Reviews, Row

T0 = 1_790_000_000.0


def sump(id: str) -> SumpSpec:
    return SumpSpec(
        id=id,
        name=id,
        full_l=340.0,
        low_l=240.0,
        high_l=360.0,
        target_pct=7.0,
        low_pct=6.0,
        high_pct=8.4,
        refractometer_factor=1.5,
        usual_pct=2.5,
        leanest_pct=1.5,
        richest_pct=14.0,
        curve=Curve((0.0, 380.0), (0.0, 421.0)),
    )


SITE = SiteSpec("Harrow Lane Gearworks", sumps={id: sump(id) for id in ("mill-1", "mill-2")})


class Desk:
    """The reviews with a journal that is a list: what was entered can be looked up, and everything replayed."""

    def __init__(self, top_off: str = "post") -> None:
        self.rows: list[Row] = []
        self.top_off = top_off
        self.reviews = Reviews(SITE, top_off, self.find)
        self.seq = 0

    def find(self, id: str) -> dict[str, Any] | None:
        advice = [row for row in self.rows if row.kind == "advice" and row.id == id]
        if not advice:
            return None
        steps = [row for row in self.rows if row.kind == "review" and row.id == id]
        states = [row.body["to"] for row in steps if row.body["to"]]
        return {
            "id": id,
            "sump": advice[-1].sump,
            "state": states[-1] if states else None,
            "advice": advice[-1].body,
            "posted_at": steps[0].time if steps else None,
            "reviews": [{"time": row.time, **row.body} for row in steps],
        }

    def enter(self, rows: list[Row]) -> list[Row]:
        self.rows += rows
        for row in rows:
            self.reviews.absorb(row)
        return rows

    def advise(self, id: str, at: float = T0, sump: str = "mill-1", **more: Any) -> None:
        usual = {"kind": "top_off", "volume_l": 40.0, "makeup_pct": 2.5, "water_l": 39.0, "concentrate_l": 1.0}
        rest = dict.fromkeys(
            ("expected_volume_l", "expected_strength_pct", "expected_strength_sd", "chance_in_band", "due_in_h")
        )
        advice = Advice(**{"id": id, "time": at, "sump": sump, "reason": "low soon", **rest, **usual, **more})
        self.enter(self.reviews.advised(advice, at))

    def find_inflow(self, id: str, start: float, volume_l: float = 40.0, sump: str = "mill-1", **more: Any) -> None:
        said = {"revision": 1, "time": start + 900, "kind": "top_off", "start": start, "end": start + 300}
        numbers = {"volume_l": volume_l, "volume_sd": 2.0, "makeup_pct": 2.5, "makeup_sd": 3.0, "text": ""}
        finding = Finding(**{"id": id, "sump": sump, "rate_l_per_h": None, "rate_sd": None, **said, **numbers, **more})
        self.enter(self.reviews.found(finding))

    def time(self, now: float) -> list[Row]:
        return self.enter(self.reviews.due(now))

    def decide(self, id: str, action: str, role: str = "operator", at: float = T0 + 60, **more: Any) -> Decision:
        self.seq += 1
        body = {"advice": id, "action": action, **more}
        decision = self.reviews.decided(
            Word(self.seq, at, "Ana", role, "mill-1", "decision", body, f"t{self.seq}"), lambda _: 300.0
        )
        self.enter(decision.rows)
        return decision

    def state(self, id: str) -> str | None:
        found = self.find(id)
        assert found is not None
        known = self.reviews.known.get(id)
        if known is not None:
            assert known.state == found["state"]
        return found["state"]  # type: ignore[no-any-return]

    def restarted(self) -> Desk:
        """The same journal, another process."""
        again = Desk(self.top_off)
        again.rows = self.rows
        ids = dict.fromkeys(row.id for row in self.rows if row.kind == "advice" and row.id)
        ended = {"proven", "unproven", "declined", "withdrawn", "expired"}
        found = [one for id in ids if (one := self.find(id)) is not None and one["state"] not in ended]
        again.reviews.restore(found, self.rows)
        return again


def steps(rows: list[Row]) -> list[tuple[str, str, str]]:
    return [(row.body["event"], row.body["to"], row.body["by"]) for row in rows if row.kind == "review"]


# -- posting ----------------------------------------------------------------------------------------------------------


def test_a_routine_top_off_goes_straight_to_operators_by_policy() -> None:
    desk = Desk()
    desk.advise("a1")
    assert steps(desk.time(T0)) == [("post", "posted", "agent"), ("approve", "approved", "policy")]


@pytest.mark.parametrize(
    ("more", "top_off"),
    [
        ({"kind": "strengthen", "makeup_pct": 9.0}, "post"),
        ({"kind": "thin", "makeup_pct": 1.5}, "post"),
        ({"kind": "drain_part"}, "post"),
        ({"makeup_pct": 4.0}, "post"),  # a top-off with another mix is a correction
        ({}, "review"),
    ],
)
def test_a_correction_waits_for_somebody_who_may_review(more: dict[str, Any], top_off: str) -> None:
    desk = Desk(top_off)
    desk.advise("a1", **more)
    assert steps(desk.time(T0)) == [("post", "posted", "agent")]


def test_a_sump_has_one_instruction_at_a_time_and_the_next_comes_when_it_is_ended() -> None:
    desk = Desk()
    desk.advise("a1")
    desk.advise("a2", kind="read_strength", volume_l=None, makeup_pct=None)
    desk.advise("b1", sump="mill-2")
    desk.time(T0)
    assert (desk.state("a1"), desk.state("a2"), desk.state("b1")) == ("approved", None, "approved")
    desk.advise("a1", at=T0 + 700, withdrawn=True)
    assert desk.state("a1") == "withdrawn"
    desk.time(T0 + 701)
    assert desk.state("a2") == "approved"


def test_an_instruction_whose_proof_is_awaited_still_holds_the_next_one_back() -> None:
    desk = Desk()
    desk.advise("a1")
    desk.time(T0)
    desk.decide("a1", "done")
    desk.advise("a2", at=T0 + 100)
    desk.time(T0 + 100)
    assert desk.state("a2") is None


def test_what_was_declined_is_not_posted_again_while_the_core_holds_it() -> None:
    desk = Desk(top_off="review")
    desk.advise("a1")
    desk.time(T0)
    desk.decide("a1", "decline", "supervisor", reason="machine goes on service tonight")
    desk.advise("a1", at=T0 + 600)
    assert desk.time(T0 + 600) == []
    assert desk.state("a1") == "declined"


# -- taking back ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("before", "after"), [("approved", "withdrawn"), ("begun", "begun"), ("done", "done")])
def test_the_core_takes_back_what_nobody_has_begun(before: str, after: str) -> None:
    desk = Desk()
    desk.advise("a1")
    desk.time(T0)
    if before != "approved":
        desk.decide("a1", "begin" if before == "begun" else "done")
    desk.advise("a1", at=T0 + 600, withdrawn=True)
    assert desk.state("a1") == after


def test_who_poured_before_hearing_that_it_was_taken_back_is_still_heard() -> None:
    desk = Desk()
    desk.advise("a1")
    desk.time(T0)
    desk.advise("a1", at=T0 + 600, withdrawn=True)
    decision = desk.decide("a1", "done", at=T0 + 700, volume_l=42.0)
    assert decision.record is not None
    assert desk.state("a1") == "done"


def test_what_was_begun_and_never_heard_of_again_expires() -> None:
    desk = Desk()
    desk.advise("a1")
    desk.time(T0)
    desk.decide("a1", "begin", at=T0 + 60)
    assert desk.time(T0 + BEGUN_WAIT_S) == []
    assert steps(desk.time(T0 + 61 + BEGUN_WAIT_S)) == [("expire", "expired", "agent")]


# -- decisions --------------------------------------------------------------------------------------------------------


def test_a_supervisor_approves_with_a_change_and_the_change_is_what_is_done() -> None:
    desk = Desk()
    desk.advise("a1", kind="strengthen", makeup_pct=9.0)
    desk.time(T0)
    desk.decide("a1", "amend", "supervisor", volume_l=35.0, makeup_pct=8.0, seen={"strength_pct": 6.1})
    desk.advise("a1", at=T0 + 600, kind="strengthen", makeup_pct=9.5)  # rewritten by the core meanwhile
    decision = desk.decide("a1", "done", at=T0 + 900)
    assert decision.record is not None
    assert (decision.record.signal, decision.record.volume_l, decision.record.pct) == ("addition", 35.0, 8.0)
    (amended,) = [row for row in desk.rows if row.kind == "review" and row.body["event"] == "amend"]
    assert (amended.body["by"], amended.body["role"]) == ("Ana", "supervisor")
    assert amended.body["seen"] == {"strength_pct": 6.1}


def test_what_a_supervisor_has_approved_stays_as_it_was_seen() -> None:
    desk = Desk()
    desk.advise("a1", kind="strengthen", makeup_pct=9.0)
    desk.time(T0)
    desk.advise("a1", at=T0 + 600, kind="strengthen", makeup_pct=9.5, volume_l=44.0)
    old = {"advice": {"volume_l": 40.0, "makeup_pct": 9.0}}
    assert "other numbers" in desk.decide("a1", "approve", "supervisor", seen=old).rows[0].body["refused"]
    seen = {"advice": {"volume_l": 44, "makeup_pct": 9.5}}
    desk.decide("a1", "approve", "supervisor", seen=seen)
    assert desk.state("a1") == "approved"
    desk.advise("a1", at=T0 + 1200, kind="strengthen", makeup_pct=12.0, volume_l=50.0)
    one = desk.reviews.known["a1"]
    assert (one.volume_l, one.makeup_pct, one.advice["makeup_pct"]) == (44.0, 9.5, 9.5)


def test_a_routine_top_off_follows_the_level_until_somebody_begins_it() -> None:
    desk = Desk()
    desk.advise("a1")
    desk.time(T0)
    desk.advise("a1", at=T0 + 600, volume_l=47.0)
    assert desk.reviews.known["a1"].volume_l == 47.0
    desk.decide("a1", "begin", at=T0 + 700)
    desk.advise("a1", at=T0 + 1200, volume_l=55.0)
    assert desk.reviews.known["a1"].volume_l == 47.0


def test_done_becomes_a_word_of_that_person_and_an_addition_for_the_core() -> None:
    desk = Desk()
    desk.advise("a1")
    desk.time(T0)
    decision = desk.decide("a1", "done", at=T0 + 500, volume_l=44.0, makeup_pct=2.5)
    record = decision.record
    assert record is not None
    assert (record.time, record.sump, record.signal, record.by, record.of) == (
        T0 + 500,
        "mill-1",
        "addition",
        "Ana",
        None,
    )
    word = decision.rows[-1]
    assert (word.kind, word.body["volume_l"], word.body["role"], word.body["advice"]) == (
        "word",
        44.0,
        "operator",
        "a1",
    )


def test_reading_done_tells_of_no_addition() -> None:
    desk = Desk()
    desk.advise("a1", kind="read_strength", volume_l=None, makeup_pct=None)
    desk.time(T0)
    assert desk.decide("a1", "done").record is None


@pytest.mark.parametrize(
    ("action", "role", "more", "why"),
    [
        ("approve", "operator", {}, "not for operator"),
        ("decline", "supervisor", {}, "a reason is needed"),
        ("decline", "supervisor", {"reason": "  "}, "a reason is needed"),
        ("amend", "supervisor", {}, "nothing was changed"),
        ("amend", "supervisor", {"volume_l": 61.0}, "there is room for 60 L"),
        ("amend", "supervisor", {"volume_l": -1.0}, "cannot be added"),
        ("amend", "supervisor", {"makeup_pct": 15.0}, "outside the mixes"),
        ("done", "operator", {}, "cannot take 'done'"),  # not approved yet
        ("pour", "supervisor", {}, "no such action"),
        ("approve", "agent", {}, "not for agent"),
    ],
)
def test_a_decision_that_cannot_be_taken_is_kept_with_its_reason(
    action: str, role: str, more: dict[str, Any], why: str
) -> None:
    desk = Desk()
    desk.advise("a1", kind="strengthen", makeup_pct=9.0)
    desk.time(T0)
    decision = desk.decide("a1", action, role, **more)
    (row,) = decision.rows
    assert (row.kind, row.body["to"], row.body["by"], row.body["role"]) == ("review", None, "Ana", role)
    assert why in row.body["refused"]
    assert decision.record is None
    assert desk.state("a1") == "posted"


def test_a_decision_on_an_instruction_that_never_was_is_kept() -> None:
    desk = Desk()
    decision = desk.decide("ghost", "approve", "supervisor")
    assert decision.rows[0].body["refused"] == "there is no such instruction"
    assert (decision.rows[0].sump, decision.rows[0].id) == ("mill-1", "ghost")


def test_the_second_of_two_who_say_done_is_told_so_and_pours_nothing_twice() -> None:
    desk = Desk()
    desk.advise("a1")
    desk.time(T0)
    assert desk.decide("a1", "done").record is not None
    second = desk.decide("a1", "done")
    assert second.record is None
    assert "cannot take 'done'" in second.rows[0].body["refused"]


def test_a_done_with_senseless_litres_is_refused_and_changes_nothing() -> None:
    desk = Desk()
    desk.advise("a1")
    desk.time(T0)
    decision = desk.decide("a1", "done", volume_l=-4.0)
    assert "volume_l" in decision.rows[0].body["refused"]
    assert desk.state("a1") == "approved"


def test_not_now_needs_a_reason_and_leaves_it_approved() -> None:
    desk = Desk()
    desk.advise("a1")
    desk.time(T0)
    assert "reason" in desk.decide("a1", "not_now").rows[0].body["refused"]
    desk.decide("a1", "not_now", reason="no concentrate here")
    assert desk.state("a1") == "approved"
    assert desk.rows[-1].body["reason"] == "no concentrate here"


# -- proof ------------------------------------------------------------------------------------------------------------


def done(desk: Desk, volume_l: float = 40.0) -> None:
    desk.advise("a1")
    desk.time(T0)
    desk.decide("a1", "done", at=T0 + 600, volume_l=volume_l)


@pytest.mark.parametrize("start", [T0 + 300, T0 + 900], ids=["poured, then said", "said, then poured"])
def test_a_level_that_answers_as_said_proves_it(start: float) -> None:
    desk = Desk()
    done(desk)
    assert desk.time(T0 + 700) == []
    desk.find_inflow("f1", start)
    (row,) = desk.time(T0 + 2000)
    assert (row.body["event"], row.body["to"], row.body["finding"]) == ("prove", "proven", "f1")
    assert "level rose by 40.0" in row.body["reason"]


def test_a_level_that_does_not_answer_leaves_it_unproven_after_its_time() -> None:
    desk = Desk()
    done(desk)
    assert desk.time(T0 + 600 + PROOF_WAIT_S) == []
    (row,) = desk.time(T0 + 601 + PROOF_WAIT_S)
    assert (row.body["to"], row.body["reason"]) == ("unproven", "the level did not rise")


def test_another_amount_than_was_said_is_unproven_and_says_what_is_odd() -> None:
    desk = Desk()
    done(desk, volume_l=40.0)
    desk.find_inflow("f1", T0 + 300, volume_l=12.0)
    assert desk.time(T0 + 2000) == []  # the rest may still come
    (row,) = desk.time(T0 + 601 + PROOF_WAIT_S)
    assert row.body["to"] == "unproven"
    assert "12.0" in row.body["reason"]
    assert "40.0 L was said" in row.body["reason"]


def test_a_finding_that_is_judged_anew_in_time_proves_it_after_all() -> None:
    desk = Desk()
    done(desk)
    desk.find_inflow("f1", T0 + 300, volume_l=12.0)
    desk.time(T0 + 2000)
    desk.find_inflow("f1", T0 + 300, volume_l=41.0, revision=2)
    assert steps(desk.time(T0 + 2100)) == [("prove", "proven", "agent")]


def test_one_inflow_proves_one_instruction_only() -> None:
    desk = Desk()
    done(desk)
    desk.find_inflow("f1", T0 + 300)
    desk.time(T0 + 1000)
    desk.advise("a2", at=T0 + 1000)
    desk.time(T0 + 1000)
    desk.decide("a2", "done", at=T0 + 1001)
    assert desk.time(T0 + 1002) == []
    assert desk.restarted().reviews.due(T0 + 1002) == []


@pytest.mark.parametrize(
    "more",
    [{"start": T0 - 3600}, {"sump": "mill-2"}, {"withdrawn": True}, {"kind": "leak"}, {"end": None}],
    ids=["long before", "another sump", "taken back", "no inflow", "not settled"],
)
def test_what_is_no_answer_proves_nothing(more: dict[str, Any]) -> None:
    desk = Desk()
    done(desk)
    desk.find_inflow("f1", **{"start": T0 + 300, **more})
    assert desk.time(T0 + 1000) == []


def test_a_reading_that_was_asked_for_is_proven_by_being_entered() -> None:
    desk = Desk()
    desk.advise("a1", kind="read_strength", volume_l=None, makeup_pct=None)
    desk.time(T0)
    desk.decide("a1", "done", at=T0 + 60)
    assert desk.time(T0 + 100) == []
    desk.enter([Row("word", T0 + 120, "mill-1", "w", {"signal": "hand_reading", "value": 4.5})])
    assert steps(desk.time(T0 + 130)) == [("prove", "proven", "agent")]


# -- restart ----------------------------------------------------------------------------------------------------------


def test_after_a_restart_everything_stands_where_it_stood() -> None:
    desk = Desk()
    desk.advise("a1", kind="strengthen", makeup_pct=9.0)
    desk.advise("a2", kind="read_strength", volume_l=None, makeup_pct=None)
    desk.time(T0)
    desk.decide("a1", "amend", "maintenance", makeup_pct=8.0)
    desk.decide("a1", "done", at=T0 + 600, volume_l=38.0)
    again = desk.restarted()
    one, other = again.reviews.known["a1"], desk.reviews.known["a1"]
    assert one == other
    assert (one.state, one.said_l, one.said_pct) == ("done", 38.0, 8.0)
    assert again.reviews.known["a2"].state is None
    again.find_inflow("f1", T0 + 500, volume_l=38.0)
    assert steps(again.time(T0 + 1500)) == [("prove", "proven", "agent")]
    again.time(T0 + 1501)
    assert again.state("a2") == "approved"
