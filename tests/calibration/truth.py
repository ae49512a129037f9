"""Synthetic truth: tanks with known shapes, pours with known errors, and how coverage is judged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from scipy.stats import binom

from calibration.pours import PourError, Step
from calibration.shape import Shape

ALMOST_NEVER = 1e-5  # chance that a sound fit fails a coverage test


def assert_covers(hits: int, draws: int, low: float, high: float) -> None:
    """Fails where so many hits can only come from a coverage below `low` or above `high`."""
    print(f"coverage {hits / draws:.3f} of {draws}")
    assert binom.cdf(hits, draws, low) > ALMOST_NEVER, f"{hits / draws:.3f} of {draws}: intervals too narrow"
    assert binom.sf(hits - 1, draws, high) > ALMOST_NEVER, f"{hits / draws:.3f} of {draws}: intervals too wide"


def tank(rng: Generator) -> Shape:
    """A box, maybe with a sloped floor, maybe with a ledge."""
    length, width = rng.uniform(600, 1500), rng.uniform(350, 700)
    slope = float(rng.uniform(10, 80)) if rng.random() < 0.5 else 0.0
    if rng.random() < 0.5:
        return Shape(length, width, slope)
    return Shape(length, width, slope, float(rng.uniform(80, 300)), float(length * width * rng.uniform(0.1, 0.6)))


def height_mm(shape: Shape, litres: float) -> float:
    """The height that holds so many litres, by bisection."""
    low, high = 0.0, 4000.0
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if shape.litres_at(middle) < litres else (low, middle)
    return low


def real_pours(said: np.ndarray, error: PourError, rng: Generator) -> np.ndarray:
    """What really went in where `said` was meant to."""
    own = rng.standard_normal(len(said)) * np.hypot(error.own_l, error.own_share * said)
    return said * (1.0 + error.common_share * rng.standard_normal()) + own


@dataclass
class Filling:
    """One routine on one tank: the steps as a person sees them, and the truth by raw reading."""

    shape: Shape
    steps: list[Step]
    down: bool  # the sensor looks down
    gap_mm: float

    def litres_at(self, raw: float) -> float:
        return self.shape.litres_at(self.gap_mm - raw if self.down else raw)


def filling(rng: Generator, error: PourError, down: bool = False) -> Filling:
    """An empty tank filled in 8 to 14 pours; level readings with their own error."""
    shape, gap = tank(rng), 900.0
    count = int(rng.integers(8, 15))
    said = np.full(count, round(shape.litres_at(rng.uniform(300, 500)) / count, 0))
    left = abs(rng.normal(0.0, 0.2))
    volumes = left + np.concatenate([[0.0], np.cumsum(real_pours(said, error, rng))])
    heights = np.array([height_mm(shape, v) for v in volumes])
    se = rng.uniform(0.1, 0.6)
    raw = (gap - heights if down else heights) + se * rng.standard_normal(count + 1)
    poured = [0.0, *said]
    steps = [
        Step(float(p), float(r), float(se), time=60.0 * i) for i, (p, r) in enumerate(zip(poured, raw, strict=True))
    ]
    return Filling(shape, steps, down, gap)


def emptying(rng: Generator, error: PourError) -> Filling:
    """A full tank drained in known amounts until it is empty: what was in it is known from the end."""
    shape = tank(rng)
    count = int(rng.integers(8, 15))
    full = shape.litres_at(rng.uniform(300, 500))
    said = np.full(count, round(full / count, 0))
    real = real_pours(said, error, rng)
    after = abs(rng.normal(0.0, 0.2)) + np.concatenate([np.cumsum(real[::-1])[::-1], [0.0]])
    se = rng.uniform(0.1, 0.6)
    raw = np.array([height_mm(shape, v) for v in after]) + se * rng.standard_normal(count + 1)
    drained = [0.0, *(-said)]
    return Filling(shape, [Step(float(p), float(r), float(se)) for p, r in zip(drained, raw, strict=True)], False, 0.0)
