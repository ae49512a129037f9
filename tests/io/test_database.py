"""Reading while the agent is down, killed, or coming back, with no right to write."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from agent.io.inbox import Inbox, InboxReader
from agent.io.journal import Journal, JournalReader
from agent.io.migrations import INBOX, JOURNAL, NewerFile, migrate, version_of

T0 = 1_790_000_000.0
NOBODY = 65_534


def write(path: Path, values: int = 1, close: bool = True) -> Journal:
    journal = Journal.open(path, 1)
    for i in range(values):
        journal.sample("mill-1", "level", T0 + i, 1.0, 2.0, 0)
        journal.event("word", T0 + i, "mill-1", f"w{i}", {"n": i})
    if close:
        journal.close()
    return journal


READ = """
import os, sys
from agent.io.journal import JournalReader
os.setgid({nobody}); os.setuid({nobody})
reader = JournalReader(sys.argv[1])
for _ in sys.stdin:  # one look for each line
    print(reader.last_seq(), len(reader.samples("mill-1", "level", 0, 9e9)), flush=True)
"""


class StrangersEyes:
    """A process of another user who may read the folder and write nothing."""

    def __init__(self, path: Path) -> None:
        folder = path.parent
        folder.chmod(0o755)
        for parent in list(folder.parents)[:-1]:
            if parent.stat().st_uid == os.getuid() and not parent.stat().st_mode & 0o001:
                parent.chmod(parent.stat().st_mode | 0o011)
        for file in folder.iterdir():
            file.chmod(0o644)
        self.process = subprocess.Popen(
            [sys.executable, "-c", READ.format(nobody=NOBODY), str(path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def look(self) -> str:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write("\n")
        self.process.stdin.flush()
        return self.process.stdout.readline().strip()

    def end(self) -> None:
        self.process.communicate(timeout=10)


needs_root = pytest.mark.skipif(os.getuid() != 0, reason="becoming another user takes root")


@needs_root
def test_a_reader_without_rights_reads_a_running_agents_journal_and_one_that_is_down(tmp_path: Path) -> None:
    path = tmp_path / "state" / "journal.sqlite"
    journal = write(path, 2, close=False)
    eyes = StrangersEyes(path)
    assert eyes.look() == "4 2"
    journal.event("word", T0 + 9, "mill-1", "w9", {})
    assert eyes.look() == "5 2"
    eyes.end()
    journal.close()
    assert sorted(p.name for p in path.parent.iterdir()) == ["journal.sqlite"]
    down = StrangersEyes(path)
    assert down.look() == "5 2"
    assert sorted(p.name for p in path.parent.iterdir()) == ["journal.sqlite"]
    journal = Journal.open(path, 2)
    for file in path.parent.iterdir():
        file.chmod(0o644)
    journal.event("word", T0 + 10, "mill-1", "w10", {})
    assert down.look() == "6 2"
    journal.close()
    assert down.look() == "6 2"
    down.end()


@needs_root
def test_a_reader_without_rights_sees_what_a_killed_agent_had_committed(tmp_path: Path) -> None:
    """The write-ahead file holds it; there is no writer left to fold it in."""
    source = tmp_path / "source" / "journal.sqlite"
    journal = write(source, 3, close=False)
    killed = tmp_path / "killed"
    shutil.copytree(source.parent, killed)
    journal.close()
    assert (killed / "journal.sqlite-wal").stat().st_size > 0
    eyes = StrangersEyes(killed / "journal.sqlite")
    assert eyes.look() == "6 3"
    eyes.end()


def test_before_the_first_start_there_is_no_file_and_no_error_that_lasts(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    reader = JournalReader(path)
    with pytest.raises(FileNotFoundError):
        reader.last_seq()
    write(path)
    assert reader.last_seq() == 2
    reader.close()


def test_a_journal_that_was_put_aside_is_not_read_any_more(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    write(path, 5)
    reader = JournalReader(path)
    assert reader.last_seq() == 10
    path.rename(tmp_path / "aside")
    for end in ("-wal", "-shm"):
        Path(f"{path}{end}").unlink(missing_ok=True)
    write(path, 1)
    assert reader.last_seq() == 2
    reader.close()


def test_a_reader_cannot_write(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    write(path)
    reader = JournalReader(path)
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        reader._db.rows("DELETE FROM log")
    reader.close()


# -- migrations -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("steps", [JOURNAL, INBOX], ids=["journal", "inbox"])
def test_every_older_version_is_brought_to_the_newest_with_the_same_shape(
    tmp_path: Path, steps: tuple[str, ...]
) -> None:
    def shape(db: sqlite3.Connection) -> list[tuple[str]]:
        return db.execute("SELECT sql FROM sqlite_master ORDER BY name").fetchall()

    newest = sqlite3.connect(tmp_path / "newest", isolation_level=None)
    migrate(newest, steps)
    for older in range(len(steps)):
        db = sqlite3.connect(tmp_path / f"older-{older}", isolation_level=None)
        migrate(db, steps[:older])
        assert version_of(db) == older
        assert migrate(db, steps) == older
        assert (version_of(db), shape(db)) == (len(steps), shape(newest))
        db.close()
    newest.close()


def test_rows_of_the_version_before_are_kept_and_counted(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    write(path, 700)
    db = sqlite3.connect(path, isolation_level=None)
    for table in ("trace", "guide", "instruction"):  # what version 2 brought
        db.execute(f"DROP TABLE {table}")
    db.execute("DELETE FROM meta WHERE key = 'summed_seq'")
    db.execute("PRAGMA user_version = 1")
    db.close()
    journal = Journal.open(path, 2)
    journal.event("word", T0 + 700, "mill-1", "late", {})
    journal.close()
    reader = JournalReader(path)
    assert reader.last_seq() == 1401
    assert reader.verify_chain().ok
    assert sum(n for _, n, *_ in reader.trace("mill-1", "level", T0 - 600, T0 + 1000, 600)) == 700
    assert len(reader.samples("mill-1", "level", T0, T0 + 700)) == 700
    reader.close()


def test_a_file_of_a_newer_program_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    write(path)
    db = sqlite3.connect(path)
    db.execute(f"PRAGMA user_version = {len(JOURNAL) + 1}")
    db.close()
    before = path.read_bytes()
    with pytest.raises(NewerFile, match="update the program"):
        Journal.open(path)
    assert path.read_bytes() == before


def test_a_migration_that_fails_leaves_the_version_before(tmp_path: Path) -> None:
    db = sqlite3.connect(tmp_path / "file", isolation_level=None)
    with pytest.raises(sqlite3.OperationalError):
        migrate(db, ("CREATE TABLE a (x);", "CREATE TABLE b (x); CREATE TABLE a (x);"))
    if db.in_transaction:
        db.execute("ROLLBACK")
    assert version_of(db) == 1
    assert db.execute("SELECT name FROM sqlite_master").fetchall() == [("a",)]
    db.close()


# -- inbox ------------------------------------------------------------------------------------------------------------


def put(box: Inbox, token: str, **more: object) -> int:
    word = {"time": T0, "person": "Ana", "role": "operator", "sump": "mill-1", "kind": "record"}
    return box.put(**{**word, "body": {"signal": "hand_reading", "value": 4.5}, "token": token, **more})  # type: ignore[arg-type]


def test_a_word_sent_twice_is_one_word(tmp_path: Path) -> None:
    box = Inbox.open(tmp_path / "inbox.sqlite")
    first = put(box, "t1")
    assert put(box, "t1") == first
    second = put(box, "t2", kind="decision", body={"advice": "a1", "action": "done"})
    assert second > first
    reader = InboxReader(tmp_path / "inbox.sqlite")
    words = reader.after(0)
    assert [(w.seq, w.token, w.kind) for w in words] == [(first, "t1", "record"), (second, "t2", "decision")]
    assert words[0].body == {"signal": "hand_reading", "value": 4.5}
    assert [w.seq for w in reader.after(first)] == [second]
    reader.close()
    box.close()


def test_words_come_in_bounded_helpings_and_no_kind_is_made_up(tmp_path: Path) -> None:
    box = Inbox.open(tmp_path / "inbox.sqlite")
    for i in range(7):
        put(box, f"t{i}")
    reader = InboxReader(tmp_path / "inbox.sqlite")
    assert [w.token for w in reader.after(2, limit=3)] == ["t2", "t3", "t4"]
    with pytest.raises(ValueError, match="no such kind"):
        put(box, "t9", kind="order")
    reader.close()
    box.close()


def test_an_inbox_that_is_not_there_yet_is_empty(tmp_path: Path) -> None:
    reader = InboxReader(tmp_path / "inbox.sqlite")
    assert reader.after(0) == []
    box = Inbox.open(tmp_path / "inbox.sqlite")
    put(box, "t1")
    assert len(reader.after(0)) == 1
    box.close()
    reader.close()
