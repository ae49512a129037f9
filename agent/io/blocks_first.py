"""The first form of a block, read only: journals of then are kept for years.

Layout, after zlib: header length (uint32), header (JSON), the order of arrival (uint16 channel numbers), then channel
by channel times, raw readings, values, flags: differences of decimal-scaled integers, or float64. Little-endian.
"""

from __future__ import annotations

import json
import struct
import sys
import zlib
from array import array
from collections.abc import Iterable, Iterator
from itertools import accumulate
from typing import Any, Final

FIRST_FORM: Final = b"\x78"  # zlib's own first byte

Fields = tuple[float, str, str, float, float, int, bool]  # of a Sample, in its order


def unpack_first(body: bytes, sump: str | None, signal: str | None) -> list[Fields]:
    """Samples in their order of arrival. Raises whatever a body that is none leads to."""
    data = zlib.decompress(body)
    (length,) = struct.unpack_from("<I", data)
    header = json.loads(data[4 : 4 + length])
    count = sum(head[3] for head in header["channels"])
    order = from_little("H", data[4 + length : 4 + length + 2 * count])
    streams = list(_streams(header["channels"], data, 4 + length + 2 * count, sump, signal))
    return [next(stream) for stream in (streams[i] for i in order) if stream is not None]


def _streams(
    heads: list[Any], data: bytes, at: int, sump: str | None, signal: str | None
) -> Iterator[Iterator[Fields] | None]:
    for name, what, simulated, count, kinds in heads:
        columns: list[Iterable[float]] = []
        wanted = sump in (None, name) and signal in (None, what)
        for kind, decimals in kinds:
            size = count * (4 if kind == "i" else 8)
            if wanted:
                columns.append(_back(kind, decimals, data[at : at + size]))
            at += size
        yield _samples(name, what, simulated, columns) if wanted else None


def _samples(sump: str, signal: str, simulated: bool, columns: list[Iterable[float]]) -> Iterator[Fields]:
    for time, raw, value, flags in zip(*columns, strict=True):
        yield time, sump, signal, raw, value, int(flags), simulated


def _back(kind: str, decimals: int | None, data: bytes) -> Iterable[float]:
    numbers = from_little(kind, data)
    return numbers if decimals is None else [n / 10**decimals for n in accumulate(numbers)]


def from_little(kind: str, data: bytes) -> array[Any]:
    """The numbers that were written little-endian, whatever this machine's order is."""
    numbers = array(kind)
    numbers.frombytes(data)
    if sys.byteorder == "big":
        numbers.byteswap()
    return numbers
