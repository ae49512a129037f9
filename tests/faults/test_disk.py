"""A disk that is full, read-only or broken, and files of somebody else: the agent stays up or says what to do."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.io.journal import Journal, JournalReader
from agent.io.salvage import put_aside, salvage
from agent.opening import SUSPECT, mark_suspect, open_journal
from agent.outbox import Outbox
from agent.reviews import Row
from agent.service import run
from tests.costs.byhand import T0, ByHand
from tests.faults.harness import filled

SUMP = "lathe-1"


@pytest.fixture
def shop(in_memory: Path) -> Iterator[ByHand]:
    opened = ByHand(in_memory, 1, "block_s = 10")
    yield opened
    opened.stop()


def words(path: Path) -> list[str]:
    reader = JournalReader(path)
    found = [str(row.id) for row in reader.events("word", limit=10_000)]
    assert reader.verify_chain().ok
    reader.close()
    return found


def samples(path: Path) -> int:
    reader = JournalReader(path)
    found = len(reader.samples(SUMP, "level", 0.0, 9e9))
    reader.close()
    return found


# -- broken at start --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", [bytes(200_000), b"no database at all " * 9000, b"\x00" * 17])
def test_a_journal_of_zeros_or_rubbish_is_put_aside_and_a_new_one_begins(in_memory: Path, text: bytes) -> None:
    path = in_memory / "journal.sqlite"
    path.write_bytes(text)
    journal, note = open_journal(path, 1)
    assert note is not None and "was broken" in note and "nothing in it could be read" in note
    journal.event("word", T0, SUMP, "w1", {})
    journal.close()
    assert words(path) == ["w1"]
    (aside,) = in_memory.glob("journal.sqlite.broken-*")
    assert aside.read_bytes() == text


def test_what_can_be_read_of_a_damaged_journal_is_taken_over(in_memory: Path) -> None:
    """A stretch in the middle of the file is overwritten with zeros: only what lay there is gone."""
    path = filled(in_memory / "journal.sqlite", 600)
    whole, said = samples(path), words(path)
    size = path.stat().st_size
    with path.open("r+b") as file:
        file.seek(size // 2 // 4096 * 4096)
        file.write(bytes(10 * 4096))
    aside = put_aside(path)
    saved = salvage(aside, path)
    assert not saved.whole and "the rest is in the old file alone" in saved.text
    assert samples(path) > 0.6 * whole
    assert set(words(path)) <= set(said) and len(words(path)) > 0.6 * len(said)
    journal = Journal.open(path, 2)
    assert journal.bookmark_of("inbox") == 599
    assert journal.event("word", T0 + 1e6, SUMP, "new", {}) == journal.last_seq
    journal.close()
    assert words(path)[-1] == "new"


def test_a_sound_journal_would_be_taken_over_whole(in_memory: Path) -> None:
    path = filled(in_memory / "journal.sqlite", 300)
    before = samples(path), words(path)
    saved = salvage(put_aside(path), path)
    assert saved.whole
    assert (samples(path), words(path)) == before
    db = sqlite3.connect(path)
    assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert db.execute("SELECT count(*) FROM snapshot").fetchall() == [(1,)]
    db.close()


def test_when_time_is_up_the_newest_rows_are_there(in_memory: Path) -> None:
    path = filled(in_memory / "journal.sqlite", 600)
    last = JournalReader(path)
    newest = last.last_seq()
    last.close()
    ticks = iter(range(1_000_000))  # a clock on which every look takes a second
    saved = salvage(put_aside(path), path, lambda: next(ticks))
    assert 0 < saved.rows < 600 and not saved.whole
    journal = Journal.open(path, 2)
    assert journal.last_seq == newest
    journal.close()


def test_a_journal_that_broke_under_the_agent_is_begun_anew_at_the_next_start(in_memory: Path) -> None:
    path = filled(in_memory / "journal.sqlite", 100)
    mark_suspect(in_memory, "database disk image is malformed")
    journal, note = open_journal(path, 1)
    assert note is not None and "malformed" in note and "rows of it were taken over" in note
    journal.close()
    assert not (in_memory / SUSPECT).exists()
    journal, note = open_journal(path, 1)
    assert note is None
    journal.close()


def test_a_block_that_the_disk_has_changed_hides_no_other(in_memory: Path) -> None:
    path = filled(in_memory / "journal.sqlite", 100)
    db = sqlite3.connect(path, isolation_level=None)
    seq, body = db.execute("SELECT seq, body FROM log WHERE kind = 'block' AND seq > 40 LIMIT 1").fetchone()
    db.execute("UPDATE log SET body = ? WHERE seq = ?", (body[:40] + b"\xff\xff" + body[42:], seq))
    db.close()
    assert samples(path) == 99 * 30
    journal, note = open_journal(path, 1)
    assert note is None
    journal.close()


# -- full and read-only -----------------------------------------------------------------------------------------------


def fill_up(shop: ByHand) -> None:
    """No page more than the file has now."""
    shop.agent.outbox._reserve = None  # it is another limit than the disk's
    db = shop.agent.journal._db
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    pages = db.execute("PRAGMA page_count").fetchone()[0]
    db.execute(f"PRAGMA max_page_count = {pages}").fetchall()


def test_on_a_full_disk_it_stays_up_says_so_and_old_samples_make_room_for_new(shop: ByHand) -> None:
    shop.period_s = 5.0
    shop.run(2400)
    shop.agent._snapshot()  # what a restart needs is told from what may go
    fill_up(shop)
    oldest = samples(shop.journal_path)
    shop.run(1200)
    assert shop.agent.outbox.thinned_blocks > 0
    assert shop.agent.outbox.lost_samples == 0
    shop.agent.outbox.add(Row("word", shop.clock.time(), SUMP, "said", {"note": "on a full disk"}))
    shop.run(20)
    assert "said" in words(shop.journal_path)
    reader = JournalReader(shop.journal_path)
    newest = reader.samples(SUMP, "level", shop.clock.time() - 600.0, 9e9)
    reader.close()
    assert len(newest) > 100
    assert samples(shop.journal_path) < oldest + 240
    shop.agent.journal._db.execute("PRAGMA max_page_count = 1000000").fetchall()
    shop.run(20)
    assert shop.agent.fault is None


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 12 MB; mounting one takes root."""
    folder = tmp_path / "disk"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=12m", "tmpfs", str(folder)]
    if os.getuid() != 0 or subprocess.run(command, capture_output=True).returncode != 0:
        pytest.skip("mounting takes root")
    yield folder
    subprocess.run(["umount", "--lazy", str(folder)], check=True)


