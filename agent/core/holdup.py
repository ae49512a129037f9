"""How fast a sump's held-up fluid goes out and comes back, learned from undisturbed starts and stops."""

from __future__ import annotations

import numpy as np

GRID_MIN = (0.7, 1.0, 1.5, 2.2, 3.2, 4.5)  # time constants weighed, minutes
SHAPE_MIN = 12.0  # so long after a start or stop the shape is read
KEEP = 0.93  # of the old evidence, at each turn
OFTEN, THEN_EACH = 40, 5  # every turn at first, then each fifth: shapes change slowly


class Shape:
    """Evidence for each time constant of one of the two transients."""

    __slots__ = ("tau_min", "misfit", "turns")

    def __init__(self, tau_min: float) -> None:
        self.tau_min = tau_min
        self.misfit = [0.0] * len(GRID_MIN)
        self.turns = 0

    def wants(self) -> bool:
        """True where this turn is to be learned from."""
        self.turns += 1
        return self.turns <= OFTEN or self.turns % THEN_EACH == 0

    def learn(self, points: list[tuple[float, float]], noise: float, tail: bool) -> None:
        """Weigh one transient. points: (minutes since the turn, L seen), noise: variance of one, L².

        y = p + q·exp(−t/τ) (+ r·t for a tail): p, q, r by least squares for each τ of the grid; what is left
        over, in units of the noise, is the evidence.
        """
        t = np.array([p[0] for p in points])
        y = np.array([p[1] for p in points])
        for i, tau in enumerate(GRID_MIN):
            columns = [np.ones_like(t), np.exp(-t / tau)] + ([t] if tail else [])
            basis = np.stack(columns, axis=1)
            fit, *_ = np.linalg.lstsq(basis, y, rcond=None)
            left = np.abs(y - basis @ fit)
            self.misfit[i] = KEEP * self.misfit[i] + float(np.minimum(left * left / noise, 16.0).sum())
        weights = np.exp(-0.5 * (np.array(self.misfit) - min(self.misfit)))
        self.tau_min = float(np.exp(np.sum(weights * np.log(GRID_MIN)) / weights.sum()))
