"""Some megabytes beside the journal, held while the disk has room and let go of when it has none.

SQLite needs room to make room: a deletion is first written to the log, and the log folds into the file only where the
file may grow. On a disk that is full to the last block neither goes, and old samples could never give way to new ones.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path
from typing import Final

FILE_NAME: Final = "journal.reserve"
RESERVE_BYTES: Final = 6 << 20  # the whole log of 4 MB folded into the file, and some to write meanwhile
LEFT_BYTES: Final = 1 << 20  # that stay free beside it, or it is not taken


class Reserve:
    """The file; it is allocated, never written, so a card does not wear by it."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def hold(self) -> bool:
        """Whether it is there, taken now where the disk has room for it."""
        with suppress(OSError):
            if self.path.stat().st_size == RESERVE_BYTES:
                return True
        return self.free_bytes() >= RESERVE_BYTES + LEFT_BYTES and self._take(RESERVE_BYTES)

    def leave(self) -> None:
        """At the end: where the whole does not fit, what there is, so that the next start finds a little room."""
        if not self.hold():
            self.release()
            self._take(min(RESERVE_BYTES, self.free_bytes()))

    def make_way(self) -> None:
        """At the start: SQLite cannot even open a journal on a disk without a free block."""
        if self.free_bytes() < LEFT_BYTES:
            self.release()

    def _take(self, size_bytes: int) -> bool:
        try:
            with self.path.open("wb") as file:
                os.posix_fallocate(file.fileno(), 0, size_bytes)
        except (OSError, ValueError):
            self.release()
            return False
        return True

    def release(self) -> None:
        """Give the room back."""
        try:
            self.path.unlink(missing_ok=True)
        except OSError:
            return  # a folder that takes nothing: there is nothing to be gained in it

    def free_bytes(self) -> int:
        """What the disk has left for us."""
        try:
            told = os.statvfs(self.path.parent)
        except OSError:
            return 0
        return told.f_bavail * told.f_frsize
