"""A tank's shape by its dimensions, to compare a measured curve with. Lengths in mm, volumes in litres."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from calibration.level import LevelCurve
from calibration.line import CannotFit

MM3_PER_L = 1e6


@dataclass(frozen=True, slots=True)
class Shape:
    """A box of length × width; a floor that rises by `slope_mm` along the length (a wedge of that height lacks);
    a ledge that makes it wider by `ledge_mm2` of area from `ledge_at_mm` up. Heights count from the lowest point."""

    length_mm: float
    width_mm: float
    slope_mm: float = 0.0
    ledge_at_mm: float | None = None
    ledge_mm2: float = 0.0

    def __post_init__(self) -> None:
        if not (self.length_mm > 0.0 and self.width_mm > 0.0 and self.slope_mm >= 0.0 and self.ledge_mm2 >= 0.0):
            raise CannotFit("a shape needs a length and a width above 0 mm, and no negative slope or ledge")

    def litres_at(self, height_mm: float) -> float:
        """Litres below a height above the lowest point of the floor.

        Over a floor rising by s along L: w·L·h²/(2s) up to s, then w·L·(h - s/2).
        """
        h = max(0.0, height_mm)
        area, s = self.length_mm * self.width_mm, self.slope_mm
        wedge = area * h * h / (2.0 * s) if h < s else area * (h - s / 2.0)
        above = 0.0 if self.ledge_at_mm is None else self.ledge_mm2 * max(0.0, h - self.ledge_at_mm)
        return (wedge + above) / MM3_PER_L


@dataclass(frozen=True, slots=True)
class Difference:
    """Curve less shape at one raw reading, L; `half_l` is half the curve's 90 % interval."""

    raw: float
    curve_l: float
    shape_l: float
    half_l: float

    @property
    def off_l(self) -> float:
        return self.curve_l - self.shape_l


@dataclass(frozen=True, slots=True)
class Comparison:
    """The differences along the curve, the largest of them, and a sentence."""

    rows: tuple[Difference, ...]
    worst: Difference
    agrees: bool
    text: str


def compare(
    curve: LevelCurve, shape: Shape, raw_at_floor: float, mm_per_raw: float = 1.0, rows: int = 12
) -> Comparison:
    """A measured curve beside a shape. `raw_at_floor`: the reading at the lowest point; `mm_per_raw`: millimetres of
    height per raw unit (negative for a sensor that looks down)."""
    step = (curve.raw_high - curve.raw_low) / (rows - 1)
    found = [_difference(curve, shape, curve.raw_low + i * step, raw_at_floor, mm_per_raw) for i in range(rows)]
    worst = max(found, key=lambda d: abs(d.off_l))
    outside = [d for d in found if abs(d.off_l) > d.half_l]
    agrees = len(outside) <= rows // 4  # one in ten lies outside a 90 % interval, neighbours together
    return Comparison(tuple(found), worst, agrees, _text(worst, outside, rows, agrees))


def _difference(curve: LevelCurve, shape: Shape, raw: float, floor: float, mm_per_raw: float) -> Difference:
    raw = min(raw, curve.raw_high)
    at = curve.litres_at(raw)
    return Difference(raw, at.value, shape.litres_at((raw - floor) * mm_per_raw), (at.high - at.low) / 2.0)


def _text(worst: Difference, outside: Sequence[Difference], rows: int, agrees: bool) -> str:
    most = f"largest difference {worst.off_l:+.1f} L at reading {worst.raw:.1f}"
    if agrees:
        return f"agrees with the shape within the interval; {most}"
    return f"differs from the shape at {len(outside)} of {rows} places; {most}: see dimensions, ledges and the pours"
