"""The journal: one append-only SQLite file, the product's memory. One writer, the agent's main thread.

Samples wait in an open block and commit together; what people and Sumpside say commits at once, with the open
block before it, so the order of rows is the order in which the core saw them.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from agent.core.review import PEOPLE
from agent.io.blocks import Sample, pack, readable, unpack
from agent.io.chain import BEGINNING, CHAINED, ChainReport, LogRow, link
from agent.io.database import open_writer
from agent.io.journal_reader import OPEN_STATES, JournalReader
from agent.io.journal_unsure import UNSURE, newest_time, restamp
from agent.io.migrations import JOURNAL
from agent.io.traces import FINE_KEPT_S, FINE_STEP_S, MAIN_STEP_S, THIN_EVERY_S, Key, Sum, Sums

__all__ = ["OPEN_STATES", "ChainReport", "Journal", "JournalReader", "LogRow", "Sample", "unpack"]

SNAPSHOTS_KEPT = 3  # the newest may be refused (other version, other calibration): the ones before may do
FILE_NAME = "journal.sqlite"
ROOM_BLOCKS = 50  # let go of at a time on a full disk: half an hour of the oldest
MOST_PAGES = 0xFFFFFFFE  # what SQLite can have
SEALING = frozenset({"approve", "amend", "begin", "done"})
DEAD_LETTER_BYTES = 65_536  # a refused body is kept for reading, not for filling the card

_INSERT = "INSERT INTO log (seq, time, boot, kind, sump, id, body, chain) VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
_MERGE_TRACE = """
    INSERT INTO trace (step_s, start, sump, signal, n, mean, low, high) VALUES (?, ?, ?, ?, ?, ?, ?, ?)
    ON CONFLICT DO UPDATE SET mean = (mean * n + excluded.mean * excluded.n) / (n + excluded.n),
        n = n + excluded.n, low = min(low, excluded.low), high = max(high, excluded.high)"""
_MERGE_GUIDE = """
    INSERT INTO guide (start, first_seq, last_seq) VALUES (?1, ?2, ?2)
    ON CONFLICT DO UPDATE SET first_seq = min(first_seq, ?2), last_seq = max(last_seq, ?2)"""
_DROP_SNAPSHOTS = """
    DELETE FROM snapshot WHERE rowid NOT IN (SELECT rowid FROM snapshot ORDER BY rowid DESC LIMIT ?)"""
_ADVICE = """
    INSERT INTO instruction (id, sump, advice_seq) VALUES (?, ?, ?)
    ON CONFLICT DO UPDATE SET advice_seq = excluded.advice_seq WHERE NOT sealed"""
_NEVER_POSTED = "UPDATE instruction SET state = 'withdrawn' WHERE id = ? AND state IS NULL"
_REVIEW = """
    INSERT INTO instruction (id, sump, state, review_seq, sealed) VALUES (?, ?, ?, ?, ?)
    ON CONFLICT DO UPDATE SET state = excluded.state, review_seq = excluded.review_seq,
        sealed = max(sealed, excluded.sealed)"""


def encode_body(body: dict[str, Any]) -> bytes:
    """A row's JSON: compact, keys in the order given, never NaN (ValueError)."""
    text = json.dumps(body, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    try:
        return text.encode()
    except UnicodeEncodeError:  # half a character, as a browser can send: kept as its escape
        return json.dumps(body, separators=(",", ":"), allow_nan=False).encode()


def seals(step: dict[str, Any]) -> bool:
    """Whether a review row fixes the instruction's numbers: a person has approved or begun it as it stood."""
    return step["event"] in SEALING and step.get("role") in PEOPLE


class Journal:
    """The writer. All times are epoch seconds; every commit is on the disk when the call returns."""

    def __init__(self, db: sqlite3.Connection, boot: int = 0) -> None:
        self._db = db
        self.boot = boot
        self._open_block: list[Sample] = []
        self._beliefs: list[dict[str, Any]] = []
        self._grouped = self._closed = False
        self._seq = int(db.execute("SELECT coalesce(max(seq), 0) FROM log").fetchone()[0])
        self._chain = bytes(self.meta("chain_head", BEGINNING))
        self._chained = int(self.meta("chain_count", 0))
        self._sums = Sums()
        self._summed_to = -1.0  # step of MAIN_STEP_S in which the sums were last written
        self._thinned_at = 0  # step in which old fine sums were last let go of
        self._guide: set[tuple[int, int]] = set()
        self.unsure_from = int(self.meta(UNSURE, 0))  # first row whose time may be wrong by the same amount; 0: none
        self._recount()

    @classmethod
    def open(cls, path: Path | str, boot: int = 0) -> Journal:
        """Open or create. Raises NewerFile, sqlite3.DatabaseError (a file that is none, or broken)."""
        return cls(open_writer(Path(path), JOURNAL), boot)

    # -- what comes in ---------------------------------------------------------------------------------------

    def sample(
        self,
        sump: str,
        signal: str,
        time: float,
        raw: float,
        value: float,
        flags: int,
        simulated: bool = False,
    ) -> None:
        """Put one reading into the open block; it is kept by the next commit."""
        self.add(Sample(time, sump, signal, raw, value, flags, simulated))

    def add(self, sample: Sample) -> None:
        """The same, of a sample that is made already."""
        self._open_block.append(sample)

    def forget_oldest(self, keep: int) -> int:
        """Drop samples of the open block beyond the newest `keep`, when no commit has gone through for long."""
        lost = max(0, len(self._open_block) - keep)
        del self._open_block[:lost]
        return lost

    def belief(self, row: dict[str, Any]) -> None:
        """Write a belief (contract fields) with the next commit."""
        self._beliefs.append(row)

    def event(self, kind: str, time: float, sump: str | None, id: str | None, body: dict[str, Any]) -> int:
        """Write what somebody said or Sumpside found, at once, after the open block. Returns its seq.

        Raises sqlite3.Error when the disk does not take it: nothing is written then, the open block is kept.
        """
        if kind not in CHAINED:
            raise ValueError(f"no such kind of event: {kind}")
        with self._transaction():
            self._write_open()
            seq = self._append(kind, time, sump, id, encode_body(body))
            self._track_instruction(kind, sump, id, body, seq)
        return seq

    def bookmark(self, name: str, seq: int) -> None:
        """Move a reader's bookmark; with the group it is in, or at once."""
        with self._transaction():
            self._db.execute("INSERT OR REPLACE INTO bookmark VALUES (?, ?)", (name, seq))

    def dead_letter(self, seq: int, sink: str, reason: str, body: str, time: float) -> None:
        """Keep what a sink refused for good, with the sink's words."""
        with self._transaction():
            row = (seq, sink, reason[:DEAD_LETTER_BYTES], body[:DEAD_LETTER_BYTES], time)
            self._db.execute("INSERT INTO dead_letter VALUES (?, ?, ?, ?, ?)", row)

    def snapshot(self, time: float, version: str, body: bytes) -> None:
        """Keep the core's state as of everything handed in so far; the oldest snapshots go."""
        with self._transaction():
            self._write_open()
            self._db.execute(_DROP_SNAPSHOTS, (SNAPSHOTS_KEPT - 1,))  # first: the new one takes their pages
            self._db.execute("INSERT INTO snapshot VALUES (?, ?, ?, ?)", (time, self._seq, version, body))

    def set_meta(self, key: str, value: str | int | float | bytes) -> None:
        """Keep a small fact about this journal."""
        with self._transaction():
            self._db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, value))

    def make_room(self, delivered_seq: int | None) -> tuple[int, int]:
        """On a full disk: let go of some of the oldest blocks, so that new rows find room in the same file.

        Those that every publisher has delivered (up to `delivered_seq`; None where there are no publishers) go first;
        where there are none left, old undelivered ones. What people and Sumpside said, sums and beliefs stay, and so
        do the rows that a restart needs. Returns blocks let go of, and how many of them were undelivered.
        """
        last = self._db.execute("SELECT coalesce(max(seq), 0) FROM snapshot").fetchone()[0]
        sql = "SELECT seq FROM log WHERE seq < ? AND kind = 'block' ORDER BY seq LIMIT ?"
        seqs = [int(seq) for (seq,) in self._db.execute(sql, (last, ROOM_BLOCKS))]
        delivered = [seq for seq in seqs if delivered_seq is None or seq <= delivered_seq]
        gone = delivered or seqs
        with self._transaction():
            self._db.executemany("DELETE FROM log WHERE seq = ?", [(seq,) for seq in gone])
        self._db.execute("PRAGMA wal_checkpoint(PASSIVE)")
        return len(gone), len(gone) - len(delivered)

    def stop_growing(self, spare_bytes: int) -> None:
        """On a tight disk: fold the log into the file, which from now on grows by `spare_bytes` at most.

        What does not fit is then refused before it is written, while there is still room to delete. Raises as `event`.
        """
        self._db.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()
        (pages,), (page_bytes,) = (
            self._db.execute(f"PRAGMA {name}").fetchone() for name in ("page_count", "page_size")
        )
        self._db.execute(f"PRAGMA max_page_count = {pages + spare_bytes // page_bytes}").fetchall()

    def grow(self) -> None:
        """There is room again."""
        self._db.execute(f"PRAGMA max_page_count = {MOST_PAGES}").fetchall()

    # -- while it is not known what time it is ------------------------------------------------------------------

    def newest_time(self) -> float:
        """The latest time (epoch s) among the last rows; 0 in an empty journal."""
        return newest_time(self._db)

    def begin_unsure(self) -> None:
        """The times of the rows from here on may be wrong, all by the same amount; publishers wait with them."""
        self.set_meta(UNSURE, self._seq + 1)
        self.unsure_from = self._seq + 1

    def settle(self, shift_s: float) -> None:
        """Time came: what was measured since `begin_unsure` lies `shift_s` later. What was said stays as it was said.

        In one transaction with the open block. Snapshots of that stretch go: they hold the old times.
        """
        with self._transaction():
            self._write_open()
            if shift_s:
                restamp(self._db, self.unsure_from, shift_s)
            self._db.execute("DELETE FROM meta WHERE key = ?", (UNSURE,))
        self.unsure_from = 0
        self._recount()

    # -- commits ---------------------------------------------------------------------------------------------

    def commit(self) -> int:
        """Put the open block and waiting beliefs on the disk. Returns the last seq. Raises as `event`."""
        with self._transaction():
            self._write_open()
        return self._seq

    @contextmanager
    def group(self) -> Iterator[None]:
        """Everything written inside is kept together or not at all."""
        with self._transaction():
            self._grouped = True
            try:
                yield
            finally:
                self._grouped = False

    def close(self) -> None:
        """Commit what is open, write the sums, fold the write-ahead file in, let go. A second call does nothing."""
        if self._closed:
            return
        self._closed = True
        try:
            with self._transaction():
                self._write_open()
            with suppress(sqlite3.OperationalError):  # no room: sums are counted again at the next start
                with self._transaction():
                    if not self.unsure_from:
                        self._write_sums()
                self._db.execute("PRAGMA wal_checkpoint(PASSIVE)")  # with readers about, closing alone would not do it
        finally:
            self._db.close()

    def abandon(self) -> None:
        """Let go of a file that cannot be used, writing nothing."""
        self._closed = True
        self._db.close()

    def look(self, rows: int) -> None:
        """Read the last rows and the small tables through. Raises sqlite3.DatabaseError where they are broken."""
        self._db.execute(
            "SELECT sum(length(body)) FROM (SELECT body FROM log ORDER BY seq DESC LIMIT ?)", (rows,)
        ).fetchall()
        for table in ("bookmark", "meta", "snapshot", "instruction"):
            self._db.execute(f"SELECT * FROM {table}").fetchall()
        if self._seq:
            self._db.execute("SELECT max(time) FROM log WHERE kind = 'word' AND kind <> 'block'").fetchall()

    # -- what was kept ---------------------------------------------------------------------------------------

    @property
    def waiting(self) -> int:
        """Samples in the open block."""
        return len(self._open_block)

    @property
    def last_seq(self) -> int:
        """The newest row's number; 0 in an empty journal."""
        return self._seq

    def meta(self, key: str, default: Any = None) -> Any:
        """A small fact, or the default."""
        row = self._db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return default if row is None else row[0]

    def bookmark_of(self, name: str) -> int:
        """Where a reader stands; 0 where it never read."""
        row = self._db.execute("SELECT seq FROM bookmark WHERE name = ?", (name,)).fetchone()
        return 0 if row is None else int(row[0])

    def snapshots(self) -> list[tuple[float, int, str, bytes]]:
        """Kept snapshots, newest first: time (epoch s), seq it covers, version, body."""
        sql = "SELECT time, seq, version, body FROM snapshot ORDER BY rowid DESC"
        return self._db.execute(sql).fetchall()

    def rows_after(self, seq: int) -> Iterator[LogRow]:
        """Rows after one, oldest first: what the core must see again after a restart."""
        sql = "SELECT seq, time, boot, kind, sump, id, body, chain FROM log WHERE seq > ? ORDER BY seq"
        return (LogRow(*row) for row in self._db.execute(sql, (seq,)))

    def words_before(self, seq: int) -> Iterator[LogRow]:
        """All that people said before a row, oldest first."""
        sql = "SELECT * FROM log WHERE kind = 'word' AND kind <> 'block' AND seq < ? ORDER BY seq"
        return (LogRow(*row) for row in self._db.execute(sql, (seq,)))

    def seq_of_last_samples(self, count: int) -> int:
        """The row from which on about so many samples lie; 1 where there are fewer."""
        for seq, body in self._db.execute("SELECT seq, body FROM log WHERE kind = 'block' ORDER BY seq DESC"):
            count -= len(readable(body))
            if count <= 0:
                return int(seq)
        return 1

    # -- inside ----------------------------------------------------------------------------------------------

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        """Commit at the end, or leave file, open block and counters as they were. Joins an open group."""
        if self._grouped:
            yield
            return
        before = self._seq, self._chain, self._chained, list(self._open_block), list(self._beliefs)
        summed = False
        try:
            self._db.execute("BEGIN IMMEDIATE")
            yield
            self._note_chain(before[2])
            self._db.execute("COMMIT")
            summed = True
        finally:
            if not summed:
                self._roll_back(before)

    def _roll_back(self, before: tuple[int, bytes, int, list[Sample], list[dict[str, Any]]]) -> None:
        self._seq, self._chain, self._chained, self._open_block, self._beliefs = before
        if self._db.in_transaction:
            self._db.execute("ROLLBACK")
        self._recount()

    def _note_chain(self, count_before: int) -> None:
        if self._chained != count_before:
            pairs = [("chain_head", self._chain), ("chain_count", self._chained)]
            self._db.executemany("INSERT OR REPLACE INTO meta VALUES (?, ?)", pairs)

    def _write_open(self) -> None:
        if self._open_block:
            block, self._open_block = self._open_block, []
            seq = self._append("block", block[0].time, None, None, pack(block))
            self._count(block, seq)
            newest_step = block[-1].time // MAIN_STEP_S
            if newest_step != self._summed_to and not self.unsure_from:
                self._write_sums()
                self._summed_to = newest_step
        beliefs, self._beliefs = self._beliefs, []
        for row in beliefs:
            self._append("belief", row["time"], row["sump"], None, encode_body(row))

    def _append(self, kind: str, time: float, sump: str | None, id: str | None, body: bytes) -> int:
        row = LogRow(self._seq + 1, float(time), self.boot, kind, sump, id, body, None)
        chain = link(self._chain, row) if kind in CHAINED else None
        self._db.execute(_INSERT, (row.seq, row.time, row.boot, kind, sump, id, body, chain))
        self._seq = row.seq
        if chain is not None:
            self._chain, self._chained = chain, self._chained + 1
        return row.seq

    def _track_instruction(self, kind: str, sump: str | None, id: str | None, body: dict[str, Any], seq: int) -> None:
        if kind == "advice":
            self._db.execute(_ADVICE, (id, sump, seq))
            if body.get("withdrawn"):  # before it was ever posted, it has no review row to say so
                self._db.execute(_NEVER_POSTED, (id,))
        elif kind == "review" and body.get("to"):  # a refused step has no `to` and changes no state
            self._db.execute(_REVIEW, (body["advice"], sump, body["to"], seq, int(seals(body))))

    def _count(self, block: list[Sample], seq: int) -> None:
        self._sums.add(block)
        self._guide.update((int(s.time // MAIN_STEP_S) * MAIN_STEP_S, seq) for s in block)

    def _write_sums(self) -> None:
        """Merge the sums into their rows; what is in the blocks up to here is then counted exactly once."""
        rows: list[tuple[Key, Sum]] = list(self._sums.rows())
        self._db.executemany(_MERGE_TRACE, [(*key, s.n, s.mean, s.low, s.high) for key, s in rows])
        self._db.executemany(_MERGE_GUIDE, sorted(self._guide))
        newest = max((start for start, _ in self._guide), default=0)
        if newest - self._thinned_at >= THIN_EVERY_S:
            self._db.execute("DELETE FROM trace WHERE step_s = ? AND start < ?", (FINE_STEP_S, newest - FINE_KEPT_S))
            self._thinned_at = newest
        self._db.execute("INSERT OR REPLACE INTO meta VALUES ('summed_seq', ?)", (self._seq,))
        self._sums.clear()
        self._guide.clear()

    def _recount(self) -> None:
        """Count again the blocks that are not in the written sums: after a start, and after a rollback."""
        self._sums.clear()
        self._guide.clear()
        sql = "SELECT seq, body FROM log WHERE seq > ? AND kind = 'block' ORDER BY seq"
        for seq, body in self._db.execute(sql, (int(self.meta("summed_seq", 0)),)):
            self._count(readable(body), seq)