class Flood:
    """Another program that takes every free block of a disk, at once and whenever there are some again."""

    def __init__(self, disk: Path) -> None:
        self._file = (disk / "flood").open("ab", buffering=0)

    def take(self, _time: float = 0.0) -> None:
        """All there is."""
        with contextlib.suppress(OSError):
            while True:
                self._file.write(bytes(4096))

    def end(self) -> None:
        """Give it back."""
        self._file.truncate(0)
        self._file.close()


def test_on_a_disk_without_one_free_block_samples_make_room_and_a_restart_goes_through(
    small_disk: Path, in_memory: Path
) -> None:
    shop = ByHand(small_disk, 1, "block_s = 10", runtime=in_memory)
    shop.period_s = 5.0
    shop.run(2400)
    shop.agent._snapshot()  # what a restart needs is told from what may go
    flood = Flood(small_disk)
    try:
        flood.take()
        shop.run(600, flood.take)
        assert shop.agent.outbox.thinned_blocks > 0
        shop.agent.outbox.add(Row("word", shop.clock.time(), SUMP, "said", {"note": "on a full disk"}))
        shop.run(20, flood.take)
        assert shop.agent.fault is None
        assert "said" in words(shop.journal_path)
        shop.stop()
        flood.take()
        shop.start()
        shop.run(600, flood.take)
        assert shop.agent.outbox.lost_samples == 0
        assert samples(shop.journal_path) > 110
        thinned = shop.agent.outbox.thinned_blocks
    finally:
        flood.end()
    shop.run(600)
    assert shop.agent.fault is None and shop.agent.outbox.thinned_blocks <= thinned
    shop.stop()


