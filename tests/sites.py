"""Site files for tests, as people write them: the head, and a table a sump. What a test is about, it says itself."""

from __future__ import annotations

CURVE = "[[0.0, 0.0], [120.5, 118.0], [310.0, 340.0], [380.0, 421.0]]"


def head(*lines: str) -> str:
    """The shop itself, with further lines of its table."""
    return "\n".join(["[site]", 'name = "Harrow Lane Gearworks"', 'timezone = "Europe/Vienna"', *lines, ""])


def sump(
    id: str = "mill-2",
    marks_l: tuple[float, float, float] = (240.0, 340.0, 360.0),
    curve: str = CURVE,
    band_pct: tuple[float, float, float] = (6.0, 7.0, 8.4),
    factor: float = 1.5,
    makeup_pct: tuple[float, float, float] = (1.5, 2.5, 14.0),
) -> str:
    """One sump. Marks: low, full, high; band: low, target, high; makeup: leanest, usual, richest."""
    return f"""
[[sump]]
id = "{id}"
name = "{id.replace("-", " ").capitalize()}"
low_l = {marks_l[0]}
full_l = {marks_l[1]}
high_l = {marks_l[2]}
[sump.fluid]
low_pct = {band_pct[0]}
target_pct = {band_pct[1]}
high_pct = {band_pct[2]}
refractometer_factor = {factor}
[sump.makeup]
leanest_pct = {makeup_pct[0]}
usual_pct = {makeup_pct[1]}
richest_pct = {makeup_pct[2]}
[sump.level]
curve = {curve}
"""
