"""An inline refractometer against hand readings: offset, slope, temperature, and its drift. All in Brix."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.due import Check
from calibration.line import Array, CannotFit, LineFit, Value, fit_line
from calibration.strength import BRIX_SD, REFERENCE_C

FEWEST = 4
INLINE_SD = 0.1  # mean of a settled minute, clean window (trade: 0.1-0.2 a sample)
SPREAD_FOR_SLOPE = 4.0  # hand readings must spread by this many of their own sd before a slope is fitted
SPREAD_FOR_K = 4.0  # K of sd in temperature, likewise


@dataclass(frozen=True, slots=True)
class Pair:
    """What both read of the same fluid at `time` (epoch s); temperature in °C where known."""

    time: float
    inline: float
    hand: float
    temperature_c: float | None = None


@dataclass(frozen=True, slots=True)
class ProbeFit:
    """inline = offset + slope·hand + per_k·(T - 20 °C); what was not fitted is None (slope 1)."""

    offset: Value
    slope: Value | None
    per_k: Value | None
    fit: LineFit

    @property
    def slope_or_1(self) -> float:
        return 1.0 if self.slope is None else self.slope.value

    def as_hand(self, inline: float) -> float:
        """What a hand reading at 20 °C would say (Brix) where the probe reads `inline`."""
        return (inline - self.offset.value) / self.slope_or_1

    def parts(self) -> dict[str, Value]:
        """What was fitted, by the names that a document gives it."""
        named = {"offset_brix": self.offset, "slope": self.slope, "per_k": self.per_k}
        return {name: value for name, value in named.items() if value is not None}


def fit_probe(pairs: Sequence[Pair], inline_sd: float = INLINE_SD, hand_sd: float = BRIX_SD) -> ProbeFit:
    """Fits what the pairs can tell, and no more. Raises CannotFit below FEWEST pairs.

    A slope takes hand readings that spread, a temperature term temperatures that do; otherwise slope is 1 and the
    term is left out. Errors in both (see `fit_line`).
    """
    rows = sorted(pairs, key=lambda p: p.time)
    if len(rows) < FEWEST:
        raise CannotFit(f"{len(rows)} pairs of inline and hand readings; take {FEWEST} or more")
    hand = np.array([p.hand for p in rows])
    inline = np.array([p.inline for p in rows])
    names, columns = _columns(rows, hand, hand_sd)
    if len(rows) <= len(columns):
        raise CannotFit(f"{len(rows)} pairs for {len(columns)} numbers; take more")
    fit = _fit(names, columns, inline, hand, inline_sd, hand_sd)
    found = dict(zip(names, fit.coefficients, strict=True))
    return ProbeFit(found["offset"], found.get("hand"), found.get("kelvin"), fit)


def _columns(rows: Sequence[Pair], hand: Array, hand_sd: float) -> tuple[list[str], list[Array]]:
    names: list[str] = ["offset"]
    columns: list[Array] = [np.ones(len(rows))]
    if float(hand.std()) > SPREAD_FOR_SLOPE * hand_sd:
        names, columns = [*names, "hand"], [*columns, hand]
    known = [p.temperature_c for p in rows]
    if all(t is not None for t in known):
        kelvin = np.array([float(t or 0.0) for t in known]) - REFERENCE_C
        if float(kelvin.std()) > SPREAD_FOR_K:
            names, columns = [*names, "kelvin"], [*columns, kelvin]
    return names, columns


def _fit(
    names: list[str], columns: list[Array], inline: Array, hand: Array, inline_sd: float, hand_sd: float
) -> LineFit:
    n = len(inline)
    x = np.column_stack(columns)
    if "hand" in names:
        cov = np.eye(n)
        return fit_line(inline, x, cov * inline_sd**2, cov * hand_sd**2, names.index("hand"))
    return fit_line(inline - hand, x, np.eye(n) * (inline_sd**2 + hand_sd**2))


def drift(pairs: Sequence[Pair], inline_sd: float = INLINE_SD, hand_sd: float = BRIX_SD) -> list[Check]:
    """How far the probe read above the hand at each pair, oldest first."""
    sd = float(np.hypot(inline_sd, hand_sd))
    return [Check(p.time, p.inline - p.hand, sd) for p in sorted(pairs, key=lambda p: p.time)]
