"""A smooth monotone curve through points with correlated errors, with its interval.

The slope is a random walk along the level (a penalised quadratic spline: the penalty is on how the slope changes), its
liveliness λ weighed by the marginal likelihood rather than chosen; all is Gaussian, so that the interval comes with it
(Wahba, J. R. Statist. Soc. B 45, 133, 1983; Rasmussen and Williams, Gaussian Processes, 2.7 and 5.4). Where the mean
would fall anywhere, it is replaced by the nearest curve that does not (non-negative least squares, Lawson and Hanson).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calibration.line import Array, CannotFit

CELLS = 40  # knots of the slope along the curve: finer than a dozen pours can tell
LIVELY = (0.03, 0.06, 0.12, 0.25, 0.5, 1.0, 2.0)  # sd of the slope's change over the whole curve, in mean slopes
FLOOR_LIVELY, FLOOR_REACH = 0.7, 0.1  # extra change of the slope over a floor, and the share of the curve it takes
Flags = npt.NDArray[np.bool_]
LEAST_SLOPE = 0.02  # of the mean slope: a tank has no height at which it has no area
MOST_TURNS = 400


@dataclass(frozen=True, slots=True)
class Posterior:
    """State θ = (V at u = 0, slope at CELLS + 1 knots), u from 0 to 1 along the level; litres and L per u."""

    mean: Array
    cov: Array
    y: Array  # the observations, L
    logs: tuple[float, ...]  # restricted log likelihood of each λ
    projects: tuple[Array, ...]  # per λ: K⁻¹ less the trend's part of it, from which leaving out follows

    def at(self, u: Array) -> tuple[Array, Array]:
        """(litres, sd) at places u (n,)."""
        rows = volume_rows(u)
        return rows @ self.mean, np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", rows, self.cov, rows), 0.0))


def volume_rows(u: Array) -> Array:
    """Rows h with V(u) = h·θ for u (n,): the slope's integral, linear between knots."""
    edges = np.linspace(0.0, 1.0, CELLS + 1)
    rows = np.zeros((len(u), CELLS + 2))
    rows[:, 0] = 1.0
    width = 1.0 / CELLS
    part = np.clip((u[:, None] - edges[None, :-1]) / width, 0.0, 1.0)  # share of each cell that lies below u
    rows[:, 1:-1] += width * (part - part**2 / 2.0)
    rows[:, 2:] += width * part**2 / 2.0
    return rows


def slope_rows(u: Array) -> Array:
    """Rows with slope(u) = h·θ."""
    edges = np.linspace(0.0, 1.0, CELLS + 1)
    rows = np.zeros((len(u), CELLS + 2))
    for i, value in enumerate(u):
        k = min(int(value * CELLS), CELLS - 1)
        right = (value - edges[k]) * CELLS
        rows[i, k + 1], rows[i, k + 2] = 1.0 - right, right
    return rows


def fit(rows: Array, y: Array, cov: Array, size_l: float, floor: bool = False) -> Posterior:
    """Observations y = rows·θ (n,) with covariance cov; `size_l`: litres from end to end, roughly;
    `floor`: the curve begins at the sump's floor. Raises CannotFit."""
    ones = [solve(rows, y, cov, size_l, lively, floor) for lively in LIVELY]
    logs = np.array([one[0] for one in ones])
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    mean: Array = sum(w * m for w, (_, m, _, _) in zip(weights, ones, strict=True))
    total = np.zeros_like(ones[0][2])
    for w, (_, m, c, _) in zip(weights, ones, strict=True):
        total += w * (c + np.outer(m - mean, m - mean))
    mean = _rising(mean, total, LEAST_SLOPE * size_l)
    return Posterior(mean, total, y, tuple(one[0] for one in ones), tuple(one[3] for one in ones))


def leave_one_out(posterior: Posterior, basis: Array) -> tuple[Array, Array]:
    """(error, sd) of each observation z = basis·y by what all the others say, λ weighed without it.

    error_i = (Pz)_i / P_ii, sd_i² = 1/P_ii with P in z's basis; the likelihood of the others is that of all over that
    of z_i (Rasmussen and Williams, 5.4.2). What the others say nothing of (P_ii = 0) has error 0 and an infinite sd.
    """
    back = np.linalg.inv(basis)
    z = basis @ posterior.y
    errors, variances, logs = [], [], []
    for log, project in zip(posterior.logs, posterior.projects, strict=True):
        p = back.T @ project @ back
        own = np.diag(p).copy()
        unknown = own < 1e-9 * float(own.max())
        own[unknown] = 1.0
        error = np.where(unknown, 0.0, (p @ z) / own)
        errors.append(error)
        variances.append(np.where(unknown, np.inf, 1.0 / own))
        logs.append(log + 0.5 * error**2 * own - 0.5 * np.log(own))
    weights = np.exp(np.array(logs) - np.max(logs, axis=0))
    weights /= weights.sum(axis=0)
    mean = (weights * np.array(errors)).sum(axis=0)
    spread = (weights * (np.array(variances) + (np.array(errors) - mean) ** 2)).sum(axis=0)
    return mean, np.sqrt(spread)


