"""A journal that cannot be used is put aside, and what can be read of it is taken over into a new one.

Newest first, and only for as long as a start may wait: what a shop works with is the last days, and everything that
people and Sumpside ever said. The old file stays where it was put. Rows keep their numbers, so bookmarks still hold;
the chain is laid anew over what is left, and the note in the journal says how much that is.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from agent.io.chain import BEGINNING, CHAINED, LogRow, link
from agent.io.database import open_writer
from agent.io.journal_unsure import UNSURE
from agent.io.migrations import JOURNAL, NewerFile, version_of

ENDS = ("", "-wal", "-shm")
TIME_S = 2.0  # of the 5 s in which the agent must run again
ROWS_AT_MOST = 20_000  # a week of blocks of 30 s; what was said goes all the way back
ROWS_A_READ = 200
SMALL_TABLES = ("guide", "instruction", "bookmark", "meta", "dead_letter", "snapshot")
SUMS = "SELECT * FROM trace WHERE step_s >= 600 ORDER BY step_s DESC, start DESC"

Row = tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Salvaged:
    """What was taken over: rows of the log, those among them that people or Sumpside said, and whether that is all."""

    rows: int
    said: int
    whole: bool

    @property
    def text(self) -> str:
        """For the note in the journal."""
        if not self.rows:
            return "nothing in it could be read"
        return f"{self.rows} rows of it were taken over, {self.said} of them things said" + (
            "" if self.whole else "; the rest is in the old file alone"
        )


def put_aside(path: Path) -> Path:
    """Rename the file with its write-ahead file; returns its new name."""
    aside = path.with_name(f"{path.name}.broken-{time.time_ns()}")
    for end in ENDS:
        if (part := Path(f"{path}{end}")).exists():
            part.rename(f"{aside}{end}")
    return aside


def salvage(broken: Path, fresh: Path, clock: Callable[[], float] = time.monotonic) -> Salvaged:
    """Take over into a new journal at `fresh` (which must not exist) what can be read within TIME_S."""
    until = clock() + TIME_S
    with closing(open_writer(fresh, JOURNAL)) as new:
        try:
            old = sqlite3.connect(broken, isolation_level=None)
        except sqlite3.Error:
            return Salvaged(0, 0, False)
        with closing(old), suppress(sqlite3.DatabaseError, NewerFile):
            if version_of(old) == len(JOURNAL):
                return _take_over(old, new, lambda: clock() < until)
        return Salvaged(0, 0, False)


def _take_over(old: sqlite3.Connection, new: sqlite3.Connection, in_time: Callable[[], bool]) -> Salvaged:
    rows, whole = _newest(old, in_time)
    lowest = rows[-1].seq if rows else 0
    said = [] if whole else _said_before(old, lowest, in_time)
    chosen = sorted([*rows, *said], key=lambda row: row.seq)
    new.execute("BEGIN IMMEDIATE")
    for table in SMALL_TABLES:
        _copy(new, table, _readable(old, f"SELECT * FROM {table}", lambda: True))
    _copy(new, "trace", _readable(old, SUMS, in_time))
    count, head = _write(new, chosen)
    new.execute("DELETE FROM instruction WHERE advice_seq NOT IN (SELECT seq FROM log)")
    facts = {"chain_head": head, "chain_count": count}
    if not new.execute("SELECT 1 FROM meta WHERE key = 'summed_seq'").fetchone() and chosen:
        facts["summed_seq"] = chosen[-1].seq  # the sums are lost: begin them anew rather than count for minutes
    new.executemany("INSERT OR REPLACE INTO meta VALUES (?, ?)", facts.items())
    new.execute("DELETE FROM meta WHERE key = ?", (UNSURE,))
    new.execute("COMMIT")
    return Salvaged(len(chosen), count, whole)


def _newest(old: sqlite3.Connection, in_time: Callable[[], bool]) -> tuple[list[LogRow], bool]:
    """Rows from the end backwards; whether that was all of them, every one readable."""
    found: list[LogRow] = []
    high, whole = int(old.execute("SELECT coalesce(max(seq), 0) FROM log").fetchone()[0]), True
    while high > 0:
        if len(found) >= ROWS_AT_MOST or not in_time():
            return found, False
        low = max(0, high - ROWS_A_READ)
        part = _between(old, low, high)
        if part is None:
            singly = [_between(old, seq - 1, seq) for seq in range(high, low, -1)]
            part = [row for rows in singly for row in rows or ()]
            whole = False
        found += part
        high = low
    return found, whole


def _between(old: sqlite3.Connection, low: int, high: int) -> list[LogRow] | None:
    """Rows with low < seq <= high, the newest first; None where one of them cannot be read."""
    try:
        sql = "SELECT * FROM log WHERE seq > ? AND seq <= ? ORDER BY seq DESC"
        return [LogRow(*row) for row in old.execute(sql, (low, high))]
    except sqlite3.DatabaseError:
        return None


def _said_before(old: sqlite3.Connection, seq: int, in_time: Callable[[], bool]) -> list[LogRow]:
    """What people and Sumpside said before a row."""
    kinds = ", ".join(f"'{kind}'" for kind in CHAINED)
    sql = f"SELECT seq FROM log WHERE kind <> 'block' AND kind IN ({kinds}) AND seq < {seq}"
    seqs = sorted((int(found) for (found,) in _readable(old, sql, in_time)), reverse=True)
    return [row for one in seqs if in_time() for row in _between(old, one - 1, one) or ()]


def _readable(old: sqlite3.Connection, sql: str, in_time: Callable[[], bool]) -> Iterator[Row]:
    """Rows of a query until one cannot be read, or time is up."""
    with suppress(sqlite3.DatabaseError):
        for row in old.execute(sql):
            yield row
            if not in_time():
                return


def _copy(new: sqlite3.Connection, table: str, rows: Iterator[Row]) -> None:
    for row in rows:
        places = ", ".join("?" * len(row))
        new.execute(f"INSERT OR REPLACE INTO {table} VALUES ({places})", row)


def _write(new: sqlite3.Connection, rows: list[LogRow]) -> tuple[int, bytes]:
    """Into the new log, chained anew; how many are chained, and the head."""
    count, head = 0, BEGINNING
    for row in rows:
        chain = None
        if row.kind in CHAINED:
            chain = head = link(head, row)
            count += 1
        values = (row.seq, row.time, row.boot, row.kind, row.sump, row.id, row.body, chain)
        new.execute("INSERT INTO log VALUES (?, ?, ?, ?, ?, ?, ?, ?)", values)
    return count, head
