"""The level curve in use: raw level reading to litres, by straight lines between measured points."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Curve:
    """Measured points (raw reading, litres); raw rises, litres all rise or all fall (a sensor that looks down)."""

    raw: tuple[float, ...]
    litres: tuple[float, ...]

    @classmethod
    def of(cls, pairs: Iterable[Sequence[float]]) -> Curve:
        """From pairs (raw, litres), as a site file and a setting give them."""
        raw, litres = zip(*pairs, strict=True)
        return cls(tuple(float(r) for r in raw), tuple(float(v) for v in litres))

    def litres_at(self, raw: float) -> float:
        """Litres (L) at a raw reading. Outside the ends: the end's litres, for an end is not a measurement."""
        points = self.raw
        if raw <= points[0]:
            return self.litres[0]
        if raw >= points[-1]:
            return self.litres[-1]
        right = bisect_right(points, raw)
        x0, y0 = points[right - 1], self.litres[right - 1]
        return y0 + (raw - x0) * (self.litres[right] - y0) / (points[right] - x0)

    def slope_at(self, raw: float) -> float:
        """Litres per raw unit (signed) of the line the reading lies on."""
        right = min(max(bisect_right(self.raw, raw), 1), len(self.raw) - 1)
        return (self.litres[right] - self.litres[right - 1]) / (self.raw[right] - self.raw[right - 1])

    def raw_at(self, litres: float) -> float:
        """The raw reading (curve's own unit) that stands for so many litres; held at the ends."""
        return Curve.of(sorted(zip(self.litres, self.raw, strict=True))).litres_at(litres)

    def at_an_end(self, raw: float) -> bool:
        """True where the reading stands at or beyond an end of the curve, where nothing is measured."""
        return raw <= self.raw[0] or raw >= self.raw[-1]
