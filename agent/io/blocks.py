"""Samples packed by the block: what came in between two commits, one row of the journal.

Layout: FORM, crc32 of the rest, then LZMA over: header length (uint32), header (JSON), the order of arrival (channel
numbers), times in that order, then channel by channel raw readings, values, flags. Numbers are differences of
decimal-scaled integers in the narrowest width, where that is exact, else float64. A calibrated value goes as what it
lies off a straight line through the raw readings, which is next to nothing. All little-endian. At 24 sensors a minute
packs to some 2 kB, so that two fit a page. Blocks of the first form (zlib) can be read: see blocks_first.py.
"""

from __future__ import annotations

import json
import lzma
import struct
import sys
import zlib
from array import array
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate
from typing import Any, Final

from agent.io.blocks_first import FIRST_FORM, from_little, unpack_first

VALUE_DECIMALS = 4  # 0.1 mL, 1e-4 Brix: below what any sensor tells
MOST_DECIMALS = 6  # raw readings with more digits are kept as float64
US_PER_S = 1_000_000
SAFE_INTEGER = 2**53  # beyond it float64 skips integers and scaling would lose digits
FORM: Final = b"\x02"
FILTERS: Final = [{"id": lzma.FILTER_LZMA2, "preset": 6, "dict_size": 1 << 18, "lc": 0, "lp": 0, "pb": 0}]
WIDTHS: Final = (("b", 7), ("h", 15), ("i", 31), ("q", 63))
OFF, STEPS = 0, 1  # how numbers relate: to the first, to the one before; else (a float) the slope along raw readings
SAME, FLOATS = "=", "d"  # kinds of column beside the widths: nothing but its first number; float64


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


def as_kept(sample: Sample) -> Sample:
    """What a block gives back of a sample: a reading that is sent ahead of its block must be the same point."""
    time, value = round(sample.time * US_PER_S) / US_PER_S, round(sample.value, VALUE_DECIMALS)
    return replace(sample, time=time, value=value)


@dataclass(frozen=True, slots=True)
class _Column:
    """`head` = kind, decimals, first, relation."""

    head: list[Any]
    data: bytes


def pack(samples: Sequence[Sample]) -> bytes:
    """A block's body. `raw` survives exactly, `value` to 1e-4, `time` to the microsecond."""
    channels: dict[tuple[str, str, bool], list[Sample]] = {}
    for s in samples:
        channels.setdefault((s.sump, s.signal, s.simulated), []).append(s)
    number = {key: i for i, key in enumerate(channels)}
    kind = "B" if len(channels) < 256 else "H"
    order = array(kind, (number[s.sump, s.signal, s.simulated] for s in samples))
    times = _times([round(s.time * US_PER_S) for s in samples])
    heads, parts = [], [_little(order), times.data]
    for key, members in channels.items():
        columns = _columns(members)
        heads.append([*key, len(members), [c.head for c in columns]])
        parts += [c.data for c in columns]
    header = json.dumps([kind, times.head, heads], separators=(",", ":")).encode()
    whole = struct.pack("<I", len(header)) + header + b"".join(parts)
    packed = lzma.compress(whole, format=lzma.FORMAT_RAW, filters=FILTERS)
    return FORM + struct.pack("<I", zlib.crc32(packed)) + packed


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
        if body[:1] == FIRST_FORM:
            return [Sample(*fields) for fields in unpack_first(body, sump, signal)]
        if body[:1] != FORM or struct.unpack_from("<I", body, 1)[0] != zlib.crc32(body[5:]):
            raise ValueError("neither form, or changed")
        return _unpack(lzma.decompress(body[5:], lzma.FORMAT_RAW, filters=FILTERS), sump, signal)
    except (
        zlib.error,
        lzma.LZMAError,
        struct.error,
        ValueError,
        KeyError,
        TypeError,
        IndexError,
        StopIteration,
    ) as error:
        raise BadBlock(f"not a block: {error!r}") from error


def _unpack(data: bytes, sump: str | None, signal: str | None) -> list[Sample]:
    (length,) = struct.unpack_from("<I", data)
    kind, times_head, heads = json.loads(data[4 : 4 + length])
    count, at = sum(head[3] for head in heads), 4 + length
    size = count * array(kind).itemsize
    order, at = from_little(kind, data[at : at + size]), at + size
    times, at = _integers(times_head, data, at, count), at + _size(times_head, count)
    wanted = {i for i, head in enumerate(heads) if sump in (None, head[0]) and signal in (None, head[1])}
    scale, when = 10 ** times_head[1], defaultdict[int, list[float]](list)
    for number, time in zip(order, times, strict=True):
        if number in wanted:
            when[number].append(time / scale)
    streams: dict[int, Iterator[Sample]] = {}
    for number, head in enumerate(heads):
        if number in wanted:
            streams[number] = _samples(head, when[number], data, at)
        at += sum(_size(column, head[3]) for column in head[4])
    return [next(streams[number]) for number in order if number in wanted]


