"""Everything that is kept, for other programs: tables as CSV, and the records of contract.md for a replay.

Times are epoch seconds, with the same in RFC 3339 (UTC) beside them. Text that a spreadsheet would take for a formula
gets an apostrophe before it; numbers stay as they are.
"""

from __future__ import annotations

import csv
import json
import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, closing
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any

from agent.core.outputs import Advice, Belief, Finding
from agent.engine import records_in
from agent.folders import PEOPLE_NAME, Folders
from agent.io import inbox, journal
from agent.io.chain import LogRow
from agent.io.database import ReadOnlyDatabase
from agent.io.inbox import InboxReader
from agent.io.journal import JournalReader, unpack
from agent.io.journal_reader import END
from agent.records import Record, encode

ROWS_A_READ = 2_000  # a block a row: some ten thousand samples in memory at a time
FORMULA = ("=", "+", "-", "@", "\t", "\r")
WORD_FIELDS = tuple(name for name in Record.__struct_fields__ if name not in ("time", "sump"))
REVIEW_FIELDS = (
    "advice",
    "event",
    "from",
    "to",
    "by",
    "role",
    "reason",
    "volume_l",
    "makeup_pct",
    "refused",
    "finding",
)
EVENT_FIELDS = ("event", "text")


def _kept(kind: type[Any]) -> tuple[str, ...]:
    """An output's own columns: time and sump stand before them in every table."""
    return tuple(name for name in kind.__dataclass_fields__ if name not in ("time", "sump"))


# Kind of row → the table it goes to and its columns after seq, time, sump; the rest of a body goes into `more`.
TABLES: dict[str, tuple[str, tuple[str, ...]]] = {
    "belief": ("beliefs.csv", _kept(Belief)),
    "finding": ("findings.csv", _kept(Finding)),
    "advice": ("advice.csv", _kept(Advice)),
    "word": ("words.csv", (*WORD_FIELDS, "role", "refused")),
    "review": ("reviews.csv", REVIEW_FIELDS),
    "alert": ("alerts.csv", EVENT_FIELDS),
    "agent": ("agent.csv", EVENT_FIELDS),
}
SAMPLES = ("seq", "time", "utc", "sump", "signal", "raw", "value", "flags", "simulated")


def export_tables(folders: Folders, out: Path, told: Callable[[int, int], None] = lambda done, of: None) -> list[Path]:
    """Write every table into the folder `out`; gives the files. `told(done, of)` hears how many rows are through.

    Raises FileNotFoundError where there is no journal, sqlite3.Error, OSError.
    """
    out.mkdir(parents=True, exist_ok=True)
    with closing(JournalReader(folders.state / journal.FILE_NAME)) as reader, ExitStack() as open_files:
        sheets = {kind: Sheet(out / name, ("seq", "time", "utc", "sump", *columns, "more"), open_files)
                  for kind, (name, columns) in TABLES.items()}  # fmt: skip
        samples = Sheet(out / "samples.csv", SAMPLES, open_files)
        for row in rows_of(reader, reader.last_seq(), told):
            if row.kind == "block":
                for s in unpack(row.body):
                    told_at = [row.seq, s.time, utc(s.time)]
                    samples.add([*told_at, s.sump, s.signal, s.raw, s.value, s.flags, int(s.simulated)])
            elif row.kind in sheets:
                sheets[row.kind].add(_cells(row, TABLES[row.kind][1]))
        written = [samples.path, *(sheet.path for sheet in sheets.values())]
        written.append(_dead_letters(reader, out, open_files))
        written += _what_people_are(folders, out, open_files)
    return written


def export_records(folders: Folders, path: Path, told: Callable[[int, int], None] = lambda done, of: None) -> int:
    """What the core was given, in the order in which it was: JSON Lines for `sumpside replay`. Gives their number.

    Raises as `export_tables`.
    """
    count = 0
    written = path.with_name(f".{path.name}.part")
    with closing(JournalReader(folders.state / journal.FILE_NAME)) as reader, written.open("wb") as out:
        for row in rows_of(reader, reader.last_seq(), told):
            for record in records_in(row):
                out.write(encode(record) + b"\n")
                count += 1
    os.replace(written, path)
    return count


def rows_of(
    reader: JournalReader, last: int | None = None, told: Callable[[int, int], None] = lambda done, of: None
) -> Iterator[LogRow]:
    """All rows up to number `last`, oldest first; without one, whatever there is by the time it is read."""
    end = END if last is None else last
    seq = 0
    while seq < end and (rows := reader.rows_after(seq, ROWS_A_READ)):
        yield from (row for row in rows if row.seq <= end)
        seq = rows[-1].seq
        told(min(seq, end), end)


class Sheet:
    """One CSV file, closed with the others."""

    def __init__(self, path: Path, columns: Iterable[str], open_files: ExitStack) -> None:
        self.path = path
        file: IO[str] = open_files.enter_context(path.open("w", encoding="utf-8", newline=""))
        self._write = csv.writer(file).writerow
        self._write(list(columns))

    def add(self, cells: Iterable[Any]) -> None:
        """One line."""
        self._write([inert(cell) for cell in cells])


def inert(cell: Any) -> Any:
    """A cell that no spreadsheet runs."""
    if isinstance(cell, str):
        return f"'{cell}" if cell.startswith(FORMULA) else cell
    return json.dumps(cell, ensure_ascii=False) if isinstance(cell, dict | list | bool) else cell


def utc(time: float) -> str:
    """RFC 3339, milliseconds; empty for what no calendar holds."""
    try:
        return datetime.fromtimestamp(time, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    except (ValueError, OverflowError, OSError):
        return ""


def _cells(row: LogRow, columns: tuple[str, ...]) -> list[Any]:
    body = row.data()
    more = {name: value for name, value in body.items() if name not in (*columns, "time", "sump")}
    return [row.seq, row.time, utc(row.time), row.sump, *(body.get(name) for name in columns), more or None]


def _dead_letters(reader: JournalReader, out: Path, open_files: ExitStack) -> Path:
    sheet = Sheet(out / "dead_letters.csv", ("seq", "time", "utc", "sink", "reason", "body"), open_files)
    for one in reader.dead_letters():
        sheet.add([one["seq"], one["time"], utc(one["time"]), one["sink"], one["reason"], one["body"]])
    return sheet.path


def _what_people_are(folders: Folders, out: Path, open_files: ExitStack) -> Iterator[Path]:
    """What people said and the agent may not have heard yet; who they are, without their secrets."""
    columns = ("seq", "time", "utc", "person", "role", "sump", "kind", "body")
    sheet = Sheet(out / "inbox.csv", columns, open_files)
    with closing(InboxReader(folders.inbox / inbox.FILE_NAME)) as reader:
        seq = 0
        while words := reader.after(seq):
            for w in words:
                sheet.add([w.seq, w.time, utc(w.time), w.person, w.role, w.sump, w.kind, w.body])
            seq = words[-1].seq
    yield sheet.path
    people = folders.inbox / PEOPLE_NAME
    if people.exists():
        listed = Sheet(out / "people.csv", ("name", "role", "active", "created"), open_files)
        with closing(ReadOnlyDatabase(people)) as db:
            for row in db.rows("SELECT name, role, active, created FROM person ORDER BY id"):
                listed.add(row)
        yield listed.path
