"""What the calibration page draws: curves and drifts as places in a picture. The mathematics are the calibration's."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from calibration.due import WEEK_S, Check, Due
from calibration.level import LevelCurve
from dashboards.show import NINE_IN_TEN_SD

WIDTH, HEIGHT = 640.0, 300.0
LINE_POINTS = 60
Spot = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Picture:
    """A line with its band and its measured points, in a picture of WIDTH × HEIGHT; the ends of both scales as text."""

    line: str
    band: str
    points: tuple[Spot, ...]
    odd: tuple[Spot, ...]
    x_ends: tuple[str, str]
    y_ends: tuple[str, str]
    zero_y: float | None = None
    allowed: tuple[float, float] | None = None  # y of the tolerance, upper and lower edge


@dataclass(frozen=True, slots=True)
class Scale:
    """A stretch of a number on a stretch of the picture."""

    low: float
    high: float
    length: float

    def at(self, value: float) -> float:
        return round((value - self.low) / ((self.high - self.low) or 1.0) * self.length, 1)


def level_picture(curve: LevelCurve, volume: Callable[[float], str], odd: Sequence[int]) -> Picture:
    """The curve, its 90 % interval and the steps; raw to the right, litres up."""
    raw = np.linspace(curve.raw_low, curve.raw_high, LINE_POINTS)
    litres, sd = curve.at(raw)
    half = NINE_IN_TEN_SD * sd
    top = float(max((litres + half).max(), curve.points.litres.max()))
    x, y = Scale(curve.raw_low, curve.raw_high, WIDTH), Scale(min(0.0, float((litres - half).min())), top, HEIGHT)
    spots = [(x.at(r), _up(y, v)) for r, v in zip(curve.points.raw, curve.points.litres, strict=True)]
    return Picture(
        _path([(x.at(r), _up(y, v)) for r, v in zip(raw, litres, strict=True)]),
        _band(x, y, raw, litres - half, litres + half),
        tuple(s for i, s in enumerate(spots) if i not in odd), tuple(s for i, s in enumerate(spots) if i in odd),
        (f"{curve.raw_low:.0f}", f"{curve.raw_high:.0f}"), (volume(max(0.0, y.low)), volume(top)),
    )  # fmt: skip


def drift_picture(
    checks: Sequence[Check], told: Due, tolerance: float, now: float, day: Callable[[float], str]
) -> Picture | None:
    """How far the probe was off at each check, with the tolerance and the drift as it is now; None without checks."""
    if len(checks) < 2:
        return None
    most = max([1.3 * tolerance, *(abs(c.error) + c.sd for c in checks)])
    x, y = Scale(checks[0].time, now, WIDTH), Scale(-most, most, HEIGHT)
    line = ""
    if told.error is not None and told.rate_per_week is not None:
        weeks = (checks[0].time - now) / WEEK_S
        first = told.error.value + told.rate_per_week.value * weeks
        line = _path([(0.0, _up(y, _held(first, most))), (WIDTH, _up(y, _held(told.error.value, most)))])
    spots = [(x.at(c.time), _up(y, c.error)) for c in checks]
    inside = tuple(s for s, c in zip(spots, checks, strict=True) if abs(c.error) <= tolerance)
    outside = tuple(s for s, c in zip(spots, checks, strict=True) if abs(c.error) > tolerance)
    return Picture(
        line, "", inside, outside, (day(checks[0].time), day(now)), (f"{-most:.1f}", f"{most:.1f}"),
        _up(y, 0.0), (_up(y, tolerance), _up(y, -tolerance)),
    )  # fmt: skip


def _held(value: float, most: float) -> float:
    return max(-most, min(most, value))


def _up(y: Scale, value: float) -> float:
    return round(HEIGHT - y.at(float(value)), 1)


def _path(spots: Sequence[Spot]) -> str:
    return " ".join(f"{x},{y}" for x, y in spots)


def _band(x: Scale, y: Scale, raw: Any, low: Any, high: Any) -> str:
    upper = [(x.at(r), _up(y, v)) for r, v in zip(raw, high, strict=True)]
    lower = [(x.at(r), _up(y, v)) for r, v in zip(raw, low, strict=True)]
    return _path([*upper, *reversed(lower)])
