"""The life of an instruction: every step of the table, and nothing beside it."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.core import review
from agent.core.curve import Curve
from agent.core.outputs import Advice, Finding
from agent.core.spec import SumpSpec

STATES = sorted({state for state, _ in review.TABLE} | {after for after, _ in review.TABLE.values()})
EVENTS = sorted({event for _, event in review.TABLE})
ROLES = sorted(review.PEOPLE | review.MACHINE | {review.POLICY})

TOP_OFF = Advice(
    "a-1", 0.0, "mill-2", "top_off", 40.0, 2.5, 39.0, 1.0, 340.0, 7.0, 0.2, 0.97, 2.0, "low in two hours"
)  # fmt: skip
INFLOW = Finding("f-1", 1, 0.0, "mill-2", "top_off", 0.0, 60.0, 39.2, 0.8, 2.4, 0.3, None, None, "")
MILL_2 = SumpSpec(
    "mill-2", "Mill 2", 340.0, 240.0, 360.0, 7.0, 6.0, 8.4, 1.5, 2.5, 1.5, 14.0, Curve((0.0, 380.0), (0.0, 421.0))
)  # fmt: skip


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("event", EVENTS)
@pytest.mark.parametrize("state", STATES)
def test_only_steps_of_the_table_are_taken_and_only_by_its_roles(state, event, role):
    if (state, event) not in review.TABLE:
        with pytest.raises(review.NoSuchStep):
            review.apply(state, event, role)
        return
    after, roles = review.TABLE[state, event]
    if role in roles:
        assert review.apply(state, event, role) == after
        return
    with pytest.raises(review.NotAllowed):
        review.apply(state, event, role)


@given(st.lists(st.tuples(st.sampled_from(EVENTS), st.sampled_from(ROLES)), max_size=30))
def test_nothing_is_done_that_nobody_approved(steps):
    """Whatever is tried in whatever order, `done` comes after a person's or the policy's yes, or after a take-back."""
    state, approved = review.POSTED, False
    for event, role in steps:
        try:
            after = review.apply(state, event, role)
        except (review.NoSuchStep, review.NotAllowed):
            continue
        if event in ("approve", "amend"):
            assert role in review.REVIEWERS | {review.POLICY}
            approved = True
        if after == review.BEGUN:
            assert approved
        state = after


def test_the_machine_never_approves_and_an_operator_reviews_nothing():
    for (_, event), (_, roles) in review.TABLE.items():
        if event in ("approve", "amend", "decline"):
            assert review.AGENT not in roles
            assert review.OPERATOR not in roles


def test_every_state_can_end():
    reachable = {state: {state} for state in STATES}
    for _ in STATES:
        for (state, _), (after, _) in review.TABLE.items():
            reachable[state] |= reachable[after]
    assert all(reachable[state] & review.ENDED for state in STATES)


def test_every_tap_of_a_page_is_an_event_of_the_table():
    assert set(review.ACTIONS.values()) <= set(EVENTS)
    assert set(EVENTS) >= review.NEEDS_REASON


def test_somebody_sees_only_what_he_may_do():
    assert review.events_open_to(review.OPERATOR, review.POSTED) == []
    assert review.events_open_to(review.OPERATOR, review.APPROVED) == ["set_aside", "begin", "done"]
    assert review.events_open_to(review.SUPERVISOR, review.POSTED) == ["approve", "amend", "decline"]


def test_a_routine_top_off_is_posted_straight_unless_the_site_wants_a_look():
    assert not review.needs_review(TOP_OFF, 2.5)
    assert review.needs_review(TOP_OFF, 2.5, "review")
    assert review.needs_review(replace(TOP_OFF, makeup_pct=3.0), 2.5)


@pytest.mark.parametrize("kind", ["strengthen", "thin", "drain_part", "something_new"])
@pytest.mark.parametrize("policy", ["post", "review"])
def test_a_correction_is_always_reviewed(kind, policy):
    assert review.needs_review(replace(TOP_OFF, kind=kind), 2.5, policy)


@pytest.mark.parametrize("kind", ["read_strength", "ask", "look"])
def test_what_puts_nothing_into_the_sump_needs_no_review(kind):
    assert not review.needs_review(replace(TOP_OFF, kind=kind, volume_l=None), 2.5, "review")


def test_a_change_must_fit_below_the_high_mark_and_within_the_mixes_allowed():
    assert review.amendment_fault(MILL_2, 300.0, 60.0, 14.0) is None
    assert "room for 60 L" in review.amendment_fault(MILL_2, 300.0, 60.1, None)
    assert "1.5-14 %" in review.amendment_fault(MILL_2, 300.0, None, 14.1)
    assert "1.5-14 %" in review.amendment_fault(MILL_2, 300.0, None, 0.0)
    assert review.amendment_fault(MILL_2, 300.0, 0.0, None)
    assert review.amendment_fault(MILL_2, 300.0, float("nan"), None)
    assert review.amendment_fault(MILL_2, 300.0, None, float("nan"))


def test_an_inflow_as_said_proves_it():
    proof = review.prove(40.0, 2.5, INFLOW)
    assert proof.ok
    assert "39.2 ± 0.8 L, as said" in proof.text


def test_litres_that_did_not_come_are_odd():
    proof = review.prove(40.0, 2.5, replace(INFLOW, volume_l=12.0))
    assert not proof.ok
    assert "12.0 ± 0.8 L, but 40.0 L was said" in proof.text


def test_a_mix_that_was_not_what_was_said_is_odd():
    proof = review.prove(40.0, 7.0, INFLOW)
    assert not proof.ok
    assert "but 7.0 % was said" in proof.text


def test_a_strength_that_nobody_can_tell_yet_is_no_disproof():
    proof = review.prove(40.0, 7.0, replace(INFLOW, makeup_sd=3.0))
    assert proof.ok
    assert "not read yet" in proof.text


def test_no_inflow_is_no_proof():
    assert not review.prove(40.0, 2.5, None).ok
    assert not review.prove(40.0, 2.5, replace(INFLOW, withdrawn=True)).ok


def test_who_cannot_say_how_much_is_proven_by_any_inflow():
    assert review.prove(None, None, INFLOW).ok


def test_the_picture_has_a_line_for_every_step():
    lines = review.mermaid().splitlines()
    assert lines[0] == "stateDiagram-v2"
    for (state, event), (after, roles) in review.TABLE.items():
        (line,) = [x for x in lines if x.strip().startswith(f"{state} --> {after}: {event} (")]
        assert all(role in line for role in roles)
