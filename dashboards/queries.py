"""Everything the pages read: the journal (never written from here) and the tail of our own inbox.

A journal that is not there yet is an empty one: the pages come up before the agent has ever run.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from threading import Lock
from typing import Any, TypeVar

from agent.io.inbox import InboxReader, Word
from agent.io.journal import JournalReader, LogRow, Sample
from dashboards.language import _

Found = TypeVar("Found")
INBOX_BOOKMARK = "inbox"
MOST_FINDINGS = 2_000  # a year of a busy sump
RECENT_ROWS = 150
LASTING = ("setting", "stock", "check")  # kinds of words that matter however old they are
OVER = ("withdrawn", "expired")
ROWS_A_LOOK = 500
EVENTS = ("finding", "advice", "word", "review")  # rows that pages show as text; blocks and beliefs move numbers


def _is_dosing(row: LogRow) -> bool:
    return row.kind == "agent" and row.data().get("event") == "dosing"


class Queries:
    """Read-only questions. `fault` holds why the journal could not be read just now, None when it could."""

    def __init__(self, journal_path: Path, inbox_path: Path) -> None:
        self.journal = JournalReader(journal_path)
        self.inbox = InboxReader(inbox_path)
        self.fault: str | None = None
        self._lasting: dict[str, list[LogRow]] = {}  # of all time, read once: who asks pays for what is new
        self._lasting_to = 0
        self._lasting_lock = Lock()

    def close(self) -> None:
        self.journal.close()
        self.inbox.close()

    def _ask(self, question: Callable[[], Found], otherwise: Found) -> Found:
        try:
            answer = question()
        except FileNotFoundError:
            self.fault = _("There is no journal yet.")
            return otherwise
        except sqlite3.Error as why:
            self.fault = _("The journal cannot be read: {why}.", why=why)
            return otherwise
        self.fault = None
        return answer

    def _all(self, question: Callable[[], list[Found]]) -> list[Found]:
        nothing: list[Found] = []
        return self._ask(question, nothing)

    def last_seq(self) -> int:
        return self._ask(self.journal.last_seq, 0)

    def began_at(self) -> float | None:
        """When the oldest row was written (epoch s)."""
        return next((row.time for row in self._all(lambda: self.journal.rows_after(0, 1))), None)

    def newest_event_after(self, seq: int) -> tuple[int, int]:
        """(newest row, newest row that a page shows as text, 0 = none) among the rows after `seq`."""
        last, event = seq, 0
        while rows := self._all(lambda after=last: self.journal.rows_after(after, ROWS_A_LOOK)):  # type: ignore[misc]
            last = rows[-1].seq
            event = max([row.seq for row in rows if row.kind in EVENTS or _is_dosing(row)], default=event)
        return last, event

    def latest_belief(self, sump: str) -> dict[str, Any] | None:
        return self._ask(lambda: self.journal.latest_belief(sump), None)

    def beliefs(self, sump: str, t0: float, t1: float) -> list[dict[str, Any]]:
        return self._all(lambda: self.journal.beliefs(sump, t0, t1))

    def beliefs_spread(self, sump: str, t0: float, t1: float, step_s: float) -> list[dict[str, Any]]:
        """One belief a step, for long stretches of time."""
        return self._all(lambda: self.journal.beliefs_spread(sump, t0, t1, step_s))

    def open_instructions(self, sump: str | None = None) -> list[dict[str, Any]]:
        """Open ones and those that were done and wait for their proof."""
        states = ("posted", "approved", "begun", "done")
        return self._all(lambda: self.journal.open_instructions(sump, states))

    def lately_over(self, sump: str | None, since_s: float) -> list[dict[str, Any]]:
        """Instructions that were taken back or lapsed since then and still are, the newest first."""
        rows = self._all(lambda: self.journal.events("review", sump, since_s))
        ids = dict.fromkeys(row.id for row in reversed(rows) if row.id and row.data().get("to") in OVER)
        found = (self.instruction(id) for id in ids)
        return [one for one in found if one is not None and one["state"] in OVER]

    def instruction(self, id: str) -> dict[str, Any] | None:
        return self._ask(lambda: self.journal.instruction(id), None)

    def level(self, sump: str, signal: str, t0: float, t1: float, step_s: int) -> list[tuple[float, float]]:
        """(time, mean of good samples) by step; step 0 = every good sample."""
        if step_s == 0:
            samples = self._all(lambda: self.journal.samples(sump, signal, t0, t1))
            return [(s.time, s.value) for s in samples if s.flags == 0]
        rows = self._all(lambda: self.journal.trace(sump, signal, t0, t1, step_s))
        return [(min(start + step_s / 2, t1), mean) for start, _, mean, _, _ in rows]  # the last step is not over yet

    def doubtful(self, sump: str, signal: str, t0: float, t1: float) -> list[tuple[float, float]]:
        """(time, value) of the samples that a gate did not let pass."""
        samples = self._all(lambda: self.journal.samples(sump, signal, t0, t1))
        return [(s.time, s.value) for s in samples if s.flags]

    def findings(self, sump: str | None, t0: float | None = None) -> list[dict[str, Any]]:
        """The latest judgement of each finding said since `t0`, withdrawn ones left out, oldest first."""
        rows = self._all(lambda: self.journal.events("finding", sump, t0, limit=MOST_FINDINGS))
        newest = {row.id: {"seq": row.seq, **row.data()} for row in rows}
        return [body for body in newest.values() if not body.get("withdrawn")]

    def words(self, sump: str | None, t0: float | None = None, limit: int = RECENT_ROWS) -> list[LogRow]:
        return self._all(lambda: self.journal.events("word", sump, t0, limit=limit))

    def lasting(self, signal: str, sump: str | None = None) -> list[LogRow]:
        """Words of all time of one of `LASTING`, refused ones left out, in order of writing."""
        with self._lasting_lock:
            last = self.last_seq()
            if last < self._lasting_to:  # another journal
                self._lasting, self._lasting_to = {}, 0
            if last > self._lasting_to:
                new = [row for row in self._all(lambda: self.journal.words_after(self._lasting_to)) if row.seq <= last]
                for row, body in ((row, row.data()) for row in new):
                    if body.get("signal") in LASTING and not body.get("refused"):
                        self._lasting.setdefault(body["signal"], []).append(row)
                self._lasting_to = last if self.fault is None else self._lasting_to
            found = list(self._lasting.get(signal, []))
        return [row for row in found if sump in (None, row.sump)]

    def rows(self, kind: str, sump: str | None, t0: float | None, t1: float | None, limit: int) -> list[LogRow]:
        """Rows of a kind (not `block`) with t0 <= time < t1, in order of writing, the newest `limit`."""
        return self._all(lambda: self.journal.events(kind, sump, t0, t1, limit=limit))

    def samples(self, sump: str, signal: str, t0: float, t1: float) -> list[Sample]:
        """Every sample of a signal with t0 <= time < t1 (epoch s), doubtful ones with their flags."""
        return self._all(lambda: self.journal.samples(sump, signal, t0, t1))

    def rows_between(self, first: int, last: int) -> list[LogRow]:
        """Rows by their numbers, both included."""
        return self._all(lambda: self.journal.rows_after(first - 1, last - first + 1))

    def readings(self, sump: str, t0: float) -> list[dict[str, Any]]:
        """Hand readings and titrations said since `t0` and not taken back."""
        said = [row.data() for row in self.words(sump, t0, limit=MOST_FINDINGS)]
        gone = {(r.get("record_time"), r.get("record_signal")) for r in said if r.get("signal") == "void"}
        kept = ("hand_reading", "titration")
        return [r for r in said if r.get("signal") in kept and (r.get("time"), r.get("signal")) not in gone]

    def advice(self, limit: int = RECENT_ROWS) -> list[LogRow]:
        return self._all(lambda: self.journal.events("advice", limit=limit))

    def reviews(self, limit: int = RECENT_ROWS) -> list[LogRow]:
        return self._all(lambda: self.journal.events("review", limit=limit))

    def waiting_words(self) -> list[Word]:
        """What people said here and the agent has not taken into the journal yet."""
        taken = self._ask(lambda: self.journal.bookmark(INBOX_BOOKMARK), 0)
        try:
            return self.inbox.after(taken)
        except sqlite3.Error:
            return []
