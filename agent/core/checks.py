"""Companion readings of a sump: what is measured beside strength, and where good ends.

The limits are trade practice (public guidance where it exists), defaults that an engineer may change: they colour a
figure and never decide anything.
"""

from __future__ import annotations

from dataclasses import dataclass

GOOD, LOOK, ACT = "good", "look", "act"


@dataclass(frozen=True, slots=True)
class Check:
    """One kind of check: its unit, what a person may sensibly type, and from where on to look or to act."""

    unit: str
    least: float
    most: float
    look_from: float | None = None  # a value at or above this deserves a look
    act_above: float | None = None  # a value above this needs an act


CHECKS = {
    "ph": Check("", 2.0, 13.0),
    "tramp_oil": Check("%", 0.0, 50.0, 1.0, 2.0),
    "dip_slide": Check("CFU/mL", 0.0, 1e9, 1e4, 999_999.9),  # 1e6 and more is for at once
    "hardness": Check("ppm", 0.0, 5_000.0, 300.0, 450.0),
    "nitrite": Check("mg/L", 0.0, 1_000.0, 10.0, 20.0),
    "nitrate": Check("mg/L", 0.0, 2_000.0, 25.0, 50.0),
    "conductivity": Check("mS/cm", 0.0, 100.0),
}
PH_GOOD = (8.5, 9.5)
PH_ACT = (8.0, 9.8)  # below: growth; above: skin
PH_FELL_LOOK, PH_FELL_ACT = 0.3, 0.5  # below the first fill


def grade(name: str, value: float, first_fill: float | None = None) -> str | None:
    """GOOD, LOOK or ACT; None where no limit is known. `first_fill` is the same check's value of the new charge."""
    if name == "ph":
        return _grade_ph(value, first_fill)
    check = CHECKS[name]
    if check.look_from is None or check.act_above is None:
        return None
    return ACT if value > check.act_above else LOOK if value >= check.look_from else GOOD


def _grade_ph(value: float, first_fill: float | None) -> str:
    fell = 0.0 if first_fill is None else round(first_fill - value, 6)
    if not PH_ACT[0] <= value <= PH_ACT[1] or fell > PH_FELL_ACT:
        return ACT
    return GOOD if PH_GOOD[0] <= value <= PH_GOOD[1] and fell <= PH_FELL_LOOK else LOOK
