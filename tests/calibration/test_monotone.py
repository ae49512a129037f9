"""The spline's arithmetic against other ways to compute it."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.random import Generator
from scipy import optimize, stats

from calibration import monotone
from calibration.quantile import t95


def test_rows_integrate_the_slope() -> None:
    state = np.concatenate([[5.0], np.linspace(0.0, 2.0, monotone.CELLS + 1)])
    u = np.linspace(0.0, 1.0, 33)
    assert monotone.volume_rows(u) @ state == pytest.approx(5.0 + u**2)  # slope 2u
    assert monotone.slope_rows(u) @ state == pytest.approx(2.0 * u)


def test_non_negative_least_squares_is_scipy_s(rng: Generator) -> None:
    for _ in range(20):
        a, b = rng.normal(size=(15, 9)), rng.normal(size=15)
        assert monotone.nnls(a, b) == pytest.approx(optimize.nnls(a, b)[0], abs=1e-8)


def test_a_straight_tank_measured_exactly_is_a_straight_line() -> None:
    u = np.linspace(0.0, 1.0, 9)
    found = monotone.fit(monotone.volume_rows(u), 300.0 * u, 1e-6 * np.eye(9), 300.0)
    litres, sd = found.at(np.linspace(0.0, 1.0, 50))
    assert litres == pytest.approx(300.0 * np.linspace(0.0, 1.0, 50), abs=0.02)
    assert sd.max() < 2.0


def test_the_slope_never_falls_to_nothing_though_the_points_would_have_it() -> None:
    u = np.array([0.0, 0.2, 0.4, 0.45, 0.5, 0.7, 1.0])
    y = np.array([0.0, 60.0, 150.0, 130.0, 110.0, 190.0, 300.0])
    found = monotone.fit(monotone.volume_rows(u), y, 0.3 * np.eye(7), 300.0)
    assert np.diff(found.at(np.linspace(0.0, 1.0, 400))[0]).min() > 0.0


def test_leave_one_out_is_the_prediction_from_the_others(rng: Generator) -> None:
    """With the λ held, errors independent: computed by leaving the point out."""
    u = np.linspace(0.0, 1.0, 8)
    rows, cov = monotone.volume_rows(u), np.eye(8)
    y = 200.0 * u + 30.0 * u**2 + rng.normal(size=8)
    log, _, _, project = monotone.solve(rows, y, cov, 230.0, 0.25, False)
    alone = monotone.Posterior(np.zeros(1), np.zeros((1, 1)), y, (log,), (project,))
    loo, loo_sd = monotone.leave_one_out(alone, np.eye(8))
    for i in range(8):
        others = np.arange(8) != i
        _, mean, state_cov, _ = monotone.solve(rows[others], y[others], np.eye(7), 230.0, 0.25, False)
        assert loo[i] == pytest.approx(y[i] - rows[i] @ mean, abs=1e-6)
        assert loo_sd[i] == pytest.approx(np.sqrt(rows[i] @ state_cov @ rows[i] + 1.0), rel=1e-6)


@pytest.mark.parametrize("dof", [3, 4, 5, 8, 20, 100])
def test_student_s_quantile_is_scipy_s(dof: int) -> None:
    assert t95(dof) == pytest.approx(stats.t.ppf(0.95, dof), rel=2e-3)
