"""What was poured or drained, step by step, as volumes in the sump with the errors that add up on the way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.line import Array, CannotFit


@dataclass(frozen=True, slots=True)
class PourError:
    """How wrong one measured pour is: own_l + own_share, anew each time; common_share, the same in all (1 sd each)."""

    own_l: float = 0.1
    own_share: float = 0.01
    common_share: float = 0.01


PAIL = PourError(0.1, 0.01, 0.01)  # a marked pail read at its mark (a jug of a bucket's size: 10 times that)
SCALES = PourError(0.02, 0.0, 0.003)  # pail weighed before and after, density of water
METER = PourError(0.05, 0.003, 0.01)  # a flow meter of the usual class, not yet checked
ERRORS = {"pail": PAIL, "scales": SCALES, "meter": METER}


def error_of(poured_with: str) -> PourError:
    """The error of a way to measure litres. Raises CannotFit."""
    if poured_with not in ERRORS:
        raise CannotFit(f"measured with {poured_with!r}? known are {', '.join(ERRORS)}")
    return ERRORS[poured_with]


@dataclass(frozen=True, slots=True)
class Step:
    """One step: litres poured in (drained: negative) before this reading, and the level that settled then.

    The first step has 0 L: the level that the routine began at. `raw` and `raw_se` in the sensor's unit.
    """

    poured_l: float
    raw: float
    raw_se: float
    spread: float = 0.0
    time: float = 0.0  # epoch s
    said: str = ""
    left_out: str = ""  # why a person left this reading out of the fit; what was poured counts all the same


@dataclass(frozen=True, slots=True)
class Anchor:
    """Which step's volume is known beside the pours: its index, litres and their sd (an empty sump: 0 L)."""

    step: int = 0
    volume_l: float = 0.0
    sd_l: float = 0.2  # what stays in the corners of an "empty" sump


@dataclass(frozen=True, slots=True)
class Points:
    """raw (n,), its standard errors (n,), litres (n,) in the sump and their covariance (n, n) in L²."""

    raw: Array
    raw_se: Array
    litres: Array
    cov: Array

    def at(self, places: Sequence[int] | Array) -> Points:
        """Those of them, in that order."""
        i = np.asarray(places, dtype=int)
        return Points(self.raw[i], self.raw_se[i], self.litres[i], self.cov[np.ix_(i, i)])


def volumes(steps: Sequence[Step], anchor: Anchor, error: PourError) -> Points:
    """Volumes in the sump at each step, counted from the anchor both ways, with their covariance.

    V_k = A + Σ of the pours between the anchor and k. Own errors are shared by all points behind them (a running
    sum), the common one grows with the distance from the anchor. Raises CannotFit.
    """
    n = len(steps)
    if not 0 <= anchor.step < n:
        raise CannotFit("no step was read whose volume is known")
    poured = np.array([s.poured_l for s in steps])
    counts = _between(n, anchor.step)
    litres = anchor.volume_l + counts @ poured
    own = (error.own_l * (poured != 0.0)) ** 2 + (error.own_share * poured) ** 2
    away = counts @ poured
    cov = counts @ np.diag(own) @ counts.T + np.outer(away, away) * error.common_share**2 + anchor.sd_l**2
    if np.any(litres < -3.0 * np.sqrt(np.diag(cov))):
        raise CannotFit(
            f"more was taken out than was in: {litres.min():.1f} L; see the steps, and what was in at first"
        )
    return Points(np.array([s.raw for s in steps]), np.array([s.raw_se for s in steps]), litres, cov)


def _between(n: int, anchor: int) -> Array:
    """counts[k, j]: how pour j counts in the volume of point k (+1 behind the anchor, -1 before it)."""
    k, j = np.indices((n, n))
    counts: Array = ((j > anchor) & (j <= k)).astype(float) - ((j > k) & (j <= anchor)).astype(float)
    return counts
