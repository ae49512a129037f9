"""The inbox: what people said on the pages. One writer, the dashboards; the agent reads it."""

from __future__ import annotations

import json
import math
import sqlite3
import threading
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from agent.io.database import ReadOnlyDatabase, open_writer
from agent.io.migrations import INBOX

FILE_NAME = "inbox.sqlite"
KINDS = ("record", "decision", "alert", "dosing", "check", "past", "stock", "calendar")
LONGEST_TEXT = 500  # characters of a name or a token
LONGEST_BODY = 65_536  # characters; a curve of a thousand points with all that was shown stays far below
SAFE_INTEGER = 2**53  # beyond it a float is another number
LOCKED_TIMEOUT_S = 0.1  # the agent's loop waits no longer for a locked inbox: it looks again a moment later
WORDS_A_READ = 500  # bounds one tick of the agent's loop


@dataclass(frozen=True, slots=True)
class Word:
    """What one person said: a record as contract.md has it, or a decision on an advice."""

    seq: int
    time: float  # epoch s, when it was said
    person: str
    role: str
    sump: str
    kind: str  # one of KINDS
    body: dict[str, Any]
    token: str  # made in the browser: the same word sent twice is one word


class Inbox:
    """The writer; any thread. Every word is on the disk when `put` returns."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db
        self._lock = threading.Lock()

    @classmethod
    def open(cls, path: Path | str) -> Inbox:
        """Open or create. Raises NewerFile, sqlite3.DatabaseError."""
        return cls(open_writer(Path(path), INBOX, any_thread=True))

    def put(
        self, *, time: float, person: str, role: str, sump: str, kind: str, body: dict[str, Any], token: str
    ) -> int:
        """Keep a word and return its seq; a token that was seen returns the seq of the word it came with."""
        with self._lock:
            self._insert(time, person, role, sump, kind, body, token)
            row = self._db.execute("SELECT seq FROM word WHERE token = ?", (token,)).fetchone()
        return int(row[0])

    def _insert(
        self, time: float, person: str, role: str, sump: str, kind: str, body: dict[str, Any], token: str
    ) -> None:
        if kind not in KINDS:
            raise ValueError(f"no such kind of word: {kind}")
        text = json.dumps(body, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
        sql = """INSERT INTO word (time, person, role, sump, kind, body, token) VALUES (?, ?, ?, ?, ?, ?, ?)
                 ON CONFLICT (token) DO NOTHING"""
        self._db.execute(sql, (time, person, role, sump, kind, text, token))

    def put_all(self, words: Iterable[dict[str, Any]]) -> int:
        """Keep many words (each the arguments of `put`) in one go, all or none; how many of them were new."""
        with self._lock:
            before = self._db.total_changes
            self._db.execute("BEGIN IMMEDIATE")
            try:
                for word in words:
                    self._insert(**word)
            except BaseException:
                self._db.execute("ROLLBACK")
                raise
            self._db.execute("COMMIT")
            return self._db.total_changes - before

    def close(self) -> None:
        """Let go of the file."""
        with self._lock:
            self._db.close()


class InboxReader:
    """The agent's look at the inbox, with no right to write. Before the first word there may be no file."""

    def __init__(self, path: Path | str) -> None:
        self._db = ReadOnlyDatabase(path, LOCKED_TIMEOUT_S)

    def after(self, seq: int, limit: int = WORDS_A_READ) -> list[Word]:
        """Words after one, oldest first. Raises sqlite3.Error where the file cannot be read."""
        sql = """SELECT seq, time, person, role, sump, kind, body, token FROM word
                 WHERE seq > ? ORDER BY seq LIMIT ?"""
        try:
            rows = self._db.rows(sql, (seq, limit))
        except FileNotFoundError:
            return []
        return [_word(*row) for row in rows]

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()


def _word(seq: int, time: Any, person: Any, role: Any, sump: Any, kind: Any, body: Any, token: Any) -> Word:
    """A row as a word. Whatever another process has put into the columns, what comes out has the right types."""
    when = float(time) if isinstance(time, int | float) and math.isfinite(time) else 0.0
    person, role, sump, kind, token = (str(text)[:LONGEST_TEXT] for text in (person, role, sump, kind, token))
    return Word(seq, when, person, role, sump, kind, _body(body), token)


def _body(text: Any) -> dict[str, Any]:
    """The JSON object in a body; one that is none is kept as what it is, for the refusal to show."""
    try:
        if len(text) > LONGEST_BODY:
            raise ValueError("too long")
        found = json.loads(text, parse_float=_finite, parse_int=_whole, parse_constant=_finite)
        if not isinstance(found, dict):
            raise TypeError("not an object")
    except (ValueError, TypeError, RecursionError):
        return {"unreadable": str(text)[:LONGEST_TEXT]}
    return found


def _finite(digits: str) -> float:
    number = float(digits)
    if not math.isfinite(number):
        raise ValueError("not a finite number")
    return number


def _whole(digits: str) -> int:
    number = int(digits)
    if abs(number) > SAFE_INTEGER:
        raise ValueError("not a number anybody means")
    return number
