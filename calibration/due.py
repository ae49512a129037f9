"""Is a calibration due? By how far checks have drifted, not by the date."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.line import Value, around, fit_line
from calibration.quantile import Z95

WEEK_S = 7 * 86_400.0
FEWEST_FOR_RATE = 3
LONGEST_WEEKS = 52.0  # a drift is not told further ahead than this
DUE, NOT_DUE, CANNOT_TELL = "due", "not_due", "cannot_tell"


@dataclass(frozen=True, slots=True)
class Check:
    """One comparison with something better: how far off at `time` (epoch s), in the reading's unit, with its sd."""

    time: float
    error: float
    sd: float


@dataclass(frozen=True, slots=True)
class Due:
    """What the checks say at a time: how far off now, how fast it moves, and whether to calibrate again."""

    state: str  # due | not_due | cannot_tell
    error: Value | None
    rate_per_week: Value | None
    weeks_left: float | None  # until the likely error reaches the tolerance; None: not within a year, or unknown
    text: str


def due(checks: Sequence[Check], tolerance: float, now: float, unit: str = "") -> Due:
    """Judges checks (any order) made since the calibration in force, by a straight line of error over time.

    Due when the error now is more likely than 95 % beyond the tolerance, or its likely value is and the checks
    leave no doubt that it is off at all. Not due when the whole 90 % interval lies within it.
    """
    rows = sorted((c for c in checks if c.time <= now), key=lambda c: c.time)
    if not rows:
        return Due(
            CANNOT_TELL,
            None,
            None,
            None,
            "no check since it was calibrated: compare it with something better",
        )
    error, rate = _line(rows, now) if len(rows) >= FEWEST_FOR_RATE and rows[-1].time > rows[0].time else _mean(rows)
    weeks = _weeks_left(error.value, rate, tolerance)
    state = _state(error, tolerance)
    return Due(state, error, rate, weeks, _text(state, error, rate, weeks, tolerance, unit))


def _mean(rows: Sequence[Check]) -> tuple[Value, Value | None]:
    weights = np.array([1.0 / c.sd**2 for c in rows])
    mean = float(weights @ np.array([c.error for c in rows]) / weights.sum())
    return around(mean, float(weights.sum() ** -0.5), Z95), None


def _line(rows: Sequence[Check], now: float) -> tuple[Value, Value | None]:
    weeks = np.array([(c.time - now) / WEEK_S for c in rows])
    y = np.array([c.error for c in rows])
    fit = fit_line(y, np.column_stack([np.ones_like(weeks), weeks]), np.diag([c.sd**2 for c in rows]))
    return fit.coefficients[0], fit.coefficients[1]


def _state(error: Value, tolerance: float) -> str:
    if error.low > tolerance or error.high < -tolerance:
        return DUE
    if abs(error.value) > tolerance and (error.low > 0.0 or error.high < 0.0):
        return DUE
    return NOT_DUE if -tolerance <= error.low and error.high <= tolerance else CANNOT_TELL


def _weeks_left(error: float, rate: Value | None, tolerance: float) -> float | None:
    """Weeks until the line reaches the tolerance on the side it moves to, where the checks show that it moves."""
    if rate is None or rate.low <= 0.0 <= rate.high:
        return None
    weeks = (tolerance - error if rate.value > 0.0 else tolerance + error) / abs(rate.value)
    return max(0.0, weeks) if weeks <= LONGEST_WEEKS else None


def _text(
    state: str, error: Value, rate: Value | None, weeks: float | None, tolerance: float, unit: str
) -> str:  # fmt: skip
    said = f"off by {error.value:+.2f} {unit} ({error.low:+.2f} to {error.high:+.2f}), allowed ±{tolerance:g}"
    if rate is not None:
        moves = "moving" if not rate.low <= 0.0 <= rate.high else "no drift shown:"
        said += f"; {moves} {rate.value:+.3f} a week ({rate.low:+.3f} to {rate.high:+.3f})"
    if state == NOT_DUE and weeks is not None:
        said += f"; due in about {weeks:.0f} weeks at this rate"
    ends = {DUE: "calibrate again", NOT_DUE: "not due", CANNOT_TELL: "cannot tell yet: check once more"}
    return f"{said}: {ends[state]}"
