"""Words that are kept and tell the estimator nothing: checks, an old paper log, stock, closed days."""

from __future__ import annotations

import json
from typing import Any

import pytest

from agent.core.checks import CHECKS
from agent.engine import records_in
from agent.io.chain import LogRow
from agent.io.inbox import KINDS, Word
from agent.notes import NOTES
from agent.reviews import Row
from agent.words import heard
from tests.io.test_reviews import SITE, T0, Desk


def taken(kind: str, body: dict[str, Any], role: str = "supervisor", sump: str = "mill-1") -> Row:
    rows, record = heard(Word(1, T0, "Ana", role, sump, kind, body, "t1"), SITE, Desk().reviews, lambda _: 300.0)
    assert record is None
    return rows[0]


GOOD = [
    ("check", {"check": "ph", "value": 9.1, "first_fill": True, "note": "new charge"}, {"check": "ph", "value": 9.1}),
    ("check", {"takes_back": "t0"}, {"takes_back": "t0"}),
    ("past", {"what": "hand_reading", "value": 4.4, "written_by": "Josef", "entered": T0 + 9.0}, {"value": 4.4}),
    ("past", {"what": "addition", "volume_l": 40.0, "pct": 2.5}, {"volume_l": 40.0, "pct": 2.5}),
    ("stock", {"what": "counted", "volume_l": 205.0, "fluid": "General"}, {"volume_l": 205.0, "fluid": "General"}),
    ("calendar", {"what": "close", "first": "2026-12-24", "last": "2027-01-06"}, {"last": "2027-01-06"}),
]


@pytest.mark.parametrize(("kind", "body", "kept"), GOOD)
def test_a_note_is_kept_with_its_person_and_the_core_hears_nothing(
    kind: str, body: dict[str, Any], kept: dict[str, Any]
) -> None:
    row = taken(kind, body)
    assert (row.kind, row.id, row.time, row.body["by"], row.body["signal"]) == ("word", "t1", T0, "Ana", kind)
    assert kept.items() <= row.body.items() and "refused" not in row.body
    assert records_in(LogRow(1, T0, 1, "word", row.sump, row.id, json.dumps(row.body).encode(), b"")) == []


@pytest.mark.parametrize(
    ("kind", "body", "why"),
    [
        ("check", {"check": "colour", "value": 1.0}, "no such check"),
        ("check", {"check": "ph", "value": 91.0}, "outside 2 to 13"),
        ("check", {"check": "ph", "value": "9"}, "no number"),
        ("check", {"check": "ph", "value": True}, "no number"),
        ("past", {"what": "gossip", "value": 1.0}, "no such entry"),
        ("past", {"what": "addition"}, "neither a value nor an amount"),
        ("stock", {"what": "wished", "volume_l": 1.0}, "counted or delivered"),
        ("stock", {"what": "counted"}, "no number"),
        ("calendar", {"what": "close", "first": "2026-12-24", "last": "2026-12-23"}, "before the first"),
        ("calendar", {"what": "close", "first": "soon", "last": "2026-12-23"}, "no such day"),
        ("calendar", {"what": "shut", "first": "2026-12-24", "last": "2026-12-24"}, "closed or opened"),
    ],
)
def test_what_makes_no_sense_is_kept_with_the_reason(kind: str, body: dict[str, Any], why: str) -> None:
    row = taken(kind, body)
    assert why in row.body["refused"] and body.items() <= row.body.items()


def test_the_calendar_is_for_reviewers_and_a_note_for_people_of_a_sump_that_is_there() -> None:
    closing = {"what": "close", "first": "2026-12-24", "last": "2026-12-24"}
    assert "not for operator" in taken("calendar", closing, role="operator").body["refused"]
    assert "nobody is boss" in taken("check", {"check": "ph", "value": 9.0}, role="boss").body["refused"]
    assert "no sump" in taken("check", {"check": "ph", "value": 9.0}, sump="mill-9").body["refused"]
    assert taken("calendar", closing, sump="").sump is None


def test_the_inbox_takes_every_kind_of_note() -> None:
    assert set(NOTES) <= set(KINDS) and CHECKS
