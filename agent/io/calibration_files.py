"""Calibrations on disk: dated files that nobody edits or overwrites, and the one routine that is under way."""

from __future__ import annotations

import json
import os
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calibration.document import Document, NotOurs, read, written

READ_ONLY = 0o444
MOST_BYTES = 1_000_000  # a file of ours has some kilobytes
FOLDER = "calibrations"  # in the inbox's folder: what the pages made
CURVES = "curves"  # beside the site file: what the command line made


@dataclass(frozen=True, slots=True)
class Kept:
    """One file: its document, or why it cannot be used."""

    path: Path
    document: Document | None
    fault: str = ""


class CalibrationFiles:
    """New ones go into the first folder; all are looked through."""

    def __init__(self, folder: Path, *others: Path) -> None:
        self.folder, self._folders = folder, (folder, *others)

    def keep(self, document: Document) -> Path:
        """Write a new file, whole or not at all, and never over another. Raises OSError."""
        self.folder.mkdir(parents=True, exist_ok=True)
        beside = self.folder / f".{document.file_name}.{os.getpid()}"
        descriptor = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
        try:
            with os.fdopen(descriptor, "w", encoding="utf-8") as file:
                file.write(written(document))
                file.flush()
                os.fsync(file.fileno())
            beside.chmod(READ_ONLY)
            return self._linked(beside, document.file_name)
        finally:
            beside.unlink()

    def _linked(self, beside: Path, name: str) -> Path:
        """The file under its name; a second one of the same moment gets a number."""
        stem = name.removesuffix(".toml")
        for number in range(1, 100):
            path = self.folder / (name if number == 1 else f"{stem}-{number}.toml")
            with suppress(FileExistsError):
                os.link(beside, path)
                return path
        raise FileExistsError(f"{self.folder / name} and a hundred like it exist")

    def all(self, sump: str | None = None) -> list[Kept]:
        """Every calibration (of one sump), the newest first; files that are none of ours are passed over."""
        found = [load(path) for folder in self._folders for path in sorted(folder.glob("*.toml"))]
        wanted = [k for k in found if sump is None or (k.document is not None and k.document.sump == sump)]
        return sorted(wanted, key=lambda k: k.document.time if k.document else 0.0, reverse=True)

    def find(self, name: str) -> Kept | None:
        """A file by its bare name; a name with a folder in it is nobody's."""
        if Path(name).name != name:
            return None
        return next((load(f / name) for f in self._folders if (f / name).is_file()), None)

    # -- the routine that is under way -------------------------------------------------------------------------

    def draft(self, sump: str) -> dict[str, Any] | None:
        """What was kept of a routine, or None."""
        try:
            found = json.loads(self._draft(sump).read_bytes())
        except (OSError, ValueError):
            return None
        return found if isinstance(found, dict) else None

    def keep_draft(self, sump: str, row: dict[str, Any]) -> None:
        """Keep it, replacing what was. Raises OSError."""
        self.folder.mkdir(parents=True, exist_ok=True)
        beside = self._draft(sump).with_suffix(".next")
        beside.write_text(json.dumps(row), encoding="utf-8")
        os.replace(beside, self._draft(sump))

    def drop_draft(self, sump: str) -> None:
        self._draft(sump).unlink(missing_ok=True)

    def _draft(self, sump: str) -> Path:
        return self.folder / f".{sump}-level.json"


def load(path: Path) -> Kept:
    """One file, whatever is in it."""
    try:
        if path.stat().st_size > MOST_BYTES:
            return Kept(path, None, "is too large for a calibration")
        return Kept(path, read(path.read_text(encoding="utf-8")))
    except (OSError, UnicodeDecodeError) as why:
        return Kept(path, None, f"cannot be read: {why}")
    except NotOurs as why:
        return Kept(path, None, str(why))
