"""Samples packed by the block: what came in between two commits, one row of the journal.

Layout, after zlib: header length (uint32), header (JSON), the order of arrival (uint16 channel numbers),
then channel by channel times, raw readings, values, flags. Numbers go as differences of decimal-scaled
integers where that is exact, else as float64. All little-endian.
"""

from __future__ import annotations

import json
import struct
import sys
import zlib
from array import array
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import accumulate
from typing import Any

VALUE_DECIMALS = 4  # 0.1 mL, 1e-4 Brix: below what any sensor tells
MOST_DECIMALS = 6  # raw readings with more digits are kept as float64
US_PER_S = 1_000_000
SAFE_INTEGER = 2**53  # beyond it float64 skips integers and scaling would lose digits
I32 = 2**31 - 1


@dataclass(frozen=True, slots=True)
class Sample:
    """One reading: `raw` in the sensor's unit, `value` calibrated (L, °C, Brix, 0/1); flags 0 = good."""

    time: float  # epoch s, kept to the microsecond
    sump: str
    signal: str
    raw: float
    value: float
    flags: int = 0
    simulated: bool = False


@dataclass(slots=True)
class _Column:
    type: str
    decimals: int | None
    data: bytes


def pack(samples: Sequence[Sample]) -> bytes:
    """A block's body. `raw` survives exactly, `value` to 1e-4, `time` to the microsecond."""
    channels: dict[tuple[str, str, bool], list[Sample]] = {}
    for s in samples:
        channels.setdefault((s.sump, s.signal, s.simulated), []).append(s)
    number = {key: i for i, key in enumerate(channels)}
    order = _little(array("H", (number[s.sump, s.signal, s.simulated] for s in samples)))
    heads, parts = [], [order]
    for key, members in channels.items():
        columns = _columns(members)
        heads.append([*key, len(members), [[c.type, c.decimals] for c in columns]])
        parts += [c.data for c in columns]
    header = json.dumps({"channels": heads}, separators=(",", ":")).encode()
    return zlib.compress(struct.pack("<I", len(header)) + header + b"".join(parts), 6)


class BadBlock(ValueError):
    """A body that is no block: the disk has changed it since it was written."""


def readable(body: bytes, sump: str | None = None, signal: str | None = None) -> list[Sample]:
    """The same, with nothing in place of a block that cannot be read: one bad spot must not hide all the others."""
    try:
        return unpack(body, sump, signal)
    except BadBlock:
        return []


def unpack(body: bytes, sump: str | None = None, signal: str | None = None) -> list[Sample]:
    """Samples in their order of arrival; of one sump or signal only, where named. Raises BadBlock."""
    try:
        return _unpack(zlib.decompress(body), sump, signal)
    except (zlib.error, struct.error, ValueError, KeyError, TypeError, IndexError, StopIteration) as error:
        raise BadBlock(f"not a block: {error!r}") from error


def _unpack(data: bytes, sump: str | None, signal: str | None) -> list[Sample]:
    (length,) = struct.unpack_from("<I", data)
    header = json.loads(data[4 : 4 + length])
    count = sum(head[3] for head in header["channels"])
    order = _from_little("H", data[4 + length : 4 + length + 2 * count])
    streams = list(_streams(header["channels"], data, 4 + length + 2 * count, sump, signal))
    return [next(stream) for stream in (streams[i] for i in order) if stream is not None]


def _columns(members: list[Sample]) -> list[_Column]:
    times = [round(s.time * US_PER_S) for s in members]
    in_ms = all(t % 1000 == 0 for t in times)
    time = _integers([t // 1000 for t in times] if in_ms else times, 3 if in_ms else 6)
    values = [round(s.value, VALUE_DECIMALS) for s in members]
    flags = _integers([s.flags for s in members], 0)
    return [time, _numbers([s.raw for s in members]), _numbers(values), flags]


def _numbers(values: list[float]) -> _Column:
    """As scaled integers with the fewest decimals that give every number back exactly."""
    if all(abs(v) * 10**MOST_DECIMALS < SAFE_INTEGER for v in values):  # false for nan and inf, too
        for decimals in range(MOST_DECIMALS + 1):
            scaled = [round(v * 10**decimals) for v in values]
            if all(n / 10**decimals == v for n, v in zip(scaled, values, strict=True)):
                return _integers(scaled, decimals)
    return _Column("d", None, _little(array("d", values)))


def _integers(values: list[int], decimals: int) -> _Column:
    steps = [b - a for a, b in zip([0, *values[:-1]], values, strict=True)]
    kind = "i" if all(-I32 <= s <= I32 for s in steps) else "q"
    return _Column(kind, decimals, _little(array(kind, steps)))


def _streams(
    heads: list[Any], data: bytes, at: int, sump: str | None, signal: str | None
) -> Iterator[Iterator[Sample] | None]:
    for name, what, simulated, count, kinds in heads:
        columns: list[Iterable[float]] = []
        wanted = sump in (None, name) and signal in (None, what)
        for kind, decimals in kinds:
            size = count * (4 if kind == "i" else 8)
            if wanted:
                columns.append(_back(kind, decimals, data[at : at + size]))
            at += size
        yield _samples(name, what, simulated, columns) if wanted else None


def _samples(sump: str, signal: str, simulated: bool, columns: list[Iterable[float]]) -> Iterator[Sample]:
    for time, raw, value, flags in zip(*columns, strict=True):
        yield Sample(time, sump, signal, raw, value, int(flags), simulated)


def _back(kind: str, decimals: int | None, data: bytes) -> Iterable[float]:
    numbers = _from_little(kind, data)
    if decimals is None:
        return numbers
    scale = 10**decimals
    return [n / scale for n in accumulate(numbers)]


def _little(numbers: array[Any]) -> bytes:
    if sys.byteorder == "big":
        numbers.byteswap()
    return numbers.tobytes()


def _from_little(kind: str, data: bytes) -> array[Any]:
    numbers = array(kind)
    numbers.frombytes(data)
    if sys.byteorder == "big":
        numbers.byteswap()
    return numbers
