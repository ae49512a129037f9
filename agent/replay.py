"""Replay: a file of records through the same core as the live agent, JSON Lines out, no clock of its own."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from typing import BinaryIO, TextIO

import msgspec

from agent.core.outputs import Output
from agent.core.spec import SiteSpec
from agent.core.step import SiteState, finish, start, step
from agent.errors import BadRecord
from agent.records import MAX_LINE_BYTES, Record, decode_line

BYTE_ORDER_MARK = b"\xef\xbb\xbf"  # some editors put one before the first line
OUT_BUFFER_BYTES = 1 << 20  # large pieces cost fewer system calls

_encode_lines = msgspec.json.Encoder().encode_lines


@dataclass(slots=True)
class Tally:
    """What a replay met: lines in all, and how many of them were refused."""

    lines: int = 0
    bad: int = 0


def open_records(path: str) -> AbstractContextManager[BinaryIO]:
    """The records' bytes: a file, or standard input for `-`. Raises OSError."""
    return nullcontext(sys.stdin.buffer) if path == "-" else open(path, "rb")


def open_output() -> BinaryIO:
    """Standard output as bytes, in large pieces unless flushed."""
    return open(sys.stdout.fileno(), "wb", buffering=OUT_BUFFER_BYTES, closefd=False)


def replay(
    site: SiteSpec,
    records: BinaryIO,
    out: BinaryIO,
    complain: Callable[[int, str], None],
    every_s: float,
    at_once: bool,
) -> Tally:
    """Step every record through the core and write what it says.

    `complain(line number, reason)` is told of each bad line; `at_once` flushes each output as it is made.
    """
    tally = Tally()
    state = start(site, every_s)
    for record in good_records(records, site, complain, tally):
        state, outputs = step(state, record, site)
        if outputs:
            _write(out, outputs)
            if at_once:
                out.flush()
    _write(out, finish(state, site))
    out.flush()
    return tally


def state_at(
    site: SiteSpec, records: BinaryIO, time: float, complain: Callable[[int, str], None], tally: Tally
) -> SiteState:
    """What the core knew from all records with times up to `time` (epoch s)."""
    state = start(site)
    for record in good_records(records, site, complain, tally):
        if record.time <= time:
            state, _ = step(state, record, site)
    return state


def good_records(
    records: BinaryIO, site: SiteSpec, complain: Callable[[int, str], None], tally: Tally
) -> Iterator[Record]:
    """The sound records of this site's sumps, in file order; the others are told and counted."""
    sumps = site.sumps
    for number, line in enumerate(_lines(records), 1):
        try:
            record = decode_line(line)
            if record.sump not in sumps and record.signal != "mark":
                raise BadRecord(f"the site has no sump {record.sump!r}")
        except BadRecord as bad:
            if not line.isspace():
                tally.bad += 1
                complain(number, bad.reason)
        else:
            yield record
        tally.lines = number


def _lines(records: BinaryIO) -> Iterator[bytes]:
    """Lines as they come, each whole; of one that is too long just enough to be refused, the rest passed over."""
    most = MAX_LINE_BYTES + 1
    line = records.readline(most)
    given = line.removeprefix(BYTE_ORDER_MARK) if len(line) < most else line
    while line:
        yield given
        while len(line) == most and not line.endswith(b"\n"):
            line = records.readline(most)
        line = given = records.readline(most)


def _write(out: BinaryIO, outputs: Iterable[Output]) -> None:
    out.write(_encode_lines([output.row() for output in outputs]))


class Complaints:
    """Bad lines by number and reason, one line each, on a stream for people."""

    def __init__(self, name: str, stream: TextIO) -> None:
        self._name, self._stream = name, stream

    def __call__(self, number: int, reason: str) -> None:
        self._stream.write(f"{self._name}: line {number}: {reason}\n")

    def total(self, tally: Tally) -> None:
        """The closing count, where there is anything to count."""
        if tally.bad:
            self._stream.write(f"{self._name}: {tally.bad} of {tally.lines} lines refused\n")
