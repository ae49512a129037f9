"""The level curve: raw reading to litres, from measured pours. Says what it knows inside its ends, nothing outside."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration import monotone
from calibration.line import Array, CannotFit, Value, around
from calibration.pours import Anchor, Points, PourError, Step, volumes
from calibration.quantile import BELIEVED_AS, Z95

FEWEST_POINTS = 4
ODD_PULL = 3.0  # a step this many standard errors from what the others say does not fit
FLOOR_SHARE = 0.08  # of the curve's litres: one that begins below this begins at the floor
CLOSE_SHARE = 0.0005  # of the whole volume: how far straight lines between the file's points may leave the curve
MOST_FILE_POINTS = 60
OVERLAP_SE = 3.0  # a level must rise by so many standard errors from pour to pour


class OutsideCurve(ValueError):
    """A reading beyond what was measured; a curve is not drawn on from there."""


@dataclass(frozen=True, slots=True)
class LevelCurve:
    """A fitted curve. `falls`: the litres fall as the raw reading rises (a sensor that looks down)."""

    raw_low: float
    raw_high: float
    falls: bool
    posterior: monotone.Posterior
    points: Points
    residuals_l: Array  # measured less curve, at the points
    loo_l: Array  # measured less what the other points say
    step_off_l: Array  # litres from the point before (by rising raw) less what all other steps say; first: 0
    step_pull: Array  # the same by its standard error
    inflated: float  # what the interval was widened by, since points scatter more than stated

    def litres_at(self, raw: float) -> Value:
        """Litres with sd and 90 % interval at a raw reading. Raises OutsideCurve beyond the measured ends."""
        litres, sd = self.at(np.array([raw]))
        return around(float(litres[0]), float(sd[0]), Z95)

    def at(self, raw: Array) -> tuple[Array, Array]:
        """(litres, sd) at raw readings (n,). Raises OutsideCurve."""
        slack = 1e-9 * (self.raw_high - self.raw_low)
        if len(raw) and not self.raw_low - slack <= raw.min() <= raw.max() <= self.raw_high + slack:
            raise OutsideCurve(
                f"reading {raw.min():g} to {raw.max():g} lies outside {self.raw_low:g}-{self.raw_high:g}, "
                "where nothing was measured; pour on to get there"
            )
        litres, sd = self.posterior.at(along(raw, self.raw_low, self.raw_high, self.falls))
        return litres, sd * self.inflated

    def rms_loo_l(self) -> float:
        """Root mean square of the leave-one-out errors of the inner points, L (an end has neighbours on one side)."""
        inner = self.loo_l[1:-1]
        return float(np.sqrt((inner**2).mean()))

    def file_points(self) -> list[list[float]]:
        """[raw, litres] pairs, raw rising, so close that straight lines between them follow the curve."""
        raw = np.linspace(self.raw_low, self.raw_high, 4 * monotone.CELLS + 1)
        litres, _ = self.at(raw)
        keep = _thin(raw, litres, CLOSE_SHARE * float(np.ptp(litres)))
        return strictly([[round(float(raw[i]), 4), round(float(litres[i]), 3)] for i in keep], self.falls)


def along(raw: Array, low: float, high: float, falls: bool) -> Array:
    """Raw readings as u from 0 to 1, litres rising with u."""
    u = np.clip((raw - low) / (high - low), 0.0, 1.0)
    return 1.0 - u if falls else u


def fit_level(steps: Sequence[Step], anchor: Anchor, error: PourError) -> LevelCurve:
    """The curve through the steps of a routine (poured or drained). Raises CannotFit.

    Readings that a person has left out are not in it; what was poured before them still counts in the volumes.
    """
    return fit_points(volumes(steps, anchor, error).at([k for k, step in enumerate(steps) if not step.left_out]))


def fit_points(points: Points, extra: tuple[Array, Array, Array] | None = None) -> LevelCurve:
    """The curve through points; `extra` is (pairs of raw (m, 2), litres (m,), covariance (m, m)): differences of
    volume between two readings, as metered additions give them. Raises CannotFit."""
    p = points.at(np.argsort(points.raw))
    _check(p)
    low, high = float(p.raw[0]), float(p.raw[-1])
    falls = bool(p.litres[-1] < p.litres[0])
    size = float(np.ptp(p.litres))
    u = along(p.raw, low, high, falls)
    slopes = np.full(len(u), size)
    posterior = None
    for _ in range(2):  # an error of the level is an error in litres by the slope, known after the first turn
        own = (slopes * p.raw_se / (high - low)) ** 2
        rows, y, cov = _observations(p, u, own, extra, low, high, falls)
        posterior = monotone.fit(rows, y, cov, size, floor=_on_floor(p))
        slopes = np.maximum(monotone.slope_rows(u) @ posterior.mean, 0.0)
    assert posterior is not None
    n = len(u)
    loo, _ = monotone.leave_one_out(posterior, np.eye(len(posterior.y)))
    off, off_sd = monotone.leave_one_out(posterior, _by_steps(n, len(posterior.y)))
    pull = off[:n] / off_sd[:n]
    residuals = p.litres - monotone.volume_rows(u) @ posterior.mean
    widened = float(np.sqrt((BELIEVED_AS + (pull**2).sum()) / (BELIEVED_AS + n)))
    return LevelCurve(low, high, falls, posterior, p, residuals, loo[:n], off[:n], pull, max(1.0, widened))


def _on_floor(p: Points) -> bool:
    return float(p.litres.min()) < FLOOR_SHARE * float(np.ptp(p.litres))


def _observations(
    p: Points, u: Array, own: Array, extra: tuple[Array, Array, Array] | None, low: float, high: float, falls: bool
) -> tuple[Array, Array, Array]:
    rows, y, cov = monotone.volume_rows(u), p.litres, p.cov + np.diag(own)
    if extra is None:
        return rows, y, cov
    pairs, litres, more = extra
    before, after = (monotone.volume_rows(along(pairs[:, i], low, high, falls)) for i in (0, 1))
    both = np.zeros((len(y) + len(litres),) * 2)
    both[: len(y), : len(y)] = cov
    both[len(y) :, len(y) :] = more
    return np.vstack([rows, after - before]), np.concatenate([y, litres]), both


def _check(p: Points) -> None:
    if len(p.raw) < FEWEST_POINTS:
        raise CannotFit(f"{len(p.raw)} settled levels; a curve takes {FEWEST_POINTS} or more, 8 to 15 are good")
    if float(np.ptp(p.raw)) <= OVERLAP_SE * float(p.raw_se.max()):
        raise CannotFit("the level has hardly moved; is the sensor in this sump?")
    turns = np.sign(np.diff(p.litres)) * np.sign(p.litres[-1] - p.litres[0])
    wrong = (turns < 0) & (np.diff(p.raw) > OVERLAP_SE * np.hypot(p.raw_se[1:], p.raw_se[:-1]))
    if np.any(wrong):
        where = int(np.argmax(wrong))
        raise CannotFit(
            f"at reading {p.raw[where + 1]:g} the level moved against the pours; leave out that step, or forget it"
        )


def _by_steps(n: int, all_of_them: int) -> Array:
    """Turns n points into the first of them and the steps from each to the next; what is no point stays as it is."""
    basis = np.eye(all_of_them)
    basis[np.arange(1, n), np.arange(n - 1)] = -1.0
    return basis


def judge_last(steps: Sequence[Step], anchor: Anchor, error: PourError) -> str | None:
    """Why the newest step does not fit those before it, or None where it does (or nobody can tell yet).

    The steps before, with the doubt that goes with drawing on from them, say what the newest should hold.
    """
    read = [k for k, step in enumerate(steps) if not step.left_out]
    if len(read) < 2:
        return None
    last, before = steps[read[-1]], steps[read[-2]]
    poured = _poured(steps, read[-2], read[-1])
    if abs(last.raw - before.raw) <= OVERLAP_SE * float(np.hypot(last.raw_se, before.raw_se)):
        return "the level has not moved; was anything poured, and is the sensor free?"
    if len(read) >= 3:
        first = steps[read[1]].raw - steps[read[0]].raw
        same = (first > 0) == (_poured(steps, read[0], read[1]) > 0)
        if ((last.raw - before.raw > 0) == (poured > 0)) != same:
            return "the level moved the wrong way; check the sign of this step, or a drain left open"
    if len(read) <= FEWEST_POINTS:
        return None
    try:
        off, sd = _ahead(steps, read, anchor, error)
    except CannotFit as why:
        return str(why)
    if abs(off) < ODD_PULL * sd:
        return None
    more = "more" if off > 0 else "fewer"
    doubt = f"{off / sd:+.1f} standard errors"
    return f"{abs(poured):g} L are {abs(off):.1f} L {more} than this step of the level should hold ({doubt})"


def _poured(steps: Sequence[Step], since: int, until: int) -> float:
    """Litres poured between two readings: those of steps left out in between count."""
    return sum(step.poured_l for step in steps[since + 1 : until + 1])


def _ahead(steps: Sequence[Step], read: Sequence[int], anchor: Anchor, error: PourError) -> tuple[float, float]:
    """Litres of the newest step less what the steps before expect of its rise (L, sd); `read`: the steps that count.
    Raises CannotFit."""
    known = len(read) - 1
    if anchor.step >= read[-1]:  # the end is not reached yet; only differences count here
        anchor = Anchor(0, sum(abs(s.poured_l) for s in steps), anchor.sd_l)
    points = volumes(steps, anchor, error).at(read)
    low, high = float(points.raw.min()), float(points.raw.max())
    falls = bool((points.litres[-1] - points.litres[0]) * (points.raw[-1] - points.raw[0]) < 0.0)
    u = along(points.raw, low, high, falls)
    size = float(np.ptp(points.litres))
    cov = points.cov + np.diag((size * points.raw_se / (high - low)) ** 2)
    basis = monotone.volume_rows(u)
    before = monotone.fit(basis[:known], points.litres[:known], cov[:known, :known], size, floor=_on_floor(points))
    rise = basis[known] - basis[known - 1]
    own = np.hypot(error.own_l, error.own_share * _poured(steps, read[-2], read[-1]))
    level = size / (high - low) * steps[-1].raw_se
    sd = float(np.sqrt(rise @ before.cov @ rise + own**2 + level**2))
    expected = float(rise @ before.mean)
    return float(points.litres[known] - points.litres[known - 1]) - expected, sd


def odd_points(curve: LevelCurve) -> list[int]:
    """Indices (by rising raw) of points whose step from the point before does not fit all the other steps."""
    return [i for i, pull in enumerate(curve.step_pull) if abs(pull) > ODD_PULL]


def strictly(points: list[list[float]], falls: bool) -> list[list[float]]:
    """Points whose litres all rise or all fall, none below 0: what rounding made equal is left out."""
    found: list[list[float]] = []
    for raw, litres in points:
        here = max(0.0, litres)
        if found and (here >= found[-1][1] if falls else here <= found[-1][1]):
            continue
        found.append([raw, here])
    return found


def shifted(points: Sequence[Sequence[float]], by_raw: float) -> list[list[float]]:
    """The same curve for a sensor whose zero has moved by `by_raw`."""
    return [[round(raw + by_raw, 4), litres] for raw, litres in points]


def _thin(raw: Array, litres: Array, close: float) -> list[int]:
    """Indices to keep: greedily the farthest point from the lines so far, until all are close."""
    keep = [0, len(raw) - 1]
    while len(keep) < MOST_FILE_POINTS:
        off = np.abs(litres - np.interp(raw, raw[keep], litres[keep]))
        if float(off.max()) <= close:
            break
        keep = sorted([*keep, int(off.argmax())])
    return keep
