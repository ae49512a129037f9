"""What must reach the journal, in order. While the disk takes nothing it waits here, and says so."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

from agent.io.journal import Journal
from agent.io.reserve import Reserve
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

    def __init__(self, journal: Journal, stores: Sequence[str] = (), reserve: Reserve | None = None) -> None:
        self._journal, self._stores, self._reserve = journal, stores, reserve
        self._tight = False  # the reserve is used up, and the file does not grow
        self._refused = 0  # tries in a row for which the disk had no room
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
        if reserve is not None and not reserve.hold():
            self._tighten(spare=False)

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
            self._if_full(error)
            self.lost_samples += self._journal.forget_oldest(UNWRITTEN_SAMPLES)
            return False
        self._rows.clear()
        if marking:
            self._bookmarks.clear()
            self._marking = False
        self._dead.clear()
        self._notes.clear()
        self.fault, self.full, self._refused = None, False, 0
        self.commits += 1
        self._loosen()
        return True

    def no_snapshot(self, error: sqlite3.OperationalError) -> None:
        """The core's state could not be kept; room is made for the next try, since old samples go up to the last."""
        self.fault = f"no snapshot: {error}"
        self._if_full(error)

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

    def _if_full(self, error: sqlite3.OperationalError) -> None:
        self.full = error.sqlite_errorcode == sqlite3.SQLITE_FULL
        if self.full and not self._loosen():
            self._refused += 1
            if self._reserve is not None:
                self._tighten(spare=False)
            if self._reserve is None or self._refused > 1:  # to fold the log in was not enough
                self._make_room()

    def _loosen(self) -> bool:
        """Whether the disk has room again since it was tight: the file may grow."""
        if not self._tight or self._reserve is None or not self._reserve.hold():
            return False
        self._tight = False
        self._journal.grow()
        return True

    def _tighten(self, spare: bool) -> None:
        """Use the reserve up to fold the log into the file; `spare`: half of what is free may still be grown into."""
        if self._reserve is None:
            return
        self._reserve.release()
        self._tight = True
        with suppress(sqlite3.OperationalError):  # tried again at the next commit that finds no room
            self._journal.stop_growing(self._reserve.free_bytes() // 2 if spare else 0)

    def _make_room(self) -> None:
        """Let old samples go, delivered ones first: the next try then finds room. Where even that fails, wait."""
        try:
            gone, undelivered = self._journal.make_room(self._delivered_seq())
        except sqlite3.OperationalError:
            return
        if not gone:
            self._tighten(spare=True)
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
