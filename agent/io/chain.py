"""The chain over what people and Sumpside decided: each row carries the hash of the one before."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

CHAINED = ("finding", "advice", "word", "review", "alert", "agent")
BEGINNING = bytes(32)


@dataclass(frozen=True, slots=True)
class LogRow:
    """One row of the journal. `body` is UTF-8 JSON, save for kind `block`; `sump` may be None."""

    seq: int
    time: float  # epoch s
    boot: int
    kind: str
    sump: str | None
    id: str | None
    body: bytes
    chain: bytes | None

    def data(self) -> dict[str, Any]:
        """The body as an object; of every kind but `block`."""
        found: dict[str, Any] = json.loads(self.body)
        return found


@dataclass(frozen=True, slots=True)
class ChainReport:
    """What a walk along the chain found: `text` says it in one line; `bad_seq` is the first row in doubt."""

    ok: bool
    rows: int
    bad_seq: int | None
    text: str


def link(before: bytes, row: LogRow) -> bytes:
    """sha256 over the previous link, the row's own fields as a JSON array, and its body."""
    head = json.dumps([row.seq, row.time, row.boot, row.kind, row.sump, row.id], separators=(",", ":"))
    return sha256(before + head.encode() + b"\n" + row.body).digest()


def verify(rows: Iterable[LogRow], head: bytes, count: int) -> ChainReport:
    """Walk the chained rows in order of seq; `head` and `count` are what the writer last noted."""
    before, seen, at = BEGINNING, 0, "the beginning"
    for row in rows:
        sound = isinstance(row.body, bytes) and row.chain is not None  # SQLite keeps any type in any column
        if not sound or row.chain != link(before, row):
            text = f"row {row.seq} ({row.kind}) does not follow from {at}"
            text += ": it was changed or moved, or a row between them is missing"
            return ChainReport(False, seen, row.seq, text)
        before, seen, at = link(before, row), seen + 1, f"row {row.seq} ({row.kind})"
    if (before, seen) != (head, count):
        text = f"the chain ends with {at} after {seen} rows, {count} were written: rows are missing at its end"
        return ChainReport(False, seen, None, text)
    return ChainReport(True, seen, None, f"{seen} rows, each follows from the one before")
