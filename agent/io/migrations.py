"""The shape of our two SQLite files, as steps from one version to the next (`PRAGMA user_version`).

A step, once released, is never edited: a new one is added below it. Each runs in one transaction.
"""

from __future__ import annotations

import sqlite3

# The log is the memory; every other table can be made again from it, save bookmark and dead_letter.
JOURNAL: tuple[str, ...] = (
    """
    CREATE TABLE log (
        seq   INTEGER PRIMARY KEY,
        time  REAL NOT NULL,      -- epoch s: of a block, its first sample
        boot  INTEGER NOT NULL,
        kind  TEXT NOT NULL,
        sump  TEXT,
        id    TEXT,
        body  BLOB NOT NULL,      -- UTF-8 JSON; of a block, see blocks.py
        chain BLOB                -- sha256(previous chain, this row); NULL on blocks and beliefs
    );
    -- blocks are left out: an index entry a block would double what is written to the card
    CREATE INDEX log_event ON log (kind, sump, time) WHERE kind <> 'block';
    CREATE TABLE bookmark (name TEXT PRIMARY KEY, seq INTEGER NOT NULL) WITHOUT ROWID;
    CREATE TABLE dead_letter (
        seq INTEGER NOT NULL, sink TEXT NOT NULL, reason TEXT NOT NULL, body TEXT NOT NULL, time REAL NOT NULL
    );
    CREATE TABLE snapshot (
        time REAL NOT NULL, seq INTEGER NOT NULL, version TEXT NOT NULL, body BLOB NOT NULL
    );
    CREATE TABLE meta (key TEXT PRIMARY KEY, value NOT NULL) WITHOUT ROWID;
    """,
    """
    -- time first: rows of one moment share a page, so a flush writes few pages however many sumps there are
    CREATE TABLE trace (
        step_s INTEGER NOT NULL, start INTEGER NOT NULL, sump TEXT NOT NULL, signal TEXT NOT NULL,
        n INTEGER NOT NULL, mean REAL NOT NULL, low REAL NOT NULL, high REAL NOT NULL,
        PRIMARY KEY (step_s, start, sump, signal)
    ) WITHOUT ROWID;
    -- where the blocks of a stretch of time are: the sparse stand-in for an index on blocks
    CREATE TABLE guide (start INTEGER PRIMARY KEY, first_seq INTEGER NOT NULL, last_seq INTEGER NOT NULL);
    CREATE TABLE instruction (
        id TEXT PRIMARY KEY, sump TEXT NOT NULL, state TEXT, advice_seq INTEGER, review_seq INTEGER
    ) WITHOUT ROWID;
    CREATE INDEX instruction_open ON instruction (sump)
        WHERE state IN ('posted', 'approved', 'begun', 'done');
    """,
    """
    -- 1 from the moment a person has approved or begun it: from then on its numbers are those that person saw
    ALTER TABLE instruction ADD COLUMN sealed INTEGER NOT NULL DEFAULT 0;
    """,
)

INBOX: tuple[str, ...] = (
    """
    CREATE TABLE word (
        seq    INTEGER PRIMARY KEY AUTOINCREMENT,  -- never used twice, for the agent bookmarks it
        time   REAL NOT NULL,
        person TEXT NOT NULL,
        role   TEXT NOT NULL,
        sump   TEXT NOT NULL,
        kind   TEXT NOT NULL,
        body   TEXT NOT NULL,
        token  TEXT NOT NULL UNIQUE
    );
    """,
)


class NewerFile(Exception):
    """The file was written by a newer version of the program; an older one must not touch it."""


def version_of(db: sqlite3.Connection) -> int:
    """How many steps the file has behind it."""
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def migrate(db: sqlite3.Connection, steps: tuple[str, ...]) -> int:
    """Bring the file to the last step; returns the version found. Raises NewerFile, changing nothing."""
    found = version_of(db)
    if found > len(steps):
        raise NewerFile(f"file has version {found}, this program knows {len(steps)}: update the program")
    for number in range(found, len(steps)):
        db.executescript(f"BEGIN IMMEDIATE;\n{steps[number]}\nPRAGMA user_version = {number + 1};\nCOMMIT;")
    return found
