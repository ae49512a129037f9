"""What wires do to frames: bits turned, bytes lost, added, doubled, frames cut, joined; pieces cut anywhere."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator

FRAMES_USUAL, FRAMES_LONG = 20_000, 1_000_000


def frames(long_run: bool) -> int:
    """How many frames a decoder is given."""
    return FRAMES_LONG if long_run else FRAMES_USUAL


def _turned(rng: random.Random, frame: bytes) -> bytes:
    data = bytearray(frame)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 8))):
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    return bytes(data)


def _lost(rng: random.Random, frame: bytes) -> bytes:
    at = rng.randrange(len(frame))
    return frame[:at] + frame[at + rng.choice((1, 1, 2, 5)) :]


def _added(rng: random.Random, frame: bytes) -> bytes:
    at = rng.randrange(len(frame) + 1)
    return frame[:at] + rng.randbytes(rng.choice((1, 1, 2, 5))) + frame[at:]


def _cut(rng: random.Random, frame: bytes) -> bytes:
    at = rng.randrange(len(frame))
    return frame[:at] if rng.random() < 0.5 else frame[at:]


def _replaced(rng: random.Random, frame: bytes) -> bytes:
    """One stretch is rubbish: the check bytes are as they were."""
    at = rng.randrange(len(frame))
    size = rng.randrange(1, len(frame) - at + 1)
    return frame[:at] + rng.randbytes(size) + frame[at + size :]


def _doubled(rng: random.Random, frame: bytes) -> bytes:
    at = rng.randrange(len(frame))
    return frame[: at + 1] + frame[at:]


def _random(rng: random.Random, frame: bytes) -> bytes:
    return rng.randbytes(rng.randrange(1, 2 * len(frame) + 1))


DAMAGES: tuple[Callable[[random.Random, bytes], bytes], ...] = (
    _turned, _lost, _added, _cut, _replaced, _doubled, _random,
)  # fmt: skip


def damaged(rng: random.Random, frame: bytes) -> bytes:
    """The frame after one or two accidents."""
    for _ in range(rng.choice((1, 1, 2))):
        frame = rng.choice(DAMAGES)(rng, frame) or b"\0"
    return frame


def pieces(rng: random.Random, stream: bytes) -> Iterator[bytes]:
    """The stream as a port hands it on: whole, byte by byte, or cut anywhere."""
    size = rng.choice((1, 2, 3, 7, len(stream) or 1, len(stream) or 1))
    for at in range(0, len(stream), size):
        yield stream[at : at + size]
