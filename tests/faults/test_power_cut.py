"""Journal and inbox through thousands of simulated power cuts: nothing that was acknowledged is lost or torn."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Protocol

import pytest

from agent.io.blocks import Sample, unpack
from agent.io.chain import BEGINNING, CHAINED, LogRow, verify
from agent.io.database import prepare
from agent.io.inbox import Inbox, Word
from agent.io.journal import Journal
from agent.io.migrations import INBOX, JOURNAL
from tests.faults.powercut import Connection, Disk

T0 = 1_790_000_000.0
JOURNAL_CUTS, INBOX_CUTS = 1600, 400
CUTS_A_LIFE = 100  # then one of the survivors goes on, as a Pi does when the power is back
LONGEST_ROWS = 150  # then a new file is begun: its creation is cut, too
CHECKPOINT_PAGES = 12  # so that checkpoints come often, and cuts fall into them
SYNC = "PRAGMA synchronous = FULL"
WEAKER = "PRAGMA synchronous = NORMAL"

Files = dict[str, bytes]


class Broken(Exception):
    """What a cut left is no sound file."""


@dataclass(slots=True)
class Life:
    """One machine from one power-on to the next; `acknowledged` rows are promised to be on the disk."""

    disk: Disk
    rng: random.Random
    acknowledged: int
    cuts: list[tuple[Files, int]] = field(default_factory=list)  # what each cut left, rows acknowledged by then

    def begin(self) -> None:
        """From now on, cut at random moments."""
        self.disk.on_write = self._perhaps_cut

    @property
    def over(self) -> bool:
        """Enough cuts were taken."""
        return len(self.cuts) >= CUTS_A_LIFE

    def _perhaps_cut(self) -> None:
        if not self.over and self.rng.random() < 0.25:
            self.cuts.append((self.disk.survivor(self.rng), self.acknowledged))


class Kind(Protocol):
    """A file of ours: how it is written, and what is in it."""

    def write(self, life: Life, sync: str) -> None:
        """Use it until the life is over."""

    def rows(self, files: Files) -> list[Any]:
        """All rows, in order. Raises Broken."""


def opened(disk: Disk, path: str, steps: tuple[str, ...], sync: str) -> Connection:
    """As `open_writer` does it, on a disk of ours."""
    db = Connection(disk, path)
    prepare(db, steps)  # type: ignore[arg-type]
    assert db.execute("PRAGMA journal_mode").fetchall() == [("wal",)]
    assert db.execute("PRAGMA synchronous").fetchall() == [(2,)]
    db.execute(sync)
    db.execute(f"PRAGMA wal_autocheckpoint = {CHECKPOINT_PAGES}").fetchall()
    return db


def sound(files: Files, path: str, table: str) -> Connection | None:
    """What is there, None where the table was not made yet. Raises Broken."""
    db = Connection(Disk(files), path)
    if db.execute("PRAGMA integrity_check").fetchall() != [("ok",)]:
        raise Broken("corrupt")
    return db if db.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (table,)).fetchall() else None


class JournalKind:
    """Blocks, findings, words with their bookmark, snapshots."""

    def write(self, life: Life, sync: str) -> None:
        """See Kind."""
        life.begin()
        db = opened(life.disk, "/journal.sqlite", JOURNAL, sync)
        journal = Journal(db, boot=1)  # type: ignore[arg-type]
        while not life.over:
            self._one(journal, life.rng)
            life.acknowledged = journal.last_seq
        db.close()

    def _one(self, journal: Journal, rng: random.Random) -> None:
        step = journal.last_seq
        now = T0 + 100.0 * step
        match rng.randrange(6):
            case 0:
                journal.event("finding", now, "mill-1", f"f{step}", {"text": "x" * rng.randrange(900)})
            case 1:
                with journal.group():
                    journal.bookmark("inbox", journal.event("word", now, "mill-1", f"w{step}", {"value": step}))
            case 2:
                journal.snapshot(now, "1", rng.randbytes(rng.randrange(9000)))
            case _:
                for i in range(rng.randrange(1, 60)):
                    journal.add(Sample(now + i, "mill-1", "level", rng.randrange(9999) / 10, 250.0))
                journal.commit()

    def rows(self, files: Files) -> list[Any]:
        """See Kind; the chain must hold, and a word be there with its bookmark or not at all."""
        db = sound(files, "/journal.sqlite", "log")
        if db is None:
            return []
        rows = [LogRow(*row) for row in db.execute("SELECT * FROM log ORDER BY seq")]
        meta = dict(db.execute("SELECT key, value FROM meta"))
        mark = dict(db.execute("SELECT name, seq FROM bookmark")).get("inbox", 0)
        db.close()
        if [row.seq for row in rows] != list(range(1, len(rows) + 1)):
            raise Broken("gap")
        chained = [row for row in rows if row.kind in CHAINED]
        if not verify(chained, meta.get("chain_head", BEGINNING), meta.get("chain_count", 0)).ok:
            raise Broken("chain")
        if mark != max((row.seq for row in rows if row.kind == "word"), default=0):
            raise Broken("half a transaction")
        assert all(unpack(row.body) for row in rows[-3:] if row.kind == "block")
        return rows


class InboxKind:
    """Words, some of them sent twice."""

    def write(self, life: Life, sync: str) -> None:
        """See Kind."""
        life.begin()
        box = Inbox(opened(life.disk, "/inbox.sqlite", INBOX, sync))  # type: ignore[arg-type]
        while not life.over:
            note, token = "x" * life.rng.randrange(600), f"token {life.acknowledged}"
            word = {"person": "Ana", "role": "operator", "sump": "mill-1", "kind": "record", "body": {"note": note}}
            for _ in range(life.rng.randrange(1, 3)):
                box.put(time=T0, token=token, **word)  # type: ignore[arg-type]
            life.acknowledged += 1
        box.close()

    def rows(self, files: Files) -> list[Any]:
        """See Kind."""
        db = sound(files, "/inbox.sqlite", "word")
        return [Word(*row) for row in db.execute("SELECT * FROM word ORDER BY seq")] if db else []


def harm_of(kind: Kind, cuts: int, seed: int, sync: str = SYNC) -> dict[str, int]:
    """Cut so often; how many cuts did what harm. Each life goes on from a survivor of the one before."""
    rng, harm = random.Random(seed), dict[str, int]()
    files, known, before = dict[str, bytes](), 0, list[Any]()
    for _ in range(cuts // CUTS_A_LIFE):
        life = Life(Disk(files), rng, known)
        kind.write(life, sync)
        written = kind.rows({name: bytes(file.seen) for name, file in life.disk.files.items()})
        outcomes = [_outcome(kind, left, promised, written, before) for left, promised in life.cuts]
        for fault in (fault for fault, _ in outcomes if fault):
            harm[fault] = harm.get(fault, 0) + 1
        heir = rng.randrange(CUTS_A_LIFE)
        goes_on = outcomes[heir][0] is None and len(written) < LONGEST_ROWS
        files, known, before = (life.cuts[heir][0], outcomes[heir][1], written) if goes_on else ({}, 0, [])
    return harm


def _outcome(kind: Kind, left: Files, promised: int, written: list[Any], before: list[Any]) -> tuple[str | None, int]:
    """The harm, and how many rows are there: a beginning of what was written, at least up to what was promised.

    Beyond the promise the last write of the life `before` may come back whole: its frames lie on in the log, behind a
    first one that was missing, and a new write that begins with the very same page completes them.
    """
    try:
        rows = kind.rows(left)
    except Broken as broken:
        return str(broken), 0
    if rows != written[: len(rows)] and not (rows[:promised] == written[:promised] and rows == before[: len(rows)]):
        return "another row", len(rows)
    return (None if len(rows) >= promised else "lost"), len(rows)


@pytest.fixture
def times(long_run: bool) -> int:
    """How many times the usual sample."""
    return 20 if long_run else 1


def test_no_power_cut_costs_the_journal_a_row_or_leaves_it_corrupt(times: int, say: Callable[[str], None]) -> None:
    say(f"{JOURNAL_CUTS * times} cuts of the journal, {INBOX_CUTS * times} of the inbox")
    assert harm_of(JournalKind(), JOURNAL_CUTS * times, seed=11) == {}


def test_no_power_cut_costs_the_inbox_a_word(times: int) -> None:
    assert harm_of(InboxKind(), INBOX_CUTS * times, seed=12) == {}


@pytest.mark.parametrize("kind", [JournalKind(), InboxKind()], ids=["journal", "inbox"])
def test_the_same_cuts_find_the_rows_that_a_weaker_sync_loses(kind: Kind) -> None:
    """The test of the test: with synchronous=NORMAL a commit is acknowledged before it is safe."""
    assert harm_of(kind, 2 * CUTS_A_LIFE, seed=13, sync=WEAKER).get("lost", 0) > 0
