"""What lasts of people's words is read once, and is all of it: also new ones, and those of another journal."""

from __future__ import annotations

from pathlib import Path

from agent.io.journal import Journal
from dashboards.queries import Queries

T0 = 1_790_000_000.0


def say(journal: Journal, signal: str, sump: str = "mill-1", **more: object) -> int:
    return journal.event("word", T0, sump, None, {"signal": signal, "time": T0, "sump": sump, **more})


def test_the_words_that_last_are_found_as_they_are_said(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    queries = Queries(path, tmp_path / "inbox.sqlite")
    assert queries.lasting("setting") == []
    with_journal = Journal.open(path, 1)
    first = say(with_journal, "setting", field="usual_pct", value=3.0)
    say(with_journal, "setting", field="usual_pct", value=9.0, refused="a setting is for maintenance")
    say(with_journal, "hand_reading", value=4.6)
    stock = say(with_journal, "stock", what="counted", volume_l=20.0)
    assert [row.seq for row in queries.lasting("setting")] == [first]
    second = say(with_journal, "setting", "mill-2", field="usual_pct", value=2.0)
    assert [row.seq for row in queries.lasting("setting")] == [first, second]
    assert [row.seq for row in queries.lasting("setting", "mill-2")] == [second]
    assert [row.seq for row in queries.lasting("stock")] == [stock]
    with_journal.close()
    path.unlink()
    other = Journal.open(path, 1)  # a shorter one
    only = say(other, "setting", field="usual_pct", value=4.0)
    assert [row.data()["value"] for row in queries.lasting("setting")] == [4.0]
    assert [row.seq for row in queries.lasting("setting")] == [only]
    other.close()
    queries.close()