def test_undelivered_samples_go_last_and_are_counted(in_memory: Path) -> None:
    path = filled(in_memory / "journal.sqlite", 400)
    journal = Journal.open(path, 1)
    assert journal.make_room(delivered_seq=30) == (29, 0)  # one of those rows is a word
    gone, undelivered = journal.make_room(delivered_seq=30)
    assert gone == undelivered == 50
    while journal.make_room(delivered_seq=30) != (0, 0):
        pass
    assert len(words(path)) == 8
    (_, seq, _, _), *_ = journal.snapshots()
    kept = {row.seq for row in journal.rows_after(seq - 1) if row.kind == "block"}
    assert len(kept) == 400 - 201  # from the snapshot on nothing went
    journal.close()


def test_a_disk_that_has_become_read_only_is_said_and_recovered_from(shop: ByHand) -> None:
    shop.run(30)
    shop.agent.journal._db.execute("PRAGMA query_only = ON")
    shop.run(60)
    assert shop.agent.fault is not None and "cannot be written" in shop.agent.fault
    believed = shop.agent.engine.belief(SUMP, shop.clock.time())
    assert believed.volume_l > 0.0
    shop.agent.journal._db.execute("PRAGMA query_only = OFF")
    shop.run(30)
    assert shop.agent.fault is None
    assert samples(shop.journal_path) >= 110
    assert shop.agent.outbox.lost_samples == 0


def test_on_a_disk_that_may_only_be_read_it_does_not_start_and_says_why(
    small_disk: Path, in_memory: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shop = ByHand(small_disk, 1, runtime=in_memory)
    shop.run(5)
    shop.stop()
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    assert run(shop.file, *(str(small_disk / name) for name in ("state", "inbox")), str(in_memory)) == 1
    assert f"Read-only file system: '{small_disk}" in capsys.readouterr().err


def test_what_waits_while_nothing_can_be_written_is_bounded_and_counted(
    in_memory: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("agent.outbox.UNWRITTEN_SAMPLES", 100)
    journal = Journal.open(in_memory / "journal.sqlite", 1)
    outbox = Outbox(journal)
    journal._db.execute("PRAGMA query_only = ON")
    for i in range(250):
        journal.sample(SUMP, "level", T0 + i, 250.0, 250.0, 0)
    assert not outbox.flush()
    assert (journal.waiting, outbox.lost_samples) == (100, 150)
    journal._db.execute("PRAGMA query_only = OFF")
    assert outbox.flush()
    journal.close()
    assert samples(in_memory / "journal.sqlite") == 100


# -- somebody else's files --------------------------------------------------------------------------------------------

AS_NOBODY = """
import os, sys
from agent.service import run
from agent.site import load_site
load_site(sys.argv[1])  # all that it needs is imported: the other user may not even read the program
os.setgid(65534); os.setuid(65534)
sys.exit(run(sys.argv[1], sys.argv[2], sys.argv[3], sys.argv[4]))
"""


@pytest.mark.skipif(os.getuid() != 0, reason="becoming another user takes root")
def test_a_folder_of_another_owner_is_named_with_what_to_do(in_memory: Path) -> None:
    shop = ByHand(in_memory, 1)
    shop.stop()
    in_memory.chmod(0o755)
    folders = [str(in_memory / name) for name in ("state", "inbox", "run")]
    command = [sys.executable, "-c", AS_NOBODY, str(shop.file), *folders]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert done.returncode == 1
    assert "belongs to root, the agent runs as nobody; chown it" in done.stderr
    assert "Traceback" not in done.stderr
