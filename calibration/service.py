"""A curve in service: checked at one point by a dip stick, and bent by what metered additions show over time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.level import LevelCurve, fit_points, shifted, strictly
from calibration.line import Array, CannotFit, Value, around
from calibration.pours import Points
from calibration.quantile import Z95

SAID_SHARE = 0.01  # 1 sd of a curve whose own points say nothing of their error, as a share of its volume
OFF_PULL = 2.0  # standard errors from which a change is proposed
FEWEST_ADDITIONS = 5
LEAST_RISE_SE = 5.0  # an addition must raise the level by so many standard errors to say anything
JOINT_SHARE = 0.1  # correlation length of an unstated curve's error, as a share of its length

Pairs = Sequence[Sequence[float]]


@dataclass(frozen=True, slots=True)
class Change:
    """What a check says of a curve: `points` is the curve proposed (the old one where nothing is)."""

    propose: bool
    points: list[list[float]]
    off: Value
    unit: str
    text: str


def by_dip_stick(curve: Pairs, raw: float, raw_se: float, dip_raw: float, dip_sd: float) -> Change:
    """Sensor against a dip stick held beside it; both in the curve's raw unit. Proposes the curve for a moved zero.

    One point cannot tell a moved zero from another slope; sensors' zeros move (trade: 1-3 mm a month), so the whole
    curve is shifted along the level. Raises CannotFit where the reading lies outside the curve.
    """
    if not curve[0][0] <= raw <= curve[-1][0] or not curve[0][0] <= dip_raw <= curve[-1][0]:
        raise CannotFit(f"reading {raw:g} or dip {dip_raw:g} lies outside the curve; check where it was measured")
    off = around(raw - dip_raw, float(np.hypot(raw_se, dip_sd)), Z95)
    litres = [p[1] for p in curve]
    readings = [p[0] for p in curve]
    wrong_l = float(np.interp(raw, readings, litres) - np.interp(dip_raw, readings, litres))
    said = f"the sensor reads {off.value:+.1f} ({off.low:+.1f} to {off.high:+.1f}) against the stick, {wrong_l:+.1f} L"
    if abs(off.z()) < OFF_PULL:
        return Change(False, [list(p) for p in curve], off, "raw", f"{said}: agrees, nothing to change")
    return Change(True, shifted(curve, off.value), off, "raw", f"{said}: the zero has moved")


def by_litres(curve: Pairs, raw: float, raw_se: float, litres: float, litres_sd: float) -> Change:
    """Sensor against a stick marked in litres: the shift of zero that puts the curve through the point."""
    readings, volumes = [p[0] for p in curve], [p[1] for p in curve]
    up = volumes[-1] > volumes[0]
    if not min(volumes) <= litres <= max(volumes):
        raise CannotFit(f"{litres:g} L lies outside the curve, {min(volumes):g}-{max(volumes):g} L")
    pairs = (volumes, readings) if up else (volumes[::-1], readings[::-1])
    dip_raw = float(np.interp(litres, *pairs))
    above, below = min(litres + 1.0, max(volumes)), max(litres - 1.0, min(volumes))
    raw_per_l = abs(float(np.interp(above, *pairs) - np.interp(below, *pairs))) / (above - below)
    return by_dip_stick(curve, raw, raw_se, dip_raw, raw_per_l * litres_sd)


@dataclass(frozen=True, slots=True)
class Addition:
    """A metered addition: rest readings before and after (raw, with standard error) and litres with their sd."""

    time: float  # epoch s, its end
    before: float
    after: float
    raw_se: float
    litres: float
    litres_sd: float


@dataclass(frozen=True, slots=True)
class Learned:
    """What metered additions say: the curve they bend to, what they read on it, and on the old one."""

    change: Change
    curve: LevelCurve
    old_off_l: Array  # litres by the old curve less metered, an addition each
    new_off_l: Array


def by_additions(curve: Pairs, additions: Sequence[Addition], points: Points | None, common_share: float) -> Learned:
    """Bends a curve by metered additions. `points`: what the curve was measured from, if its file says; else its own
    points are believed within SAID_SHARE of its volume. `common_share`: the meter's own error. Raises CannotFit.

    An addition measures a difference, V(after) - V(before): its error holds the level's, by the slope. What all have
    in common (the meter's factor) is one error, not many.
    """
    low, high = curve[0][0], curve[-1][0]
    used = [a for a in additions if low <= a.before <= high and low <= a.after <= high]
    used = [a for a in used if abs(a.after - a.before) > LEAST_RISE_SE * a.raw_se]
    if len(used) < FEWEST_ADDITIONS:
        raise CannotFit(f"{len(used)} metered additions of use; {FEWEST_ADDITIONS} or more are needed")
    litres = np.array([a.litres for a in used])
    pairs = np.array([[a.before, a.after] for a in used])
    cov = _cov(used, curve, common_share)
    bent = fit_points(points or _as_points(curve), (pairs, litres, cov))
    old = _rise(curve, pairs) - litres
    new = _rise(bent.file_points(), pairs) - litres
    return Learned(_judge(curve, bent, old, cov), bent, old, new)


def _cov(used: Sequence[Addition], curve: Pairs, common_share: float) -> Array:
    litres = np.array([a.litres for a in used])
    slope = abs(curve[-1][1] - curve[0][1]) / (curve[-1][0] - curve[0][0])
    own = [a.litres_sd**2 + 2.0 * (slope * a.raw_se) ** 2 for a in used]
    return np.diag(own) + np.outer(litres, litres) * common_share**2


def _rise(curve: Pairs, pairs: Array) -> Array:
    raw, litres = np.array([p[0] for p in curve]), np.array([p[1] for p in curve])
    return np.asarray(np.interp(pairs[:, 1], raw, litres) - np.interp(pairs[:, 0], raw, litres), float)


def _judge(curve: Pairs, bent: LevelCurve, old: Array, cov: Array) -> Change:
    """Proposes the bent curve where the additions, taken together, do not fit the old one."""
    inverse = np.linalg.inv(cov)
    ones = np.ones(len(old))
    mean = float(ones @ inverse @ old) / float(ones @ inverse @ ones)
    off = around(mean, float((ones @ inverse @ ones) ** -0.5), Z95)
    chi2 = float(old @ inverse @ old)
    beyond = len(old) + 2.0 * float((2.0 * len(old)) ** 0.5)  # mean of χ² and two of its standard deviations
    said = f"{len(old)} additions read {off.value:+.2f} L ({off.low:+.2f} to {off.high:+.2f}) more than metered, each"
    if chi2 < beyond and abs(off.z()) < OFF_PULL:
        return Change(False, [list(p) for p in curve], off, "L", f"{said}: agrees, nothing to change")
    return Change(True, strictly(bent.file_points(), bent.falls), off, "L", f"{said}: the curve should bend")


def _as_points(curve: Pairs) -> Points:
    """A bare curve as points with a believed error: neighbouring points are wrong together."""
    raw, litres = np.array([p[0] for p in curve]), np.array([p[1] for p in curve])
    if len(raw) < 4:  # straight lines between few points: say so at more places, the error being the same
        more = np.linspace(raw[0], raw[-1], 5)
        raw, litres = more, np.interp(more, raw, litres)
    apart = np.abs(raw[:, None] - raw[None, :]) / (JOINT_SHARE * (raw[-1] - raw[0]))
    sd = SAID_SHARE * float(np.ptp(litres))
    return Points(raw, np.zeros_like(raw), litres, sd**2 * np.exp(-apart) + 1e-6 * sd**2 * np.eye(len(raw)))
