"""The inbox: what people said on the pages. One writer, the dashboards; the agent reads it."""

from __future__ import annotations

import json
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from agent.io.database import ReadOnlyDatabase, open_writer
from agent.io.migrations import INBOX

FILE_NAME = "inbox.sqlite"
KINDS = ("record", "decision")
WORDS_A_READ = 500  # bounds one tick of the agent's loop


@dataclass(frozen=True, slots=True)
class Word:
    """What one person said: a record as contract.md has it, or a decision on an advice."""

    seq: int
    time: float  # epoch s, when it was said
    person: str
    role: str
    sump: str
    kind: str  # record | decision
    body: dict[str, Any]
    token: str  # made in the browser: the same word sent twice is one word


class Inbox:
    """The writer; any thread. Every word is on the disk when `put` returns."""

    def __init__(self, path: Path | str) -> None:
        self._db = open_writer(Path(path), INBOX, any_thread=True)
        self._lock = threading.Lock()

    @classmethod
    def open(cls, path: Path | str) -> Inbox:
        """Open or create. Raises NewerFile, sqlite3.DatabaseError."""
        return cls(path)

    def put(
        self, *, time: float, person: str, role: str, sump: str, kind: str, body: dict[str, Any], token: str
    ) -> int:
        """Keep a word and return its seq; a token that was seen returns the seq of the word it came with."""
        if kind not in KINDS:
            raise ValueError(f"no such kind of word: {kind}")
        text = json.dumps(body, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
        sql = """INSERT INTO word (time, person, role, sump, kind, body, token) VALUES (?, ?, ?, ?, ?, ?, ?)
                 ON CONFLICT (token) DO NOTHING"""
        with self._lock:
            self._db.execute(sql, (time, person, role, sump, kind, text, token))
            row = self._db.execute("SELECT seq FROM word WHERE token = ?", (token,)).fetchone()
        return int(row[0])

    def close(self) -> None:
        """Let go of the file."""
        with self._lock:
            self._db.close()


class InboxReader:
    """The agent's look at the inbox, with no right to write. Before the first word there may be no file."""

    def __init__(self, path: Path | str) -> None:
        self._db = ReadOnlyDatabase(path)

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


def _word(seq: int, time: float, person: str, role: str, sump: str, kind: str, body: str, token: str) -> Word:
    return Word(seq, time, person, role, sump, kind, json.loads(body), token)
