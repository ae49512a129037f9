"""Whatever stands in the inbox, the agent takes it or refuses it, keeps it, and goes on."""

from __future__ import annotations

import json
import sqlite3
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from agent.io.inbox import LONGEST_BODY, Inbox, InboxReader, Word
from agent.io.journal import Journal, JournalReader
from agent.reviews import Row
from agent.words import heard
from tests.io.test_reviews import SITE, T0, Desk


def word(body: dict[str, Any], role: str = "operator", kind: str = "record", sump: str = "mill-1") -> Word:
    return Word(1, T0, "Ana", role, sump, kind, body, "t1")


def taken(one: Word) -> tuple[Row, Any]:
    rows, record = heard(one, SITE, Desk().reviews, lambda _: 300.0)
    (row,) = rows
    return row, record


def test_a_reading_becomes_a_word_with_its_person_and_role() -> None:
    row, record = taken(
        word({"signal": "hand_reading", "value": 4.6, "by": "somebody else", "time": 5.0, "refused": "x"})
    )
    assert (record.signal, record.value, record.by, record.time) == ("hand_reading", 4.6, "Ana", T0)
    assert (row.kind, row.id, row.body["by"], row.body["role"], row.body["time"]) == (
        "word",
        "t1",
        "Ana",
        "operator",
        T0,
    )
    assert "refused" not in row.body


@pytest.mark.parametrize(
    ("one", "why"),
    [
        (word({"signal": "hand_reading"}), "value is missing"),
        (word({"signal": "hand_reading", "value": 4.6}, sump="mill-9"), "no sump 'mill-9'"),
        (word({"signal": "level", "value": 4.6}), "for sensors to say"),
        (word({"signal": "setting", "field": "usual_pct", "value": 3.0}), "not for operator"),
        (word({"signal": "hand_reading", "value": 4.6}, role="boss"), "nobody is boss"),
        (word({"unreadable": "<html>"}), "signal is missing"),
        (word({"signal": "gossip"}, kind="rumour"), "unknown signal"),
    ],
)
def test_what_cannot_be_taken_is_kept_with_the_reason(one: Word, why: str) -> None:
    row, record = taken(one)
    assert record is None
    assert why in row.body["refused"]
    assert {name: row.body[name] for name in one.body} == one.body


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.sampled_from(["a1", "done", "amend"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)
names = st.sampled_from(
    ["signal", "value", "volume_l", "pct", "at", "of", "note", "field", "record_time", "record_signal", "temperature"]
    + ["advice", "action", "reason", "makeup_pct", "seen", "unheard_of"]
)
known = st.sampled_from(
    ["hand_reading", "addition", "setting", "void", "a1", "done", "amend", "not_now", "decline", "curve", "usual_pct"]
)
bodies = (
    st.dictionaries(names, known | json_values, max_size=8).map(json.dumps) | st.text() | json_values.map(json.dumps)
)
columns = st.one_of(st.none(), st.text(), st.floats(), st.integers(-(2**63), 2**63 - 1), st.binary(max_size=10))
roles = st.sampled_from(["operator", "supervisor", "maintenance", "agent", "policy", ""])
kinds = st.sampled_from(["record", "decision", "other"])


@settings(suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.tuples(kinds, roles, bodies, columns), min_size=1, max_size=5))
def test_no_word_however_wild_stops_the_agent_or_is_lost(said: list[tuple[str, str, str, Any]]) -> None:
    """Straight into the inbox's table, past every check of the pages; then into a real journal."""
    with tempfile.TemporaryDirectory() as folder:
        box = Inbox.open(Path(folder) / "inbox.sqlite")
        for number, (kind, role, body, column) in enumerate(said):
            row = (
                T0 if column is None else column,
                "Ana",
                role,
                "mill-1",
                kind,
                body.encode("utf-8", "replace"),
                number,
            )
            try:
                box._db.execute(
                    "INSERT INTO word (time, person, role, sump, kind, body, token) VALUES (?,?,?,?,?,?,?)", row
                )
            except (sqlite3.Error, UnicodeEncodeError):
                continue  # not even SQLite takes it
        box.close()
        reader, journal = InboxReader(Path(folder) / "inbox.sqlite"), Journal.open(Path(folder) / "journal.sqlite")
        desk = Desk()
        desk.advise("a1")
        desk.time(T0)
        words = reader.after(0)
        for one in words:
            rows, record = heard(one, SITE, desk.reviews, lambda _: 300.0)
            assert rows
            assert record is None or record.sump == "mill-1"
            for row in rows:
                journal.event(row.kind, row.time, row.sump, row.id, row.body)
            desk.enter(rows)
        journal.close()
        reader.close()
        again = JournalReader(Path(folder) / "journal.sqlite")
        assert again.verify_chain().ok
        assert len(again.rows_after(0, 100)) >= len(words)
        assert all(isinstance(row.data(), dict) for row in again.rows_after(0, 100))
        again.close()


@pytest.mark.parametrize(
    "body", ["[1]", "7", "not json", '{"value": NaN}', '{"value": 1e999}', '{"value": 1' + "0" * 400 + "}", "[" * 9999]
)
def test_a_body_that_is_no_object_of_plain_values_is_shown_as_it_is(tmp_path: Path, body: str) -> None:
    box = Inbox.open(tmp_path / "inbox.sqlite")
    row = (T0, "Ana", "operator", "mill-1", "record", body, "t1")
    box._db.execute("INSERT INTO word (time, person, role, sump, kind, body, token) VALUES (?,?,?,?,?,?,?)", row)
    reader = InboxReader(tmp_path / "inbox.sqlite")
    (one,) = reader.after(0)
    assert one.body == {"unreadable": body[:500]}
    reader.close()
    box.close()


def test_a_body_as_long_as_a_book_is_not_read(tmp_path: Path) -> None:
    box = Inbox.open(tmp_path / "inbox.sqlite")
    long = {"signal": "hand_reading", "value": 4.6, "note": "x" * LONGEST_BODY}
    box.put(time=T0, person="Ana", role="operator", sump="mill-1", kind="record", body=long, token="t1")
    reader = InboxReader(tmp_path / "inbox.sqlite")
    assert list(reader.after(0)[0].body) == ["unreadable"]
    reader.close()
    box.close()
