"""The fluid's temperature as a witness of the pump: it heads for one end while the pump runs and for another idle.

For each state the change between two samples, a rate in K a minute, is learned as a straight line of the temperature
itself: ΔT/Δt = a + b·T, Newton's law of cooling with the state's own resting temperature −a/b. What a sample then
says for a running pump is the log-likelihood ratio of the two lines.
"""

from __future__ import annotations

from math import log

SHORTEST_MIN, LONGEST_MIN = 1.0, 20.0  # between two samples that are compared
KEPT = 0.997  # of what was learned, from sample to sample: seasons pass
FEWEST = 60  # samples of each state before they are heeded
FORCE = 0.5  # of the log-likelihood: the hall's own warmth moves neighbouring samples alike
MOST_SD = 3.0
LEAST_VAR = 1e-6  # (K/min)², of a sensor that shows steps


class Line:
    """A straight line with forgetting: sums of weights, T, T², d, T·d and d² (d in K/min)."""

    __slots__ = ("n", "w", "t", "tt", "d", "td", "dd")

    def __init__(self) -> None:
        self.n = 0
        self.w = self.t = self.tt = self.d = self.td = self.dd = 0.0

    def learn(self, temp_c: float, rate: float) -> None:
        """One sample: temperature in °C and its change in K/min."""
        self.n += 1
        self.w = KEPT * self.w + 1.0
        self.t, self.tt = KEPT * self.t + temp_c, KEPT * self.tt + temp_c**2
        self.d, self.td, self.dd = KEPT * self.d + rate, KEPT * self.td + temp_c * rate, KEPT * self.dd + rate**2

    def fit(self) -> tuple[float, float, float]:
        """a, b and the variance about the line, (K/min)²; least squares."""
        mean_t, mean_d = self.t / self.w, self.d / self.w
        var_t = max(self.tt / self.w - mean_t * mean_t, 1e-3)
        b = (self.td / self.w - mean_t * mean_d) / var_t
        rest = self.dd / self.w - mean_d * mean_d - b * b * var_t
        return mean_d - b * mean_t, b, max(rest, LEAST_VAR)


class Warmth:
    """What the temperature of one sump has shown so far. Times epoch s."""

    __slots__ = ("lines", "last")

    def __init__(self) -> None:
        self.lines = (Line(), Line())  # idle, running
        self.last = (0.0, 0.0)

    def change(self, when: float, temp_c: float) -> tuple[float, float, float] | None:
        """Epoch s and °C of the sample before, and the rate since (K/min); None where they are too far apart."""
        (before, was), self.last = self.last, (when, temp_c)
        minutes = (when - before) / 60.0
        return (before, was, (temp_c - was) / minutes) if SHORTEST_MIN <= minutes <= LONGEST_MIN else None

    def log_odds(self, temp_c: float, rate: float) -> float:
        """What a change says for a running pump; 0 while either state is hardly known."""
        if min(line.n for line in self.lines) < FEWEST:
            return 0.0
        terms = []
        for line in self.lines:
            a, b, var = line.fit()
            off = rate - a - b * temp_c
            terms.append(min(off * off / var, MOST_SD**2) + log(var))
        return 0.5 * FORCE * (terms[0] - terms[1])
