"""Straight lines with errors in both variables: the one regression that every strength and meter fit uses."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import Any

import numpy as np
import numpy.typing as npt

from calibration.quantile import scale_and_width

Array = npt.NDArray[Any]  # of float64 throughout
MOST_TURNS = 60
CLOSE_ENOUGH = 1e-10


class CannotFit(ValueError):
    """The data do not determine what was asked; the text says what lacks."""


@dataclass(frozen=True, slots=True)
class Value:
    """A fitted number with its standard error and 90 % interval, all in the same unit."""

    value: float
    sd: float
    low: float
    high: float

    def __post_init__(self) -> None:
        if not all(map(isfinite, (self.value, self.sd, self.low, self.high))):
            raise CannotFit("what was given leads to no number: look for a reading that is none")

    def z(self, other: float = 0.0) -> float:
        """How many standard errors it lies above `other`."""
        return (self.value - other) / self.sd


@dataclass(frozen=True, slots=True)
class LineFit:
    """coefficients[j] belongs to column j of X; residuals in the unit of y."""

    coefficients: tuple[Value, ...]
    covariance: Array  # of the coefficients, scaled as the intervals are
    residuals: Array
    pulls: Array  # residuals by their own stated standard error
    width: float  # half a 90 % interval in standard errors
    scale: float  # what the stated errors had to be multiplied with


def fit_line(y: Array, x: Array, cov_y: Array, cov_x: Array | None = None, noisy: int = 0) -> LineFit:
    """Fits y = X·β with errors in y and in column `noisy` of X.

    y (n,), x (n, p), cov_y and cov_x (n, n) covariances of y and of that column. The maximum likelihood of the
    functional model: (X̂ᵀWX)β = X̂ᵀWy with W = (Σy + β²Σx)⁻¹ and the column's best true values x̂ = x + βΣxWr (York et
    al., Am. J. Phys. 72, 367, 2004, here with full covariances). Without cov_x it is generalised least squares. A fit
    that took plain effective weights would lean towards zero. Raises CannotFit.
    """
    n, p = x.shape
    if n < p or np.linalg.matrix_rank(x) < p:
        raise CannotFit(f"{n} readings do not determine {p} numbers; take more, further apart")
    beta, w, better = _solve(y, x, cov_y, np.zeros_like(cov_y) if cov_x is None else cov_x, noisy)
    residuals = y - x @ beta
    chi2, dof = float(residuals @ w @ residuals), n - p
    scale, width = scale_and_width(chi2, dof)
    covariance = scale**2 * np.linalg.inv(better.T @ w @ better)
    sds = np.sqrt(np.diag(covariance))
    values = tuple(around(float(b), float(s), width) for b, s in zip(beta, sds, strict=True))
    pulls = residuals / np.sqrt(np.diag(np.linalg.inv(w)))
    return LineFit(values, covariance, residuals, pulls, width, scale)


def around(value: float, sd: float, width: float) -> Value:
    """A value with `width` standard errors to each side."""
    return Value(value, sd, value - width * sd, value + width * sd)


def _solve(y: Array, x: Array, cov_y: Array, cov_x: Array, noisy: int) -> tuple[Array, Array, Array]:
    beta: Array = np.linalg.lstsq(x, y, rcond=None)[0]
    for _ in range(MOST_TURNS):
        slope = beta[noisy]
        w: Array = np.linalg.inv(cov_y + slope**2 * cov_x)
        better = x.copy()
        better[:, noisy] += slope * cov_x @ w @ (y - x @ beta)
        new: Array = np.linalg.solve(better.T @ w @ x, better.T @ w @ y)
        if np.allclose(new, beta, rtol=CLOSE_ENOUGH, atol=1e-14):
            return new, w, better
        beta = new
    raise CannotFit("the errors are larger than what they are errors of; take readings further apart")
