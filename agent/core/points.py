"""What makes a list of points a level curve: one rule for site file, curve files and `setting` records."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

Points = tuple[tuple[float, float], ...]
_MOST = 1.7976931348623157e308  # the largest float: a comparison copes with NaN, infinities and long integers


def is_number(value: object) -> bool:
    """A finite int or float; a bool is none."""
    return isinstance(value, int | float) and not isinstance(value, bool) and -_MOST <= value <= _MOST


def curve_faults(points: object) -> list[tuple[str, str]]:
    """What is wrong with points [[raw, litres], ...], as (place, words) pairs; [] when they are a curve.

    Place is "" for the whole or "[i]" for the point of index i. A curve has two points or more, raw readings
    that rise from point to point, and litres that either rise throughout or fall throughout (a sensor that
    looks down).
    """
    if not isinstance(points, list | tuple):
        return [("", "must be a list of [raw reading, litres] points")]
    if len(points) < 2:
        return [("", f"has {len(points)} points; a curve needs at least 2")]
    broken = [(f"[{i}]", f"is {_short(p)}; write [raw reading, litres]") for i, p in enumerate(points) if not _pair(p)]
    return broken or _negative(points) + _order(points)


def as_points(points: object) -> Points:
    """The points as float pairs. Raises ValueError with the first fault where they are no curve."""
    faults = curve_faults(points)
    if faults:
        raise ValueError("curve" + faults[0][0] + " " + faults[0][1])
    assert isinstance(points, list | tuple)
    return tuple((float(raw), float(litres)) for raw, litres in points)


def _pair(point: object) -> bool:
    return isinstance(point, list | tuple) and len(point) == 2 and all(is_number(x) for x in point)


def _short(point: object) -> str:
    text = repr(point)
    return text if len(text) <= 40 else text[:37] + "..."


def _negative(points: Sequence[Sequence[float]]) -> list[tuple[str, str]]:
    text = "has {:g} L; litres cannot be negative"
    return [(f"[{i}]", text.format(p[1])) for i, p in enumerate(points) if p[1] < 0]


def _order(points: Sequence[Sequence[float]]) -> list[tuple[str, str]]:
    falls = points[-1][1] < points[0][1]
    faults = []
    for i, ((raw, litres), (next_raw, next_litres)) in enumerate(pairwise(points), 1):
        if next_raw <= raw:
            text = f"has raw {next_raw:g} after {raw:g}; give the points by rising raw reading, each once"
            faults.append((f"[{i}]", text))
        if (next_litres >= litres) if falls else (next_litres <= litres):
            text = f"has {next_litres:g} L after {litres:g} L; litres must rise throughout or fall throughout"
            faults.append((f"[{i}]", text + ", so measure this point again"))
    return faults
