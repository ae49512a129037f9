"""Modbus function 5, write single coil (application protocol 1.1b3, section 6.5), on a serial line. Pure."""

from __future__ import annotations

import struct
from typing import Final

from agent.wire.modbus import crc

WRITE_COIL: Final = 5
ON, OFF = 0xFF00, 0x0000
ANSWER_BYTES: Final = 8  # a unit that does it echoes the request, byte for byte
REFUSAL_BYTES: Final = 5
_REFUSED: Final = 0x80


def coil_request(unit: int, address: int, on: bool) -> bytes:
    """The request as it goes onto the line. Raises ValueError for a place that cannot be."""
    if not 1 <= unit <= 247 or not 0 <= address < 1 << 16:  # 0 would be every unit, and none would answer
        raise ValueError(f"no such coil: unit {unit}, coil {address}")
    body = struct.pack(">BBHH", unit, WRITE_COIL, address, ON if on else OFF)
    return body + crc(body)


def coil_answer(request: bytes, heard: bytes) -> str | None:
    """What the line's bytes say to a request: "" done, else what is wrong; None: more bytes, please."""
    if request in heard:
        return ""
    head = bytes((request[0], request[1] | _REFUSED))
    at = heard.find(head)
    if at >= 0 and len(heard) >= at + REFUSAL_BYTES:
        frame = heard[at : at + REFUSAL_BYTES]
        if crc(frame[:3]) == frame[3:]:
            return f"unit {request[0]} answers with exception {frame[2]}"
    return None
