"""What must reach the journal, in order. While the disk takes nothing it waits here, and says so."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from agent.io.journal import Journal
from agent.reviews import Row

BOOKMARK_COMMITS: Final = 4  # publishers' bookmarks ride on every fourth block: a page each that a re-send makes up for
STORES: Final = ("mqtt", "timeseries")  # tables of the site file whose bookmarks say what has been delivered
UNWRITTEN_SAMPLES: Final = 100_000  # kept while the disk takes nothing: an hour of a large site, some 20 MB


@dataclass(frozen=True, slots=True)
class DeadLetter:
    """A part of row `seq` that a sink refused for good."""

    seq: int
    sink: str
    reason: str
    body: str
    time: float  # epoch s


class Outbox:
    """The main loop's way into the journal: everything of one tick in one commit."""

    def __init__(self, journal: Journal, stores: Sequence[str] = ()) -> None:
        self._journal, self._stores = journal, stores
        self._rows: list[Row] = []
        self._bookmarks: dict[str, int] = {}  # of publishers, waiting
        self._marking = False  # one of them does not wait for its turn
        self._dead: list[DeadLetter] = []
        self._notes: dict[str, str] = {}
        self.fault: str | None = None  # why the disk does not take it
        self.full = False  # the fault is a full disk: no restart would help
        self.commits = 0
        self.lost_samples = 0
        self.thinned_blocks = self.thinned_undelivered = 0  # let go of on a full disk

    @property
    def urgent(self) -> bool:
        """Somebody said or found something: do not wait for the block."""
        return bool(self._rows) or self._marking

    def add(self, row: Row) -> None:
        """A row, with the next commit."""
        self._rows.append(row)

    def bookmark(self, name: str, seq: int, at_once: bool = False) -> None:
        """A publisher's bookmark, within the next few commits: what is sent again after a crash is the same point.

        `at_once`: with the next commit, which is then now: a person would be told twice.
        """
        self._bookmarks[name] = seq
        self._marking = self._marking or at_once

    def dead_letter(self, letter: DeadLetter) -> None:
        """A dead letter, with the next commit."""
        self._dead.append(letter)

    def flush(self, last: bool = False) -> bool:
        """Commit everything; false, with `fault` saying why, when the disk does not take it: it is kept, then.

        `last`: bookmarks do not wait for their turn.

        Raises sqlite3.DatabaseError for a broken file, which trying again would not mend.
        """
        marking = last or self._marking or bool(self._dead) or self.commits % BOOKMARK_COMMITS == 0
        try:
            with self._journal.group():
                self._write(self._bookmarks if marking else {})
        except sqlite3.OperationalError as error:
            self.fault = f"the journal cannot be written: {error}"
            self.full = error.sqlite_errorcode == sqlite3.SQLITE_FULL
            if self.full:
                self._make_room()
            self.lost_samples += self._journal.forget_oldest(UNWRITTEN_SAMPLES)
            return False
        self._rows.clear()
        if marking:
            self._bookmarks.clear()
            self._marking = False
        self._dead.clear()
        self._notes.clear()
        self.fault, self.full = None, False
        self.commits += 1
        return True

    def note(self, key: str, value: str) -> None:
        """A small fact, with the next commit."""
        self._notes[key] = value

    def write_now(self, rows: list[Row], name: str, seq: int, notes: dict[str, str]) -> bool:
        """Rows with the bookmark of where they come from, together or not at all; nothing is kept to try again."""
        kept = list(self._rows), dict(self._bookmarks), dict(self._notes)
        self._rows += rows
        self._bookmarks[name] = seq
        self._notes |= notes
        if self.flush(last=True):
            return True
        self._rows, self._bookmarks, self._notes = kept
        return False

    def _make_room(self) -> None:
        """Let old samples go, delivered ones first: the next try then finds room. Where even that fails, wait."""
        try:
            gone, undelivered = self._journal.make_room(self._delivered_seq())
        except sqlite3.OperationalError:
            return
        self.thinned_blocks += gone
        self.thinned_undelivered += undelivered
        self.fault = f"{self.fault}; {self.thinned_blocks} old blocks of samples were let go of"
        if self.thinned_undelivered:
            self.fault += f", {self.thinned_undelivered} of them not delivered yet"

    def _delivered_seq(self) -> int | None:
        """Up to here every store of the site has everything; None where there is none."""
        return min((self._journal.bookmark_of(name) for name in self._stores), default=None)

    def _write(self, bookmarks: dict[str, int]) -> None:
        for row in self._rows:
            self._journal.event(row.kind, row.time, row.sump, row.id, row.body)
        for name, seq in bookmarks.items():
            self._journal.bookmark(name, seq)
        for key, value in self._notes.items():
            self._journal.set_meta(key, value)
        for letter in self._dead:
            self._journal.dead_letter(letter.seq, letter.sink, letter.reason, letter.body, letter.time)
        self._journal.commit()