def _walk(size_l: float, lively: float, floor: bool) -> Array:
    """Covariance of θ but for the first volume and slope, of which nothing is known: a random walk of the slope.

    Over a floor it walks faster: a slope of the floor or a pump well changes the area most where the first pour goes.
    """
    knots = np.linspace(0.0, 1.0, CELLS + 1)
    grown = knots * lively**2 + floor * FLOOR_LIVELY**2 * (1.0 - np.exp(-knots / FLOOR_REACH))
    prior = np.zeros((CELLS + 2, CELLS + 2))
    prior[1:, 1:] = np.minimum(grown[:, None], grown[None, :]) * size_l**2
    return prior


def solve(
    rows: Array, y: Array, cov: Array, size_l: float, lively: float, floor: bool
) -> tuple[float, Array, Array, Array]:  # fmt: skip
    """Restricted log likelihood, posterior mean and covariance, and P = K⁻¹ - K⁻¹X(XᵀK⁻¹X)⁻¹XᵀK⁻¹, for one λ.

    First volume and slope have flat priors: kriging with a trend X = rows·B, B = (1, a slope everywhere alike).
    """
    prior = _walk(size_l, lively, floor)
    base = np.zeros((CELLS + 2, 2))
    base[0, 0], base[1:, 1] = 1.0, 1.0
    gain, trend = prior @ rows.T, rows @ base
    total = rows @ gain + cov
    try:
        inverse = np.linalg.inv(total)
        information = trend.T @ inverse @ trend
        beta_cov = np.linalg.inv(information)
    except np.linalg.LinAlgError as why:
        raise CannotFit("the levels do not differ enough to draw a curve through") from why
    project = inverse - inverse @ trend @ beta_cov @ trend.T @ inverse
    beta = beta_cov @ trend.T @ inverse @ y
    pulled = project @ y
    free = base - gain @ inverse @ trend
    state_cov = prior - gain @ inverse @ gain.T + free @ beta_cov @ free.T
    log = -0.5 * float(y @ pulled + np.linalg.slogdet(total)[1] + np.linalg.slogdet(information)[1])
    return log, base @ beta + gain @ pulled, state_cov, project


def _rising(mean: Array, cov: Array, least: float) -> Array:
    """The nearest state (by its own covariance) whose slope nowhere falls below `least`."""
    if np.all(mean[1:] >= least):
        return mean
    jitter = 1e-9 * np.trace(cov) / len(cov)
    whiten = np.linalg.inv(np.linalg.cholesky(cov + jitter * np.eye(len(cov))))
    base = np.concatenate([[mean[0] - 1e3 * abs(least)], np.full(len(mean) - 1, least)])
    return base + nnls(whiten, whiten @ (mean - base))


def nnls(a: Array, b: Array) -> Array:
    """x >= 0 that minimises |a·x - b|: the active-set method of Lawson and Hanson (1974, chapter 23)."""
    x = np.zeros(a.shape[1])
    free = np.zeros(a.shape[1], dtype=bool)
    gradient = a.T @ (b - a @ x)
    tolerance = 1e-10 * float(np.abs(a.T @ b).max() + 1e-30)
    for _ in range(MOST_TURNS):
        if free.all() or gradient[~free].max() <= tolerance:
            break
        free[np.argmax(np.where(free, -np.inf, gradient))] = True
        x, free = _inside(a, b, x, free)
        gradient = a.T @ (b - a @ x)
    return x


def _inside(a: Array, b: Array, x: Array, free: Flags) -> tuple[Array, Flags]:
    """Moves x to the least squares of the free set, letting go of what would become negative on the way."""
    while True:
        wanted = np.zeros_like(x)
        wanted[free] = np.linalg.lstsq(a[:, free], b, rcond=None)[0]
        bad = free & (wanted <= 0.0)
        if not bad.any():
            return wanted, free
        step = float((x[bad] / (x[bad] - wanted[bad])).min())
        x = x + step * (wanted - x)
        free = free & (x > 1e-12)
        x = np.where(free, x, 0.0)
