"""A disk whose power can be cut at any moment: writes that were not synced are dropped, kept or torn, in any mix.

An apsw VFS in memory. Model: what a file held at its last sync survives; of each later write every 512-byte sector
survives or not by itself; a file that was never synced may be gone. SQLite here is apsw's own; what is tried is how we
use it: pragmas, transactions, what is acknowledged when. In WAL mode without shared memory, hence one connection
(locking_mode EXCLUSIVE); that changes locks, not writes and syncs.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from itertools import count
from typing import Any

import apsw

SECTOR = 512
POWERSAFE_OVERWRITE = 0x1000  # as SQLite takes every disk to be: a torn write harms nothing beside itself
_names = count(1)


@dataclass(slots=True)
class File:
    """One file: as it is seen, as it was last synced (None: never), and what was written since."""

    seen: bytearray = field(default_factory=bytearray)
    synced: bytes | None = None
    since: list[tuple[int, bytes] | int] = field(default_factory=list)  # (offset, data), or a new length

    def sync(self) -> None:
        """From here on this content survives."""
        if self.since or self.synced is None:
            self.synced = bytes(self.seen)
            self.since.clear()

    def survivor(self, rng: random.Random) -> bytes | None:
        """What a power cut now may leave of it."""
        if self.synced is None and rng.random() < 0.5:
            return None
        left, mood = bytearray(self.synced or b""), rng.random()
        for change in self.since:
            if isinstance(change, int):
                if rng.random() < mood:
                    _cut_to(left, change)
            else:
                _write_some(left, *change, rng, mood)
        return bytes(left)


def _cut_to(content: bytearray, length: int) -> None:
    del content[length:]
    content.extend(bytes(length - len(content)))


def _write_some(content: bytearray, offset: int, data: bytes, rng: random.Random, mood: float) -> None:
    """Each sector of a write arrives with probability `mood`; half of the writes arrive whole or not at all."""
    whole = rng.random() < 0.5
    arrives = rng.random() < mood
    for at in range(0, len(data), SECTOR):
        if arrives if whole else rng.random() < mood:
            _put(content, offset + at, data[at : at + SECTOR])


def _put(content: bytearray, offset: int, data: bytes) -> None:
    if len(content) < offset:
        content.extend(bytes(offset - len(content)))
    content[offset : offset + len(data)] = data


class Disk(apsw.VFS):
    """All files of one machine. `on_write` is called before and after each write, truncation, deletion and sync."""

    def __init__(self, files: dict[str, bytes] | None = None) -> None:
        self.files = {name: File(bytearray(data), data) for name, data in (files or {}).items()}
        self.on_write: Callable[[], None] = lambda: None
        self.name = f"powercut-{next(_names)}"
        super().__init__(self.name, base="")

    def survivor(self, rng: random.Random) -> dict[str, bytes]:
        """The files that a power cut now may leave."""
        left = {name: file.survivor(rng) for name, file in self.files.items()}
        return {name: data for name, data in left.items() if data is not None}

    def xOpen(self, name: Any, flags: list[int]) -> DiskFile:
        """See apsw."""
        path = name.filename() if isinstance(name, apsw.URIFilename) else name or f"/temporary-{next(_names)}"
        flags[1] = flags[0]
        return DiskFile(self, self.files.setdefault(path, File()))

    def xDelete(self, name: str, sync: bool) -> None:
        """Gone for good where it is synced; else the old file may come back."""
        self.on_write()
        if name not in self.files:
            raise apsw.IOErrorDeleteNoEntError("no such file") if hasattr(apsw, "IOErrorDeleteNoEntError") else OSError
        del self.files[name]

    def xAccess(self, name: str, flags: int) -> bool:
        """See apsw."""
        return name in self.files

    def xFullPathname(self, name: str) -> str:
        """See apsw."""
        return name


class DiskFile:
    """An open file."""

    def __init__(self, disk: Disk, file: File) -> None:
        self._disk, self._file = disk, file

    def xRead(self, amount: int, offset: int) -> bytes:
        """See apsw."""
        return bytes(self._file.seen[offset : offset + amount])

    def xWrite(self, data: bytes, offset: int) -> None:
        """See apsw."""
        self._disk.on_write()
        _put(self._file.seen, offset, data)
        self._file.since.append((offset, bytes(data)))
        self._disk.on_write()

    def xTruncate(self, length: int) -> None:
        """See apsw."""
        self._disk.on_write()
        _cut_to(self._file.seen, length)
        self._file.since.append(length)

    def xSync(self, flags: int) -> None:
        """See apsw."""
        self._disk.on_write()
        self._file.sync()
        self._disk.on_write()

    def xFileSize(self) -> int:
        """See apsw."""
        return len(self._file.seen)

    def xSectorSize(self) -> int:
        """See apsw."""
        return 4096

    def xDeviceCharacteristics(self) -> int:
        """See apsw."""
        return POWERSAFE_OVERWRITE

    def xFileControl(self, op: int, pointer: int) -> bool:
        """Nothing special is understood."""
        return False

    def xCheckReservedLock(self) -> bool:
        """Nobody else is there."""
        return False

    def xLock(self, level: int) -> None:
        """Nobody else is there."""

    def xUnlock(self, level: int) -> None:
        """Nobody else is there."""

    def xClose(self) -> None:
        """See apsw."""


class Connection:
    """An apsw connection under the names that we use of a sqlite3 one."""

    def __init__(self, disk: Disk, path: str) -> None:
        self.apsw = apsw.Connection(path, vfs=disk.name)
        self.apsw.execute("PRAGMA locking_mode = EXCLUSIVE")

    def execute(self, sql: str, values: Iterable[Any] = ()) -> Any:
        """See sqlite3."""
        return self.apsw.execute(sql, tuple(values))

    def executemany(self, sql: str, rows: Iterable[Any]) -> Any:
        """See sqlite3."""
        return self.apsw.executemany(sql, list(rows))

    def executescript(self, sql: str) -> None:
        """See sqlite3."""
        self.apsw.execute(sql).fetchall()

    @property
    def in_transaction(self) -> bool:
        """See sqlite3."""
        return bool(self.apsw.in_transaction)

    def close(self) -> None:
        """See sqlite3."""
        self.apsw.close()
