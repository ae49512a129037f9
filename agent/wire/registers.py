"""Modbus registers to numbers. Outcomes: a number, or a `Fault`; registers come whole, so never "more, please"."""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from typing import Final

from agent.wire.outcomes import Fault

WORD_BITS: Final = 16
_LAYOUTS: Final = {"uint16": ">H", "int16": ">h", "uint32": ">I", "int32": ">i", "float32": ">f"}


def words_of(kind: str) -> int:
    """How many registers a number of this kind takes. Raises KeyError for a kind that is none."""
    return struct.calcsize(_LAYOUTS[kind]) // 2


def number(words: Sequence[int], kind: str, word_order: str = "big") -> float | Fault:
    """The number in 16-bit registers; `word_order` "big": the high word stands in the lower register.

    Within a word bytes are big-endian, as on the wire (Modbus application protocol 1.1b3, section 4.2).
    """
    wanted = words_of(kind)
    if len(words) != wanted:
        return Fault(f"{len(words)} registers came, {kind} takes {wanted}")
    if not all(0 <= word < 1 << WORD_BITS for word in words):
        return Fault(f"a register does not fit 16 bits: {list(words)}")
    ordered = words if word_order == "big" else list(reversed(words))
    (value,) = struct.unpack(_LAYOUTS[kind], struct.pack(f">{wanted}H", *ordered))
    if not math.isfinite(value):
        return Fault("not a number: the transmitter says that it has no reading")
    return float(value)
