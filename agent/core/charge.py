"""A new charge: batches mixed in a bucket, then a lean rest, so that the whole lands on the target exactly.

With V litres at t %, lean mix at l % and n full buckets of B litres, the batches' strength s follows from the balance
of concentrate: n·B·s + (V - n·B)·l = V·t. The fewest n with s at or below the richest allowed is taken.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor, isfinite
from typing import Literal

from agent.core.fluid import parts_per_100_water
from agent.errors import SumpsideError

MAX_VOLUME_L = 1e9  # far above any system; keeps every sum exact to 1e-9
MIN_VOLUME_L = 1e-3
MAX_BUCKETS = 1e9  # more buckets than this are a slip of the pen, and whole numbers of them no longer exact
HAIR = 1e-12  # relative: what floating point leaves over, not mix
SAME = 1e-9  # strengths nearer than this share are the same
SCANT = 0.05  # of a bucket: less than this is no batch that a person would mix


class CannotBe(SumpsideError):
    """The charge asked for cannot be mixed; says why, in one line."""


@dataclass(frozen=True, slots=True)
class Request:
    """What is asked for. Strengths in % by volume of the mix, volumes in litres."""

    volume_l: float
    target_pct: float
    bucket_l: float = 12.0
    richest_pct: float = 15.0
    lean_pct: float = 1.5


@dataclass(frozen=True, slots=True)
class Batch:
    """So many equal buckets: litres of water and of concentrate in each."""

    water_l: float
    concentrate_l: float
    count: int
    kind: Literal["rich", "target", "lean"]

    @property
    def volume_l(self) -> float:
        """Litres in one bucket."""
        return self.water_l + self.concentrate_l

    @property
    def pct(self) -> float:
        """Strength of one bucket, % of the mix."""
        return 100.0 * self.concentrate_l / self.volume_l


@dataclass(frozen=True, slots=True)
class Plan:
    """The batches, in the order they are poured."""

    request: Request
    batches: tuple[Batch, ...]

    @property
    def total_water_l(self) -> float:
        """Litres of water in all batches."""
        return sum(batch.count * batch.water_l for batch in self.batches)

    @property
    def total_concentrate_l(self) -> float:
        """Litres of concentrate in all batches."""
        return sum(batch.count * batch.concentrate_l for batch in self.batches)

    @property
    def strength_pct(self) -> float:
        """What the whole comes to, % of the mix."""
        return 100.0 * self.total_concentrate_l / (self.total_water_l + self.total_concentrate_l)

    @property
    def strength_per_100_water(self) -> float:
        """The same in parts of concentrate per 100 parts of water."""
        return parts_per_100_water(self.strength_pct)


def plan(request: Request) -> Plan:
    """The batches of a new charge. Raises CannotBe."""
    _refuse_nonsense(request)
    volume, target, bucket = request.volume_l, request.target_pct, request.bucket_l
    if volume <= bucket or request.richest_pct <= target * (1.0 + SAME):
        return Plan(request, tuple(_equal(volume, target, bucket, "target")))
    size, strength, count = _rich(request)
    rest_l = volume - count * size
    rich = _batch(size, strength, count, "rich")
    return Plan(request, (rich, *_lean(rest_l, request)))


def _rich(request: Request) -> tuple[float, float, int]:
    """Litres, strength and number of the rich batches: as few as may be, full where that leaves a rest to speak of."""
    volume, bucket, lean, richest = request.volume_l, request.bucket_l, request.lean_pct, request.richest_pct
    lift = volume * (request.target_pct - lean)  # L × points that the rich batches carry above the lean mix
    at_richest_l = lift / (richest - lean)
    count = max(1, ceil(at_richest_l / bucket * (1.0 - HAIR)))
    if volume - count * bucket >= SCANT * bucket:
        return bucket, lean + lift / (count * bucket), count
    return min(bucket, at_richest_l / count), richest, count


def _lean(rest_l: float, request: Request) -> list[Batch]:
    """The rest in buckets: full ones and a last, or equal ones where the last would be too little to mix."""
    if rest_l <= HAIR * request.volume_l:
        return []
    bucket, lean = request.bucket_l, request.lean_pct
    full = floor(rest_l / bucket)
    last_l = rest_l - full * bucket
    if full and last_l < SCANT * bucket:
        return _equal(rest_l, lean, bucket, "lean")
    batches = [_batch(bucket, lean, full, "lean")] if full else []
    return [*batches, _batch(last_l, lean, 1, "lean")]


def _equal(volume_l: float, pct: float, bucket_l: float, kind: Literal["target", "lean"]) -> list[Batch]:
    count = max(1, ceil(volume_l / bucket_l * (1.0 - HAIR)))
    return [_batch(min(bucket_l, volume_l / count), pct, count, kind)]


def _batch(volume_l: float, pct: float, count: int, kind: Literal["rich", "target", "lean"]) -> Batch:
    concentrate_l = volume_l * pct / 100.0
    return Batch(volume_l - concentrate_l, concentrate_l, count, kind)


def _refuse_nonsense(r: Request) -> None:
    named = {"volume": r.volume_l, "target": r.target_pct, "bucket": r.bucket_l, "richest": r.richest_pct}
    for name, value in {**named, "lean": r.lean_pct}.items():
        if not isfinite(value):
            raise CannotBe(f"the {name} is not a number")
    for name, value in named.items():
        if value <= 0.0:
            raise CannotBe(f"the {name} must be above 0, not {value:g}")
    if not MIN_VOLUME_L <= r.volume_l <= MAX_VOLUME_L:
        raise CannotBe(f"the volume must lie within {MIN_VOLUME_L:g}-{MAX_VOLUME_L:g} L, not {r.volume_l:g}")
    if r.volume_l / r.bucket_l > MAX_BUCKETS:
        raise CannotBe(f"a bucket of {r.bucket_l:g} L is too small for {r.volume_l:g} L")
    _refuse_strengths(r)


def _refuse_strengths(r: Request) -> None:
    if r.lean_pct < 0.0:
        raise CannotBe(f"the lean mix cannot be below 0 %, {r.lean_pct:g}")
    if r.richest_pct >= 100.0:
        raise CannotBe("the richest batch must be below 100 %: concentrate goes into water, never neat into a sump")
    if r.target_pct > r.richest_pct:
        raise CannotBe(f"the target, {r.target_pct:g} % of the mix, is above the richest batch, {r.richest_pct:g} %")
    if r.lean_pct >= r.target_pct:
        raise CannotBe(f"the lean mix, {r.lean_pct:g} %, is not below the target, {r.target_pct:g} % of the mix")
