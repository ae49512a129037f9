"""How our SQLite files are opened: one writer that syncs on commit, readers without the right to write."""

from __future__ import annotations

import os
import sqlite3
import threading
from pathlib import Path
from typing import Any
from urllib.parse import quote

from agent.io.migrations import migrate

BUSY_TIMEOUT_S = 2.0  # a checkpoint on a slow card; longer would eat into the 5 s a stop may take
LOCKED = (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
WAL_KEPT_BYTES = 4 << 20  # the write-ahead file is cut back to this after a checkpoint


def open_writer(path: Path, steps: tuple[str, ...], *, any_thread: bool = False) -> sqlite3.Connection:
    """The one writing connection, brought to the newest version. Raises NewerFile, sqlite3.DatabaseError."""
    path.parent.mkdir(parents=True, exist_ok=True)
    db = sqlite3.connect(path, timeout=BUSY_TIMEOUT_S, isolation_level=None, check_same_thread=not any_thread)
    try:
        prepare(db, steps)
    except BaseException:
        db.close()
        raise
    return db


def prepare(db: sqlite3.Connection, steps: tuple[str, ...]) -> None:
    """What makes a connection one that writes our files. Raises as `open_writer`."""
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")  # NORMAL lost committed rows in simulated power cuts
    db.execute(f"PRAGMA journal_size_limit = {WAL_KEPT_BYTES}")
    db.execute("PRAGMA secure_delete = FAST")  # Debian's default writes each page let go of as zeros
    migrate(db, steps)


class ReadOnlyDatabase:
    """A reader's own connection: any thread, short reads, survives the writer's coming and going.

    When the writer is down there may be no -wal and -shm file and no right to make them: then the file
    is read as immutable, and opened anew as soon as it changes.
    """

    def __init__(self, path: Path | str, busy_timeout_s: float = BUSY_TIMEOUT_S) -> None:
        self.path = Path(path)
        self._busy_timeout_s = busy_timeout_s
        self._wal = Path(f"{self.path}-wal")
        self._lock = threading.Lock()
        self._db: sqlite3.Connection | None = None
        self._frozen: tuple[int, int, int] | None = None  # what the file looked like when opened immutable
        self._inode = 0

    def rows(self, sql: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        """All rows of a query. Raises sqlite3.Error, FileNotFoundError where there is no file yet."""
        with self._lock:
            try:
                return self._connection().execute(sql, values).fetchall()
            except sqlite3.DatabaseError:
                self._drop()  # perhaps the file was replaced under us: one more try on a fresh connection
                return self._connection().execute(sql, values).fetchall()

    def copy_to(self, path: Path) -> None:
        """A whole copy as of one moment, as one file, while the writer goes on. Raises as `rows`."""
        with self._lock:
            copy = sqlite3.connect(path, isolation_level=None)
            try:
                self._connection().backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")  # no -wal beside it
            finally:
                copy.close()

    def close(self) -> None:
        """Let go of the file."""
        with self._lock:
            self._drop()

    def _drop(self) -> None:
        if self._db is not None:
            self._db.close()
        self._db, self._frozen = None, None

    def _connection(self) -> sqlite3.Connection:
        look = self._look()
        stale = self._frozen is not None and (self._frozen != look or self._wal.exists())
        if self._db is not None and (stale or self._inode != look[0]):
            self._drop()
        if self._db is None:
            self._db = self._open(look)
        return self._db

    def _look(self) -> tuple[int, int, int]:
        stat = os.stat(self.path)
        return stat.st_ino, stat.st_mtime_ns, stat.st_size

    def _open(self, look: tuple[int, int, int]) -> sqlite3.Connection:
        self._inode = look[0]
        try:
            return self._try_open("mode=ro")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode in LOCKED or (self._wal.exists() and self._wal.stat().st_size):
                raise  # a lock, or unread commits in there: reading past them would show an old picture as new
            self._frozen = look
            return self._try_open("immutable=1")

    def _try_open(self, option: str) -> sqlite3.Connection:
        uri = f"file:{quote(str(self.path.absolute()))}?{option}"
        db = sqlite3.connect(uri, self._busy_timeout_s, isolation_level=None, check_same_thread=False, uri=True)
        try:
            db.execute("PRAGMA query_only = ON")
            db.execute("SELECT count(*) FROM sqlite_master").fetchone()  # opening is lazy: touch the file now
        except BaseException:
            db.close()
            raise
        return db
