"""What people say on the pages comes into the inbox: as the right record, once, checked, and with what was shown."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from agent.core.outputs import Finding
from agent.records import record_from
from tests.dashboards import works as plant
from tests.dashboards.visitor import Visitor
from tests.dashboards.works import NOW_S, Works

Visit = Callable[..., Visitor]
MIX_FIELDS = ("makeup_pct", "water_l", "concentrate_l")


def enter(visitor: Visitor, kind: str, **typed: Any) -> int:
    """Fills in one of the forms of Mill 2's entry page; gives the answer's status."""
    return visitor.send(visitor.form("/reading/mill-2", f"{kind}-form"), **typed).status_code


def test_a_hand_reading_is_written_as_a_record_of_the_contract(visit: Visit, works: Works) -> None:
    assert enter(visit("operator"), "hand", value="4,7", temperature="24", note="clean line") == 303
    (said,) = works.said()
    assert said["kind"] == "record" and said["person"] == "operator" and said["role"] == "operator"
    record = record_from({k: v for k, v in said.items() if k not in ("kind", "person", "role")})
    assert (record.signal, record.sump, record.value, record.temperature) == ("hand_reading", "mill-2", 4.7, 24.0)
    assert record.by == "operator" and record.note == "clean line" and record.at is None
    assert NOW_S <= record.time < NOW_S + 60.0  # the site's time, not this machine's


@pytest.mark.parametrize(
    ("kind", "typed", "fields"),
    [
        ("titration", {"value": "6.8"}, {"signal": "titration", "value": 6.8}),
        ("drained", {"volume": "12.5"}, {"signal": "drained", "volume_l": 12.5}),
        ("recharge", {"volume": "340", "pct": "7"}, {"signal": "recharge", "volume_l": 340.0, "pct": 7.0}),
        ("addition", {"volume": "40"}, {"signal": "addition", "volume_l": 40.0, "pct": 2.5}),
        ("addition", {"volume": "40", "mix": "water"}, {"signal": "addition", "volume_l": 40.0, "pct": 0.0}),
        ("addition", {"volume": "9", "mix": "other", "pct": "6"}, {"signal": "addition", "volume_l": 9.0, "pct": 6.0}),
        ("addition", {"volume": "40", "mix": "unknown"}, {"signal": "addition", "volume_l": 40.0}),
        ("addition", {"volume": "", "mix": "usual"}, {"signal": "addition", "pct": 2.5}),
    ],
)  # fmt: skip
def test_each_kind_of_entry(
    visit: Visit, works: Works, kind: str, typed: dict[str, str], fields: dict[str, Any]
) -> None:
    assert enter(visit("operator"), kind, **typed) == 303
    (said,) = works.said()
    about = ("kind", "person", "role", "time", "sump", "by")
    assert {k: v for k, v in said.items() if k not in about} == fields


def test_an_earlier_time_is_read_in_the_site_s_zone(visit: Visit, works: Works) -> None:
    assert enter(visit("operator"), "addition", volume="40", at="2025-06-19T09:40") == 303
    at = datetime(2025, 6, 19, 9, 40, tzinfo=ZoneInfo("Europe/Vienna")).timestamp()
    assert works.said()[0]["at"] == at


@pytest.mark.parametrize(
    ("kind", "typed", "problem"),
    [
        ("hand", {"value": "forty"}, "not a number"),
        ("hand", {"value": "47"}, "outside"),
        ("hand", {"value": "nan"}, "Reading, Brix"),
        ("hand", {"value": "4.7", "temperature": "240"}, "Temperature"),
        ("hand", {"value": "4.7", "at": "2025-06-20T09:40"}, "ahead"),
        ("hand", {"value": "4.7", "at": "2024-06-20T09:40"}, "a month back"),
        ("hand", {"value": "4.7", "at": "yesterday"}, "not a date"),
        ("addition", {"volume": "", "mix": "unknown"}, "how much"),
        ("addition", {"volume": "4000"}, "outside"),
        ("addition", {"volume": "40", "mix": "other", "pct": "101"}, "Mix"),
        ("drained", {"volume": ""}, "Volume"),
        ("recharge", {"volume": "340", "pct": ""}, "Mix"),
        ("titration", {"value": "-1"}, "outside"),
    ],
)
def test_what_cannot_be_is_said_and_not_written(
    visit: Visit, works: Works, kind: str, typed: dict[str, str], problem: str
) -> None:
    visitor = visit("operator")
    answer = visitor.send(visitor.form("/reading/mill-2", f"{kind}-form"), **typed)
    assert answer.status_code == 422
    assert problem in answer.text.split('data-testid="problem">')[1].split("</p>")[0]
    assert works.said() == []
    for name, value in typed.items():  # what was typed is still there, to be corrected
        assert name == "mix" or f'value="{value}"' in answer.text


def test_an_unknown_signal_is_refused(visit: Visit, works: Works) -> None:
    for signal in ("level", "setting", "void", "mark", "nothing", ""):
        assert enter(visit("operator"), "hand", signal=signal, value="4.7") == 400
    assert works.said() == []


def test_a_form_sent_twice_is_one_word_and_two_forms_are_two(visit: Visit, works: Works) -> None:
    visitor = visit("operator")
    form = visitor.form("/reading/mill-2", "hand-form")
    assert [visitor.send(form, value="4.7").status_code for _ in range(3)] == [303] * 3
    assert len(works.said()) == 1
    enter(visitor, "hand", value="4.7")
    assert len(works.said()) == 2


def test_a_token_is_one_person_s(visit: Visit, works: Works) -> None:
    one, other = visit("operator"), visit("supervisor")
    once = one.form("/reading/mill-2", "hand-form").fields["once"]
    enter(one, "hand", value="4.7", once=once)
    enter(other, "hand", value="4.8", once=once)
    assert [w["person"] for w in works.said()] == ["operator", "supervisor"]


# ── to do ──


def test_done_carries_what_was_added_and_what_was_shown(visit: Visit, works: Works) -> None:
    visitor = visit("operator")
    form = visitor.form("/todo/mill-2", "done-form")
    assert float(form.fields["volume"]) == pytest.approx(plant.top_off(works).volume_l, abs=0.06)
    assert form.fields["makeup_pct"] == "2.5"
    assert visitor.send(form, volume="80", note="a bit short").headers["location"].startswith("/todo")
    (said,) = works.said()
    assert said["kind"] == "decision" and said["advice"] == "mill-2-a1" and said["action"] == "done"
    assert (said["volume_l"], said["makeup_pct"], said["reason"]) == (80.0, 2.5, "a bit short")
    seen = said["seen"]
    assert seen["instruction"] == "mill-2-a1" and seen["advice"]["id"] == "mill-2-a1"
    assert seen["belief"]["volume_l"] == pytest.approx(works.plants["mill-2"].volume_l, abs=0.01)


def test_while_the_word_is_on_its_way_the_card_asks_nothing_more(visit: Visit, works: Works) -> None:
    visitor = visit("operator")
    visitor.send(visitor.form("/todo/mill-2", "done-form"))
    page = visitor.page("/todo/mill-2")
    assert "operator has answered" in page.text
    assert not [f for f in page.forms if f.testid in ("done-form", "not-now-form", "begin-form")]


def test_begin_and_not_now(visit: Visit, works: Works) -> None:
    visitor = visit("operator")
    form = visitor.form("/todo/mill-2", "not-now-form")
    assert visitor.send(form).status_code == 422
    assert visitor.send(form, why="other").status_code == 422
    assert visitor.send(form, why="invented").status_code == 422
    assert visitor.send(form, why="busy", note="until four").status_code == 303
    works.take_words()
    visitor.send(visitor.form("/todo/mill-2", "begin-form"))
    off, begun = works.said()
    assert off["action"] == "not_now" and off["reason"] == "The machine cannot be stopped now. until four"
    assert begun["action"] == "begin" and "reason" not in begun


@pytest.mark.parametrize("typed", [{"volume": "0"}, {"volume": "9999"}, {"makeup_pct": "120"}, {"volume": ""}])
def test_done_with_senseless_numbers_is_not_written(visit: Visit, works: Works, typed: dict[str, str]) -> None:
    visitor = visit("operator")
    assert visitor.send(visitor.form("/todo/mill-2", "done-form"), **typed).status_code == 422
    assert works.said() == []


def test_what_was_shown_cannot_be_changed_or_swapped(visit: Visit, works: Works) -> None:
    works.advise(plant.top_off(works, "mill-1", "mill-1-a1"))
    visitor = visit("operator")
    form, other = visitor.form("/todo/mill-2", "done-form"), visitor.form("/todo/mill-1", "done-form")
    assert visitor.send(form, shown=form.fields["shown"][:-1] + "x").status_code == 403
    assert visitor.send(form, shown=other.fields["shown"]).status_code == 403
    assert visitor.send(form, shown=None).status_code == 403
    assert works.said() == []


def test_an_instruction_that_is_gone_cannot_be_answered(visit: Visit, works: Works) -> None:
    visitor = visit("operator")
    form = visitor.form("/todo/mill-2", "done-form")
    assert visitor.send(form, instruction="mill-2-a0").status_code == 404
    assert visitor.send(form, action="approve").status_code == 400


def test_who_had_poured_before_it_was_taken_back_may_say_so(visit: Visit, works: Works) -> None:
    advice = plant.top_off(works)
    works.review(advice, "withdraw", "approved", "withdrawn", "agent", time=works.now_s - 60.0)
    visitor = visit("operator")
    assert "Taken back" in visitor.page("/todo/mill-2").text
    assert visitor.send(visitor.form("/todo/mill-2", "done-form"), volume="80").status_code == 303
    assert works.said()[0]["action"] == "done"


def test_draining_is_a_record_of_what_came_out_and_no_addition(visit: Visit, works: Works) -> None:
    advice = plant.top_off(
        works,
        "mill-1",
        "mill-1-d1",
        kind="drain_part",
        volume_l=30.0,
        makeup_pct=None,
        water_l=None,
        concentrate_l=None,
    )
    works.advise(advice, by="maintenance")
    visitor = visit("operator")
    assert visitor.send(visitor.form("/todo/mill-1", "done-form"), volume="28").status_code == 303
    decision, record = works.said()
    assert decision["action"] == "done" and "volume_l" not in decision
    assert record["signal"] == "drained" and record["volume_l"] == 28.0


def ask_about(works: Works, sump: str, id: str, volume_l: float = 38.0) -> None:
    """An addition that nobody entered, and the question what it was."""
    start = works.now_s - 5 * 3600.0
    found = Finding(
        f"{id}-f", 1, start + 900.0, sump, "top_off", start, start + 300.0, volume_l, 1.0, 2.4, 1.3, None, None, "38 L"
    )  # fmt: skip
    works.journal.event("finding", found.time, sump, found.id, found.row())
    none = dict.fromkeys(("volume_l", "makeup_pct", "water_l", "concentrate_l", "expected_volume_l"))
    advice = plant.top_off(works, sump, id, kind="ask", of=found.id, reason="38 L went in", **none)
    works.advise(advice)


def test_one_tap_answers_what_went_in(visit: Visit, works: Works) -> None:
    ask_about(works, "mill-1", "mill-1-q1")
    visitor = visit("operator")
    page = visitor.page("/todo/mill-1")
    assert "About 38 L went in at 10:33. What was it?" in page.text
    forms = {f.testid.removeprefix("ask-form-"): f for f in page.forms if f.action == "/reading/mill-1"}
    assert set(forms) == {"usual", "water", "stronger", "none", "unknown", "exactly"}
    for answer in ("usual", "water", "stronger", "unknown", "none"):
        assert visitor.send(forms[answer]).headers["location"] == "/todo?said=written"
    visitor.send(forms["exactly"], volume="36", pct="9")
    *taps, exactly = works.said()
    assert [(w["signal"], w.get("volume_l"), w.get("pct")) for w in taps] == [
        ("addition", 38.0, 2.5), ("addition", 38.0, 0.0), ("addition", 38.0, pytest.approx(7.7)),
        ("addition", 38.0, None), ("dismissal", None, None),
    ]  # fmt: skip
    assert (exactly["volume_l"], exactly["pct"]) == (36.0, 9.0)
    assert {w["of"] for w in works.said()} == {"mill-1-q1-f"} and all("at" not in w for w in works.said())


def test_one_question_stands_at_a_time(visit: Visit, works: Works) -> None:
    ask_about(works, "mill-1", "mill-1-q1")
    ask_about(works, "grinder-1", "grinder-1-q1", 20.0)
    page = visit("operator").page("/todo")
    assert page.text.count("What was it?") == 1
    assert "1 more question comes after this one." in page.text


# ── review ──


def test_approve_amend_and_decline_are_decisions_with_what_was_shown(visit: Visit, works: Works) -> None:
    visitor = visit("supervisor")
    assert visitor.send(visitor.form("/review", "approve-form")).headers["location"].startswith("/review")
    works.take_words()
    form = visitor.form("/review", "amend-form")
    assert visitor.send(form, volume="20", makeup_pct="10", reason="less foam").status_code == 303
    works.take_words()
    assert visitor.send(visitor.form("/review", "decline-form"), reason="change-out on Friday").status_code == 303
    approved, amended, declined = works.said()
    assert approved["action"] == "approve" and approved["seen"]["advice"]["volume_l"] == 24.0
    assert (amended["action"], amended["volume_l"], amended["makeup_pct"]) == ("amend", 20.0, 10.0)
    assert amended["reason"] == "less foam"
    assert (declined["action"], declined["reason"]) == ("decline", "change-out on Friday")
    assert {w["role"] for w in works.said()} == {"supervisor"}


@pytest.mark.parametrize(
    ("typed", "problem"),
    [
        ({"volume": "20", "makeup_pct": "10"}, "why"),
        ({"volume": "60", "makeup_pct": "10", "reason": "more"}, "room"),
        ({"volume": "20", "makeup_pct": "40", "reason": "more"}, "outside"),
        ({"volume": "20", "makeup_pct": "0", "reason": "water"}, "outside"),
        ({"volume": "x", "makeup_pct": "10", "reason": "more"}, "not a number"),
    ],
)
def test_a_change_that_cannot_be_is_said_and_not_written(
    visit: Visit, works: Works, typed: dict[str, str], problem: str
) -> None:
    visitor = visit("supervisor")
    answer = visitor.send(visitor.form("/review", "amend-form"), **typed)
    assert answer.status_code == 422 and problem in answer.text
    assert works.said() == []


def test_declining_needs_a_reason(visit: Visit, works: Works) -> None:
    visitor = visit("maintenance")
    assert visitor.send(visitor.form("/review", "decline-form"), reason=" x ").status_code == 422
    assert works.said() == []


def test_gallons_are_for_eyes_only(tmp_path: Any, visit: Visit, works: Works, desk: Any) -> None:
    object.__setattr__(desk.show, "units", "us_gallon")
    visitor = visit("operator")
    form = visitor.form("/todo/mill-2", "done-form")
    assert float(form.fields["volume"]) == pytest.approx(plant.top_off(works).volume_l / 3.785411784, abs=0.06)
    visitor.send(form, volume="20")
    assert works.said()[0]["volume_l"] == pytest.approx(75.708, abs=0.001)
