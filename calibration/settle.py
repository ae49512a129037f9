"""Has a level settled? From readings since something was poured, and nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.line import Array

WINDOW_S = 60.0  # a pour's waves die out in some 20 s; a minute averages a noisy sensor ten times over
FEWEST = 6
COVERED = 0.75  # share of the window that readings must span
MOVES_SE = 3.0  # the two halves of the window may differ by this many standard errors
TO_SD = 1.4826  # median absolute deviation to standard deviation of a normal
HALF_OF_STEP = 1.0 / 12.0**0.5  # sd of a rounded number, in steps


@dataclass(frozen=True, slots=True)
class Settled:
    """A level at rest, in the sensor's unit: the mean, the spread of single readings, the mean's standard error."""

    raw: float
    spread: float
    se: float
    readings: int
    start: float  # epoch s
    end: float


@dataclass(frozen=True, slots=True)
class Moving:
    """Not yet, and why."""

    reason: str
    waited_s: float


def settled(readings: Sequence[tuple[float, float]], after: float, window_s: float = WINDOW_S) -> Settled | Moving:
    """Judges readings (epoch s, raw) that came after `after` (epoch s), by the newest `window_s` of them.

    At rest when the medians of the window's halves agree within MOVES_SE standard errors. The mean leaves out what
    lies 4 robust standard deviations away (a drop, a wave).
    """
    rows = [(t, x) for t, x in sorted(readings) if t > after]
    if len(rows) < FEWEST:
        return Moving("waiting for readings", rows[-1][0] - after if rows else 0.0)
    end = rows[-1][0]
    rows = [(t, x) for t, x in rows if t > end - window_s]
    waited = end - after
    if len(rows) < FEWEST or rows[-1][0] - rows[0][0] < COVERED * window_s:
        return Moving(f"{waited:.0f} s of {window_s:.0f} s read", waited)
    x = np.array([value for _, value in rows])
    half = len(x) // 2
    early, late = x[:half], x[half:]
    noise = spread_of(late)  # the early half may still hold the movement itself
    moved = float(np.median(late) - np.median(early))
    if abs(moved) > max(MOVES_SE * noise * 1.25 * 2.0 / len(x) ** 0.5, _step(x)):
        return Moving(f"still moving, {moved:+.2f} in {window_s / 2:.0f} s", waited)
    return _mean(x, noise, moved, rows[0][0], end)


def _mean(x: Array, noise: float, moved: float, start: float, end: float) -> Settled:
    near = x[np.abs(x - np.median(x)) <= max(4.0 * noise, _step(x))]
    spread = float(near.std(ddof=1)) if len(near) > 1 else 0.0
    rounding = _step(x) * HALF_OF_STEP if spread < 0.5 * _step(x) or spread == 0.0 else 0.0
    se = float(np.sqrt(spread**2 / len(near) + rounding**2 + (moved / 4.0) ** 2))
    return Settled(float(near.mean()), spread, se, len(near), start, end)


def spread_of(x: Array) -> float:
    """Standard deviation by the median distance from the median, which a few wild readings do not move."""
    return TO_SD * float(np.median(np.abs(x - np.median(x)))) or float(x.std())


def _step(x: Array) -> float:
    """The sensor's last digit as the readings show it: the smallest difference between two that differ."""
    different = np.unique(x)
    return float(np.diff(different).min()) if len(different) > 1 else 0.0
