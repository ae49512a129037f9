"""The journal keeps what it was given, in order, and finds what was changed behind its back."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from agent.io.journal import Journal, JournalReader

T0 = 1_790_000_000.0  # a whole multiple of no step: starts must be aligned by the journal


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite"


@pytest.fixture
def journal(path: Path) -> Iterator[Journal]:
    opened = Journal.open(path, boot=7)
    yield opened
    opened.close()


@pytest.fixture
def reader(journal: Journal, path: Path) -> Iterator[JournalReader]:
    opened = JournalReader(path)
    yield opened
    opened.close()


def fill(journal: Journal, seconds: int, start: float = T0, sump: str = "mill-1", flags: int = 0) -> None:
    """A level sample a second, committed every ten."""
    for i in range(seconds):
        journal.sample(sump, "level", start + i, 100.0 + i % 7, 200.0 + i % 7, flags)
        if i % 10 == 9:
            journal.commit()
    journal.commit()


def belief(time: float, sump: str = "mill-1") -> dict[str, Any]:
    return {"type": "belief", "time": time, "sump": sump, "volume_l": 250.0}


def advice(id: str, sump: str = "mill-1", **more: Any) -> dict[str, Any]:
    return {"type": "advice", "id": id, "time": T0, "sump": sump, "kind": "top_off", "volume_l": 40.0, **more}


def step(id: str, to: str | None, event: str = "post") -> dict[str, Any]:
    return {"advice": id, "event": event, "from": None, "to": to, "by": "agent", "role": "agent"}


# -- what comes in comes out ------------------------------------------------------------------------------------------


def test_an_event_is_kept_at_once_and_after_the_samples_that_came_before_it(
    journal: Journal, reader: JournalReader
) -> None:
    journal.sample("mill-1", "level", T0, 100.0, 200.0, 0)
    journal.belief(belief(T0))
    seq = journal.event("word", T0 + 1, "mill-1", "w1", {"signal": "hand_reading"})
    rows = reader.rows_after(0, 100)
    assert [row.kind for row in rows] == ["block", "belief", "word"]
    assert rows[-1].seq == seq == reader.last_seq() == journal.last_seq
    assert rows[-1].data() == {"signal": "hand_reading"}
    assert all(row.boot == 7 for row in rows)


def test_samples_wait_for_the_commit(journal: Journal, reader: JournalReader) -> None:
    journal.sample("mill-1", "level", T0, 100.0, 200.0, 0)
    assert journal.waiting == 1
    assert reader.last_seq() == 0
    journal.commit()
    assert journal.waiting == 0
    assert reader.last_seq() == 1


def test_samples_of_a_stretch_come_in_order_with_their_flags(journal: Journal, reader: JournalReader) -> None:
    fill(journal, 2000)
    fill(journal, 5, T0 + 2000, flags=3)
    found = reader.samples("mill-1", "level", T0 + 595.0, T0 + 605.0)
    assert [s.time for s in found] == [T0 + i for i in range(595, 605)]
    assert [s.flags for s in reader.samples("mill-1", "level", T0 + 1999, T0 + 2002)] == [0, 3, 3]
    assert reader.samples("mill-1", "brix", T0, T0 + 2000) == []
    assert reader.samples("mill-2", "level", T0, T0 + 2000) == []


def test_samples_whose_clock_was_stepped_back_are_found_in_their_own_time(
    journal: Journal, reader: JournalReader
) -> None:
    month_s = 30 * 86_400.0
    fill(journal, 100, T0)
    fill(journal, 1000, T0 + month_s)
    fill(journal, 1000, T0 + 100)
    assert len(reader.samples("mill-1", "level", T0, T0 + 1100)) == 1100
    assert len(reader.samples("mill-1", "level", T0 + month_s, T0 + month_s + 1000)) == 1000


def test_events_are_found_by_kind_sump_and_time(journal: Journal, reader: JournalReader) -> None:
    for i in range(10):
        journal.event("finding", T0 + i, "mill-1" if i % 2 else "mill-2", f"f{i}", {"n": i})
    journal.event("word", T0, "mill-1", "w", {})
    assert [row.id for row in reader.events("finding", "mill-1", T0 + 3, T0 + 9)] == ["f3", "f5", "f7"]
    assert [row.id for row in reader.events("finding", limit=2)] == ["f8", "f9"]


def test_beliefs_come_by_time_and_the_newest_alone(journal: Journal, reader: JournalReader) -> None:
    for i in range(5):
        journal.belief(belief(T0 + 600 * i))
    journal.belief(belief(T0 + 9999, "mill-2"))
    journal.commit()
    assert [b["time"] for b in reader.beliefs("mill-1", T0 + 600, T0 + 1800)] == [T0 + 600, T0 + 1200]
    latest = reader.latest_belief("mill-1")
    assert latest is not None
    assert latest["time"] == T0 + 2400
    assert reader.latest_belief("grinder-1") is None


def test_of_a_long_stretch_one_belief_a_step_is_read(journal: Journal, reader: JournalReader) -> None:
    for i in range(60):
        journal.belief(belief(T0 + 600 * i))
        journal.belief(belief(T0 + 600 * i, "mill-2"))
    journal.commit()
    spread = reader.beliefs_spread("mill-1", T0 + 300, T0 + 600 * 60, 3600.0)
    assert [b["time"] for b in spread] == [T0 + 600 + 3600 * i for i in range(10)]
    assert {b["sump"] for b in spread} == {"mill-1"}
    assert reader.beliefs_spread("mill-1", T0, T0 + 1200, 600.0) == reader.beliefs("mill-1", T0, T0 + 1200)
    assert reader.beliefs_spread("mill-1", T0 - 9000, T0 + 100, 3600.0) == reader.beliefs("mill-1", T0, T0 + 100)


def test_bookmarks_dead_letters_and_meta_stay(journal: Journal, reader: JournalReader) -> None:
    journal.bookmark("mqtt", 5)
    journal.bookmark("mqtt", 9)
    journal.dead_letter(3, "timeseries", "field type conflict", "line", T0)
    journal.set_meta("boot", "abc")
    assert (journal.bookmark_of("mqtt"), reader.bookmark("mqtt"), reader.bookmark("inbox")) == (9, 9, 0)
    (letter,) = reader.dead_letters()
    assert letter == {"seq": 3, "sink": "timeseries", "reason": "field type conflict", "body": "line", "time": T0}
    assert reader.dead_letters("mqtt") == []
    assert journal.meta("boot") == "abc"


def test_the_newest_snapshots_are_kept_with_the_row_they_stand_at(journal: Journal) -> None:
    for i in range(5):
        journal.sample("mill-1", "level", T0 + i, 1.0, 2.0, 0)
        journal.snapshot(T0 + i, "0.1.0", bytes([i]))
    kept = journal.snapshots()
    assert [(seq, body) for _, seq, _, body in kept] == [(5, b"\4"), (4, b"\3"), (3, b"\2")]


def test_the_last_samples_and_the_words_before_them_are_found(journal: Journal) -> None:
    journal.event("word", T0, "mill-1", "w1", {"signal": "setting"})
    fill(journal, 100)
    seq = journal.seq_of_last_samples(25)
    assert seq == journal.last_seq - 2  # blocks of ten
    assert [row.id for row in journal.words_before(seq)] == ["w1"]
    assert journal.seq_of_last_samples(1_000_000) == 1


# -- kept sums --------------------------------------------------------------------------------------------------------


Sums = list[tuple[int, int, float, float, float]]


def same(found: Sums, expected: Sums) -> bool:
    """Equal, but for the last bits of a mean."""
    return [row[:2] for row in found] == [row[:2] for row in expected] and all(
        one[2:] == pytest.approx(other[2:], abs=1e-9) for one, other in zip(found, expected, strict=True)
    )


def sums_by_hand(samples: list[tuple[float, float]], step_s: int) -> Sums:
    steps: dict[int, list[float]] = {}
    for time, value in samples:
        steps.setdefault(int(time // step_s) * step_s, []).append(value)
    return [(start, len(v), sum(v) / len(v), min(v), max(v)) for start, v in sorted(steps.items())]


@pytest.mark.parametrize("step_s", [60, 300, 600, 3600, 21_600])
def test_sums_are_those_of_the_good_samples(journal: Journal, reader: JournalReader, path: Path, step_s: int) -> None:
    """Before and after they are written, and with a restart in the middle."""
    fill(journal, 3000)
    fill(journal, 50, T0 + 3000, flags=1)
    expected = sums_by_hand([(T0 + i, 200.0 + i % 7) for i in range(3000)], step_s)
    t0, t1 = T0 - 30_000, T0 + 5000
    assert same(reader.trace("mill-1", "level", t0, t1, step_s), expected)
    journal.close()
    again = Journal.open(path, 8)
    assert same(reader.trace("mill-1", "level", t0, t1, step_s), expected)
    fill(again, 700, T0 + 3100)
    more = [(T0 + i, 200.0 + i % 7) for i in range(3000)] + [(T0 + 3100 + i, 200.0 + i % 7) for i in range(700)]
    assert same(reader.trace("mill-1", "level", t0, t1, step_s), sums_by_hand(more, step_s))
    again.close()


def test_a_kill_between_two_writings_of_sums_counts_no_sample_twice(path: Path, reader: JournalReader) -> None:
    first = Journal.open(path, 1)
    fill(first, 1300)
    del first  # never closed: as after SIGKILL, what was committed is there and the counters in memory are gone
    second = Journal.open(path, 2)
    fill(second, 700, T0 + 1300)
    expected = sums_by_hand(
        [(T0 + i, 200.0 + i % 7) for i in range(1300)] + [(T0 + 1300 + i, 200.0 + i % 7) for i in range(700)], 600
    )
    assert same(reader.trace("mill-1", "level", T0 - 600, T0 + 3000, 600), expected)
    second.close()


def test_fine_steps_are_thinned_after_two_days_and_wide_ones_stay(journal: Journal, reader: JournalReader) -> None:
    for hour in range(60):
        fill(journal, 10, T0 + 3600 * hour)
    assert reader.trace("mill-1", "level", T0 - 600, T0 + 3000, 60) == []
    assert len(reader.trace("mill-1", "level", T0 - 600, T0 + 3000, 600)) == 1
    assert len(reader.trace("mill-1", "level", T0 - 60 + 3600 * 50, T0 + 3600 * 60, 60)) == 10


def test_a_step_that_is_none_is_refused(reader: JournalReader) -> None:
    with pytest.raises(ValueError, match="multiple of 60"):
        reader.trace("mill-1", "level", T0, T0 + 60, 45)


# -- instructions -----------------------------------------------------------------------------------------------------


def test_an_instruction_is_open_from_its_posting_to_its_end(journal: Journal, reader: JournalReader) -> None:
    journal.event("advice", T0, "mill-1", "a1", advice("a1"))
    assert reader.open_instructions() == []
    assert reader.waiting_advice() == ["a1"]
    journal.event("review", T0 + 1, "mill-1", "a1", step("a1", "posted"))
    journal.event("review", T0 + 2, "mill-1", "a1", step("a1", None, "approve"))  # a refused step changes nothing
    journal.event("advice", T0 + 3, "mill-1", "a1", advice("a1", volume_l=45.0))
    (found,) = reader.open_instructions("mill-1")
    assert (found["state"], found["advice"]["volume_l"], found["posted_at"]) == ("posted", 45.0, T0 + 1)
    assert [row["to"] for row in found["reviews"]] == ["posted", None]
    assert reader.open_instructions("mill-2") == []
    journal.event("review", T0 + 4, "mill-1", "a1", step("a1", "done", "done"))
    assert reader.open_instructions() == []
    assert [i["id"] for i in reader.open_instructions(states=("done",))] == ["a1"]
    journal.event("review", T0 + 5, "mill-1", "a1", step("a1", "proven", "prove"))
    assert reader.open_instructions(states=("done", "proven")) == []
    ended = reader.instruction("a1")
    assert ended is not None
    assert ended["state"] == "proven"


def test_once_a_person_has_approved_an_instruction_its_numbers_stay(journal: Journal, reader: JournalReader) -> None:
    journal.event("advice", T0, "mill-1", "a1", advice("a1"))
    journal.event("review", T0 + 1, "mill-1", "a1", step("a1", "posted"))
    journal.event("review", T0 + 2, "mill-1", "a1", {**step("a1", "approved", "approve"), "role": "policy"})
    journal.event("advice", T0 + 3, "mill-1", "a1", advice("a1", volume_l=45.0))
    assert reader.open_instructions()[0]["advice"]["volume_l"] == 45.0
    journal.event("review", T0 + 4, "mill-1", "a1", {**step("a1", "begun", "begin"), "role": "operator"})
    journal.event("advice", T0 + 5, "mill-1", "a1", advice("a1", volume_l=50.0))
    assert reader.open_instructions()[0]["advice"]["volume_l"] == 45.0


def test_advice_that_is_taken_back_before_its_turn_does_not_wait_any_more(
    journal: Journal, reader: JournalReader
) -> None:
    journal.event("advice", T0, "mill-1", "a1", advice("a1"))
    journal.event("advice", T0 + 1, "mill-1", "a1", advice("a1", withdrawn=True))
    assert reader.waiting_advice() == []


# -- all or nothing ---------------------------------------------------------------------------------------------------


def test_a_group_is_kept_together_or_not_at_all(journal: Journal, reader: JournalReader) -> None:
    journal.event("agent", T0, None, None, {"event": "start"})
    journal.sample("mill-1", "level", T0, 100.0, 200.0, 0)
    with pytest.raises(ZeroDivisionError), journal.group():
        journal.event("word", T0, "mill-1", "w1", {})
        journal.bookmark("inbox", 1)
        raise ZeroDivisionError
    assert (reader.last_seq(), reader.bookmark("inbox"), journal.waiting) == (1, 0, 1)
    with journal.group():
        journal.event("word", T0, "mill-1", "w1", {})
        journal.bookmark("inbox", 1)
    assert [row.kind for row in reader.rows_after(0, 10)] == ["agent", "block", "word"]
    assert reader.bookmark("inbox") == 1
    assert reader.verify_chain().ok


def test_what_the_disk_does_not_take_is_kept_for_the_next_try(path: Path) -> None:
    """A page limit stands in for a full disk: SQLite then says the same words."""
    journal = Journal.open(path, 1)
    db = journal._db
    pages = db.execute("PRAGMA page_count").fetchone()[0]
    db.execute(f"PRAGMA max_page_count = {pages}")
    for i in range(30_000):
        journal.sample("mill-1", "level", T0 + i, (i * 7919 % 10_007) / 3.0, i * 7919 % 10_007 / 7.0, 0)
    with pytest.raises(sqlite3.OperationalError, match="full"):
        journal.commit()
    assert journal.waiting == 30_000
    db.execute("PRAGMA max_page_count = 1000000")
    journal.commit()
    reader = JournalReader(path)
    assert len(reader.samples("mill-1", "level", T0, T0 + 30_000)) == 30_000
    assert sum(n for _, n, *_ in reader.trace("mill-1", "level", T0 - 600, T0 + 30_000, 600)) == 30_000
    assert journal.forget_oldest(10) == 0
    reader.close()
    journal.close()


def test_every_commit_is_synced(journal: Journal) -> None:
    """`synchronous` 2 is FULL; anything less loses committed rows with the power."""
    assert journal._db.execute("PRAGMA synchronous").fetchone()[0] == 2
    assert journal._db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"


def test_a_body_with_a_number_that_is_none_is_a_bug_and_writes_nothing(journal: Journal, reader: JournalReader) -> None:
    with pytest.raises(ValueError):
        journal.event("finding", T0, "mill-1", "f", {"volume_l": float("nan")})
    with pytest.raises(ValueError, match="no such kind"):
        journal.event("gossip", T0, "mill-1", "f", {})
    assert reader.last_seq() == 0


# -- the chain --------------------------------------------------------------------------------------------------------


def test_the_chain_holds_over_restarts_and_leaves_blocks_out(path: Path) -> None:
    for boot in (1, 2, 3):
        journal = Journal.open(path, boot)
        for i in range(4):
            journal.event("word", T0 + i, "mill-1", f"w{i}", {"value": i, "note": "Öl ✓"})
            fill(journal, 10, T0 + i)
        journal.close()
    reader = JournalReader(path)
    report = reader.verify_chain()
    assert (report.ok, report.rows, report.bad_seq) == (True, 12, None)
    assert all((row.chain is None) == (row.kind == "block") for row in reader.rows_after(0, 100))
    reader.close()


def tampered(path: Path, *sql: str) -> Any:
    db = sqlite3.connect(path)
    for command in sql:
        db.execute(command)
    db.commit()
    db.close()
    reader = JournalReader(path)
    try:
        return reader.verify_chain()
    finally:
        reader.close()


@pytest.fixture
def chained(path: Path) -> Path:
    journal = Journal.open(path, 1)
    for i in range(6):
        journal.event("word", T0 + i, "mill-1", f"w{i}", {"value": i})
    journal.close()
    return path


SWAP = (
    "UPDATE log SET seq = 100 WHERE seq = 3",
    "UPDATE log SET seq = 3 WHERE seq = 4",
    "UPDATE log SET seq = 4 WHERE seq = 100",
)


@pytest.mark.parametrize(
    ("sql", "bad_seq"),
    [
        (("UPDATE log SET body = replace(body, '3', '4') WHERE seq = 4",), 4),
        (("UPDATE log SET body = CAST(replace(body, '3', '4') AS BLOB) WHERE seq = 4",), 4),
        (("UPDATE log SET time = time + 1 WHERE seq = 4",), 4),
        (("UPDATE log SET sump = 'mill-2' WHERE seq = 4",), 4),
        (("UPDATE log SET id = NULL WHERE seq = 4",), 4),
        (("UPDATE log SET kind = 'review' WHERE seq = 4",), 4),
        (("UPDATE log SET chain = NULL WHERE seq = 4",), 4),
        (("DELETE FROM log WHERE seq = 4",), 5),
        (("DELETE FROM log WHERE seq = 1",), 2),
        (SWAP, 3),
        (("INSERT INTO log SELECT 50, time, boot, kind, sump, id, body, chain FROM log WHERE seq = 2",), 50),
        (("DELETE FROM log WHERE seq = 6",), None),
    ],
)
def test_a_row_that_was_changed_removed_moved_or_added_is_found(
    chained: Path, sql: tuple[str, ...], bad_seq: int | None
) -> None:
    report = tampered(chained, *sql)
    assert not report.ok
    assert report.bad_seq == bad_seq


def test_hash_is_over_every_field_apart(chained: Path) -> None:
    """Text that moves from one field to its neighbour is not the same row."""
    report = tampered(chained, "UPDATE log SET sump = 'mill-1w', id = '3' WHERE id = 'w3'")
    assert report.bad_seq == 4


def reopened(path: Path, act: Callable[[Journal], None]) -> None:
    journal = Journal.open(path, 2)
    act(journal)
    journal.close()


def test_after_a_row_was_cut_off_the_chain_does_not_heal_by_going_on(chained: Path) -> None:
    db = sqlite3.connect(chained)
    db.execute("DELETE FROM log WHERE seq = 6")
    db.commit()
    db.close()
    reopened(chained, lambda journal: void(journal.event("word", T0, "mill-1", "w", {})))
    reader = JournalReader(chained)
    assert not reader.verify_chain().ok
    reader.close()


def void(_: object) -> None:
    return None
