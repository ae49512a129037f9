"""Reading the journal from another thread or process, with no right to write, by short queries."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from agent.io.blocks import Sample, readable
from agent.io.chain import BEGINNING, ChainReport, LogRow, verify
from agent.io.database import ReadOnlyDatabase
from agent.io.journal_unsure import UNSURE
from agent.io.traces import MAIN_STEP_S, Sum, Sums, coarsest_step

OPEN_STATES = ("posted", "approved", "begun")  # what somebody still has to act on; `done` waits for its proof
END = 2**62  # after every row
ROWS_A_READ = 5_000  # bounds the memory of a long walk

TraceRow = tuple[int, int, float, float, float]  # start (epoch s), n, mean, low, high


# Rows are read with `*`: the columns of `log` and the fields of LogRow are in the same order, for good.


class JournalReader:
    """A read-only look at a journal. Raises FileNotFoundError while there is none, sqlite3.Error."""

    def __init__(self, path: Path | str) -> None:
        self._db = ReadOnlyDatabase(path)

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    def last_seq(self) -> int:
        """The newest row's number; 0 in an empty journal."""
        return int(self._db.rows("SELECT coalesce(max(seq), 0) FROM log")[0][0])

    def rows_after(self, seq: int, limit: int) -> list[LogRow]:
        """Up to `limit` rows of all kinds after `seq`, oldest first."""
        sql = "SELECT * FROM log WHERE seq > ? ORDER BY seq LIMIT ?"
        return [LogRow(*row) for row in self._db.rows(sql, (seq, limit))]

    def settled_rows_after(self, seq: int, limit: int) -> list[LogRow]:
        """The same, less rows whose times may yet be put right (see journal_unsure): those are not to be sent."""
        sql = """SELECT * FROM log WHERE seq > ?1 AND seq < coalesce((SELECT value FROM meta WHERE key = ?3), ?4)
                 ORDER BY seq LIMIT ?2"""
        return [LogRow(*row) for row in self._db.rows(sql, (seq, limit, UNSURE, END))]

    def rows_of(self, kind: str, seq: int, limit: int) -> list[LogRow]:
        """Up to `limit` rows of one kind (not `block`) after `seq`, oldest first."""
        sql = "SELECT * FROM log WHERE kind = ? AND kind <> 'block' AND seq > ? ORDER BY seq LIMIT ?"
        return [LogRow(*row) for row in self._db.rows(sql, (kind, seq, limit))]

    def bookmark(self, name: str) -> int:
        """Where a sink or the inbox stands; 0 where it never read."""
        rows = self._db.rows("SELECT seq FROM bookmark WHERE name = ?", (name,))
        return int(rows[0][0]) if rows else 0

    def dead_letters(self, sink: str | None = None) -> list[dict[str, Any]]:
        """What sinks refused for good, oldest first."""
        names = ("seq", "sink", "reason", "body", "time")
        sql = "SELECT * FROM dead_letter WHERE ?1 IS NULL OR sink = ?1 ORDER BY rowid"
        return [dict(zip(names, row, strict=True)) for row in self._db.rows(sql, (sink,))]

    # -- samples ---------------------------------------------------------------------------------------------

    def samples(self, sump: str, signal: str, t0: float, t1: float) -> list[Sample]:
        """Every sample with t0 <= time < t1 (epoch s), in order of time; doubtful ones with their flags."""
        found = [s for body in self._blocks(t0, t1) for s in readable(body, sump, signal) if t0 <= s.time < t1]
        return sorted(found, key=lambda s: s.time)

    def trace(self, sump: str, signal: str, t0: float, t1: float, step_s: int) -> list[TraceRow]:
        """Good samples summed by step, oldest first, for the steps that begin in [t0, t1).

        `step_s` is a multiple of 60 s; the 60 s steps reach back 48 h, longer ones all the way.
        """
        kept_s = coarsest_step(step_s)
        first, last = _step_from(t0, step_s), _step_from(t1, step_s)
        sql = """SELECT start, n, mean, low, high FROM trace
                 WHERE step_s = ? AND start >= ? AND start < ? AND sump = ? AND signal = ?"""
        written = self._db.rows(sql, (kept_s, first, last, sump, signal))
        sums: dict[int, Sum] = {}
        for start, *numbers in written + self._not_summed(sump, signal, first, last, kept_s):
            _merge(sums, start // step_s * step_s, Sum(*numbers))
        return [(start, s.n, s.mean, s.low, s.high) for start, s in sorted(sums.items())]

    def _not_summed(self, sump: str, signal: str, first: int, last: int, kept_s: int) -> list[TraceRow]:
        sums = Sums()
        for body in self._blocks_of(self._summed_seq() + 1, END):
            sums.add(readable(body, sump, signal))
        return [
            (start, s.n, s.mean, s.low, s.high)
            for (step_s, start, _, _), s in sums.rows()
            if step_s == kept_s and first <= start < last
        ]

    def _summed_seq(self) -> int:
        rows = self._db.rows("SELECT value FROM meta WHERE key = 'summed_seq'")
        return int(rows[0][0]) if rows else 0

    def _blocks(self, t0: float, t1: float) -> Iterable[bytes]:
        start = int(t0 // MAIN_STEP_S) * MAIN_STEP_S
        sql = "SELECT min(first_seq), max(last_seq) FROM guide WHERE start >= ? AND start < ?"
        first, last = self._db.rows(sql, (start, t1))[0]
        summed = self._summed_seq()
        spans = [] if first is None else [(first, min(last, summed))]
        for low, high in [*spans, (summed + 1, END)]:
            yield from self._blocks_of(low, high)

    def _blocks_of(self, low: int, high: int) -> Iterable[bytes]:
        sql = "SELECT seq, body FROM log WHERE seq >= ? AND seq <= ? AND kind = 'block' ORDER BY seq LIMIT ?"
        while rows := self._db.rows(sql, (low, high, ROWS_A_READ)):
            yield from (body for _, body in rows)
            low = rows[-1][0] + 1

    # -- what was said and found -----------------------------------------------------------------------------

    def beliefs(self, sump: str, t0: float, t1: float) -> list[dict[str, Any]]:
        """Belief rows (contract fields) with t0 <= time < t1, in order of time."""
        sql = """SELECT * FROM log WHERE kind = 'belief' AND kind <> 'block' AND sump = ?
                  AND time >= ? AND time < ? ORDER BY time"""
        return [LogRow(*row).data() for row in self._db.rows(sql, (sump, t0, t1))]

    def beliefs_spread(self, sump: str, t0: float, t1: float, step_s: float) -> list[dict[str, Any]]:
        """The first belief row of each step of [t0, t1): each is sought, the rows between are never read."""
        sql = """WITH RECURSIVE at(t) AS (SELECT ?2 UNION ALL SELECT t + ?4 FROM at WHERE t + ?4 < ?3)
                 SELECT * FROM log WHERE seq IN (
                     SELECT (SELECT seq FROM log WHERE kind = 'belief' AND kind <> 'block' AND sump = ?1
                             AND time >= at.t AND time < min(at.t + ?4, ?3) ORDER BY time LIMIT 1) FROM at)
                 ORDER BY time"""
        return [LogRow(*row).data() for row in self._db.rows(sql, (sump, t0, t1, step_s))]

    def latest_belief(self, sump: str) -> dict[str, Any] | None:
        """The newest belief row of a sump."""
        sql = """SELECT * FROM log WHERE kind = 'belief' AND kind <> 'block' AND sump = ?
                  ORDER BY time DESC LIMIT 1"""
        rows = self._db.rows(sql, (sump,))
        return LogRow(*rows[0]).data() if rows else None

    def events(
        self,
        kind: str,
        sump: str | None = None,
        t0: float | None = None,
        t1: float | None = None,
        limit: int = 200,
    ) -> list[LogRow]:
        """The newest `limit` rows of a kind (not `block`) with t0 <= time < t1, in order of writing."""
        sql = "SELECT seq FROM log WHERE kind = ? AND kind <> 'block'"
        values: list[Any] = [kind]
        for clause, value in (("sump = ?", sump), ("time >= ?", t0), ("time < ?", t1)):
            if value is not None:
                sql += " AND " + clause
                values.append(value)
        # the index alone tells which are newest: of years of rows none but these is fetched
        sql = f"SELECT * FROM log WHERE seq IN ({sql} ORDER BY seq DESC LIMIT ?) ORDER BY seq"
        return [LogRow(*row) for row in self._db.rows(sql, (*values, limit))]

    def words_after(self, seq: int) -> list[LogRow]:
        """What people said after a row, in order of writing."""
        sql = """SELECT * FROM log WHERE seq IN (SELECT seq FROM log WHERE kind = 'word' AND kind <> 'block'
                 AND seq > ?) ORDER BY seq"""
        return [LogRow(*row) for row in self._db.rows(sql, (seq,))]

    def open_instructions(self, sump: str | None = None, states: tuple[str, ...] = OPEN_STATES) -> list[dict[str, Any]]:
        """Instructions in one of the states (also asked for: `done`, waiting for its proof), oldest first.

        Each is {"id", "sump", "state", "advice": its newest row, "posted_at": epoch s, "reviews": rows}.
        """
        sql = """SELECT id FROM instruction WHERE state IN ('posted', 'approved', 'begun', 'done')
                 AND (?1 IS NULL OR sump = ?1) ORDER BY advice_seq"""
        found = [self.instruction(id) for (id,) in self._db.rows(sql, (sump,))]
        return [i for i in found if i is not None and i["state"] in states]

    def waiting_advice(self) -> list[str]:
        """Ids of advice that was never posted, oldest first: its sump had another instruction open."""
        sql = "SELECT id FROM instruction WHERE state IS NULL ORDER BY advice_seq"
        return [id for (id,) in self._db.rows(sql)]

    def instruction(self, id: str) -> dict[str, Any] | None:
        """One instruction with its whole history, open or not; fields as in `open_instructions`."""
        rows = self._db.rows("SELECT sump, state, advice_seq FROM instruction WHERE id = ?", (id,))
        if not rows or rows[0][2] is None:
            return None
        sump, state, advice_seq = rows[0]
        advice = self._db.rows("SELECT * FROM log WHERE seq = ?", (advice_seq,))
        sql = """SELECT * FROM log WHERE kind = 'review' AND kind <> 'block' AND sump = ? AND id = ?
                  ORDER BY seq"""
        reviews = [LogRow(*row) for row in self._db.rows(sql, (sump, id))]
        return {
            "id": id,
            "sump": sump,
            "state": state,
            "advice": LogRow(*advice[0]).data(),
            "posted_at": reviews[0].time if reviews else None,
            "reviews": [{"time": row.time, **row.data()} for row in reviews],
        }

    def verify_chain(self) -> ChainReport:
        """Walk all chained rows: finds a changed, missing or reordered one. Rows written meanwhile are left out."""
        sql = """SELECT key, value FROM meta WHERE key IN ('chain_head', 'chain_count')
                 UNION ALL SELECT 'last_seq', coalesce(max(seq), 0) FROM log"""
        meta = dict(self._db.rows(sql))  # one statement, one moment: the agent may be writing
        head, count = meta.get("chain_head", BEGINNING), meta.get("chain_count", 0)
        return verify(self._chained(meta["last_seq"]), head, count)

    def _chained(self, last_seq: int) -> Iterable[LogRow]:
        sql = """SELECT * FROM log WHERE seq > ? AND seq <= ? AND kind <> 'block'
                 AND kind IN ('finding', 'advice', 'word', 'review', 'alert', 'agent')
                 ORDER BY seq LIMIT ?"""
        seq = 0
        while rows := self._db.rows(sql, (seq, last_seq, ROWS_A_READ)):
            yield from (LogRow(*row) for row in rows)
            seq = rows[-1][0]


def _step_from(time: float, step_s: int) -> int:
    return int(-(-time // step_s)) * step_s


def _merge(sums: dict[int, Sum], start: int, part: Sum) -> None:
    if start in sums:
        sums[start].add(part)
    else:
        sums[start] = part