def _samples(head: list[Any], times: list[float], data: bytes, at: int) -> Iterator[Sample]:
    sump, signal, simulated, count, columns = head
    raws = _back(columns[0], data, at, count)
    at += _size(columns[0], count)
    values = _back(columns[1], data, at, count, raws)
    flags = _integers(columns[2], data, at + _size(columns[1], count), count)
    for time, raw, value, flag in zip(times, raws, values, flags, strict=True):
        yield Sample(time, sump, signal, raw, value, flag, simulated)


def _times(us: list[int]) -> _Column:
    in_ms = all(t % 1000 == 0 for t in us)
    return _column(3, [t // 1000 for t in us]) if in_ms else _column(6, us)


def _columns(members: list[Sample]) -> list[_Column]:
    raws, values = [s.raw for s in members], [round(s.value, VALUE_DECIMALS) for s in members]
    return [_numbers(raws), _along(raws, values) or _numbers(values), _column(0, [s.flags for s in members])]


def _numbers(values: list[float]) -> _Column:
    """As scaled integers with the fewest decimals that give every number back exactly."""
    decimals, scaled = _scaled(values)
    if decimals is None:
        return _Column([FLOATS, None, 0, OFF], _little(array("d", values)))
    return _column(decimals, scaled)


def _scaled(values: list[float]) -> tuple[int | None, list[int]]:
    if all(abs(v) * 10**MOST_DECIMALS < SAFE_INTEGER for v in values):  # false for nan and inf, too
        for decimals in range(MOST_DECIMALS + 1):
            scaled = [round(v * 10**decimals) for v in values]
            if all(n / 10**decimals == v for n, v in zip(scaled, values, strict=True)):
                return decimals, scaled
    return None, []


def _column(decimals: int, values: list[int]) -> _Column:
    """Integers as differences, the first apart; where they only scatter, as what they lie off the middle."""
    steps = [b - a for a, b in zip(values, values[1:], strict=False)]
    middle = sorted(values)[len(values) // 2] if values else 0
    off = [n - middle for n in values]
    if sum(map(abs, off)) <= sum(map(abs, steps)):
        return _narrow(decimals, middle, off, OFF)
    return _narrow(decimals, values[0], [0, *steps], STEPS)


def _along(raws: list[float], values: list[float]) -> _Column | None:
    """Values as what they lie off the line from the lowest raw reading to the highest; None where there is no line."""
    decimals, scaled = _scaled(values)
    low, high = min(raws), max(raws)
    if decimals is None or low == high or _scaled(raws)[0] is None:
        return None
    rise = scaled[raws.index(high)] - scaled[raws.index(low)]
    slope = float(f"{rise / (high - low):.7g}")
    if not abs(slope) * (high - low) < SAFE_INTEGER:
        return None
    off = [n - scaled[0] - round(slope * (raw - raws[0])) for n, raw in zip(scaled, raws, strict=True)]
    return _narrow(decimals, scaled[0], off, slope)


def _narrow(decimals: int, first: int, numbers: list[int], relation: float) -> _Column:
    """In the narrowest width, byte by byte significance: like bytes lie together."""
    most = max((abs(n) for n in numbers), default=0)
    if not most:
        return _Column([SAME, decimals, first, relation], b"")
    kind = next(kind for kind, bits in WIDTHS if most < 1 << bits)
    plain, width = _little(array(kind, numbers)), array(kind).itemsize
    return _Column([kind, decimals, first, relation], b"".join(plain[i::width] for i in range(width)))


def _size(head: list[Any], count: int) -> int:
    return 0 if head[0] == SAME else count * array(head[0]).itemsize


def _back(head: list[Any], data: bytes, at: int, count: int, raws: Sequence[float] | None = None) -> Sequence[float]:
    """A column's numbers again. `raws`: of the same samples, for a value that goes along them."""
    kind, decimals, _, relation = head
    if kind == FLOATS:
        return from_little(kind, data[at : at + 8 * count])
    numbers, scale = _integers(head, data, at, count), 10**decimals
    if isinstance(relation, float) and raws:
        start = raws[0]
        return [(n + round(relation * (raw - start))) / scale for raw, n in zip(raws, numbers, strict=True)]
    return [n / scale for n in numbers]


def _integers(head: list[Any], data: bytes, at: int, count: int) -> Iterable[int]:
    """A column's scaled integers; those that go along raw readings less what these make of them."""
    kind, _, first, relation = head
    if kind == SAME:
        return [first] * count
    numbers = from_little(kind, _woven(data[at : at + _size(head, count)], array(kind).itemsize))
    if relation == STEPS:
        numbers[:1] = array(kind)
        return list(accumulate(numbers, initial=first))
    return [first + n for n in numbers]


def _woven(part: bytes, width: int) -> bytes:
    whole, count = bytearray(len(part)), len(part) // width
    for i in range(width):
        whole[i::width] = part[i * count : (i + 1) * count]
    return bytes(whole)


def _little(numbers: array[Any]) -> bytes:
    if sys.byteorder == "big":
        numbers.byteswap()
    return numbers.tobytes()
