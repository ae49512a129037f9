"""Replay: a file of records through the same core as the live agent, JSON Lines out, no clock of its own."""

from __future__ import annotations

import gc
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass
from functools import partial
from itertools import chain
from typing import BinaryIO, TextIO

import msgspec

from agent.core.outputs import Output
from agent.core.spec import SiteSpec
from agent.core.step import SiteState, finish, start, step
from agent.errors import BadRecord
from agent.records import MAX_LINE_BYTES, Record, decode_line

BYTE_ORDER_MARK = b"\xef\xbb\xbf"  # some editors put one before the first line
MOST = MAX_LINE_BYTES + 1  # bytes of a line that are read: enough to refuse it
FEW_COLLECTIONS = 35_000  # objects made between two searches for cycles; Python's own 700
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
    with _seldom_collected():
        for record in good_records(records, site, complain, tally):
            state, outputs = step(state, record, site)
            if outputs:
                _write(out, outputs)
                if at_once:
                    out.flush()
    _write(out, finish(state, site))
    out.flush()
    return tally


@contextmanager
def _seldom_collected() -> Iterator[None]:
    """The core makes no cycles, so nearly every search for them finds none: search a fiftieth as often meanwhile."""
    usual = gc.get_threshold()
    gc.set_threshold(FEW_COLLECTIONS, *usual[1:])
    try:
        yield
    finally:
        gc.set_threshold(*usual)


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
    sumps, number = site.sumps, 0
    for number, line in enumerate(_lines(records), 1):
        try:
            record = decode_line(line)
            if record.sump not in sumps and record.signal != "mark":
                raise BadRecord(f"the site has no sump {record.sump!r}")
        except BadRecord as bad:
            if not line.isspace():
                tally.bad += 1
                complain(number, bad.reason)
            _pass_over_rest(records, line)
        else:
            yield record
    tally.lines = number


def _lines(records: BinaryIO) -> Iterator[bytes]:
    """Lines as they come, with no work of ours on each; of one that is too long just enough to be refused."""
    first = records.readline(MOST)
    rest = iter(partial(records.readline, MOST), b"")
    given = first.removeprefix(BYTE_ORDER_MARK) if len(first) < MOST else first
    return chain((given,), rest) if first else rest


def _pass_over_rest(records: BinaryIO, line: bytes) -> None:
    """Where a refused line was longer than any may be: on to its end."""
    while len(line) == MOST and not line.endswith(b"\n"):
        line = records.readline(MOST)


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
