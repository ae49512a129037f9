"""How the agent comes by its journal: opened, or begun anew beside a broken one with what could be saved of it."""

from __future__ import annotations

import os
import pwd
import sqlite3
from pathlib import Path
from typing import Final

from agent.errors import SumpsideError
from agent.io.journal import Journal
from agent.io.migrations import NewerFile
from agent.io.salvage import put_aside, salvage

SUSPECT: Final = "journal.suspect"  # beside the journal: it broke while it was used, though it can be opened
LOOK_ROWS: Final = 3_000  # a day of blocks: what a start reads anyway


class CannotStart(SumpsideError):
    """Something outside must be put right first."""


def open_journal(path: Path, boot: int) -> tuple[Journal, str | None]:
    """The journal, and a note where a broken one had to be put aside. Raises CannotStart."""
    suspect = path.with_name(SUSPECT)
    try:
        if suspect.exists():
            raise sqlite3.DatabaseError(suspect.read_text(encoding="utf-8") or "it broke while it was used")
        return _looked_at(Journal.open(path, boot)), None
    except NewerFile as why:
        raise CannotStart(f"{path}: {why}") from why
    except sqlite3.OperationalError as why:
        raise CannotStart(f"{path}: {why}; see that the folder can be written and is not full") from why
    except sqlite3.DatabaseError as why:
        aside = put_aside(path)
        saved = salvage(aside, path)
        suspect.unlink(missing_ok=True)
        note = f"the journal was broken ({why}) and is kept as {aside.name}; a new one begins: {saved.text}"
        return Journal.open(path, boot), note


def _looked_at(journal: Journal) -> Journal:
    """Read what a start and the next hours need. Raises sqlite3.DatabaseError where that is broken."""
    try:
        journal.look(LOOK_ROWS)
    except BaseException:
        journal.abandon()
        raise
    return journal


def mark_suspect(folder: Path, why: str) -> None:
    """The journal broke under the agent: the next start begins a new one. Where nothing can be written, so be it."""
    try:
        (folder / SUSPECT).write_text(why, encoding="utf-8")
    except OSError:
        return


def foreign(error: PermissionError) -> str:
    """What to do about a file or folder that belongs to somebody else."""
    path = Path(error.filename or ".")
    me = _name(os.geteuid())
    there = next((part for part in (path, *path.parents) if part.exists()), path)
    owner = _name(there.stat().st_uid)
    return f"{path}: {error.strerror}: {there} belongs to {owner}, the agent runs as {me}; chown it, or run as {owner}"


def _name(user: int) -> str:
    try:
        return pwd.getpwuid(user).pw_name
    except KeyError:
        return f"user {user}"
