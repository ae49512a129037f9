"""How a sump's held-up fluid goes out and comes back: the shape of a start and of a stop, learned by lag.

Nobody knows the law of a machine's drain-back beforehand (pipes empty first-order, troughs as through a hole,
trays at a steady rate), so the shape is a table: the share of the quick part still to move, minute by minute after
the turn, its mean and its spread over this sump's own turns.
"""

from __future__ import annotations

from math import exp, sqrt

LAGS = 16  # minutes after a turn that the table covers; later nothing of the quick part is left to move
SETTLED_MIN = 10.0  # readings between this and SHAPE_MIN after a turn say where it settled
SHAPE_MIN = 13.0  # so long after an undisturbed turn it is learned from
PRIOR_TURNS = 3.0  # weight of the prior shape, in turns
PRIOR_SPREAD = 0.3  # 1 sd of the prior shape, as a share of what is still to move
PRIOR_JITTER = 0.25  # in the first minute: nobody knows when between two readings the pump turned
MOST_TURNS = 25.0  # older turns are forgotten so that a blocked return shows
SPREAD_FLOOR = 0.015
ODD_TURN = 0.2  # mean share by which a turn may differ from the table: more was no plain turn
ANY_LAW = 0.35  # 1 sd of the prior where a contact tells the turns: there no law is needed to see one
ODD_SD = 2.5  # what one reading may teach at most, sd
FEWEST = 8  # readings within SHAPE_MIN of the turn


class Shape:
    """One transient's table. left[k]: mean share still to move k minutes after the turn; sd[k]: its spread.

    `any_law`: begin without faith in the first-order law; only for turns that a contact tells, for elsewhere the
    law is what tells a turn from a pour.
    """

    __slots__ = ("left", "var", "turns", "sd", "any_law")

    def __init__(self, tau_min: float, any_law: bool = False) -> None:
        self.any_law = any_law
        self.left = [exp(-k / tau_min) for k in range(LAGS)] + [0.0]
        self.var = [(PRIOR_SPREAD * x if k else PRIOR_JITTER) ** 2 for k, x in enumerate(self.left)]
        if any_law:
            wide = [ANY_LAW * min(k, 1.0) * max(0.0, 1.0 - k / SHAPE_MIN) for k in range(LAGS + 1)]
            self.var = [max(v, w * w) for v, w in zip(self.var, wide, strict=True)]
        self.turns = [PRIOR_TURNS] * LAGS
        self.sd = [sqrt(v) for v in self.var]

    def learn(self, points: list[tuple[float, float]], before_l: float, noise: float) -> None:
        """Learn one transient. points: (minutes since the turn, L seen); before_l: L seen before it;
        noise: variance of one reading, L²."""
        late = [y for t, y in points if t >= SETTLED_MIN]
        early = [(t, y) for t, y in points if 0.0 < t < SETTLED_MIN]
        if len(late) < 2 or len(early) < FEWEST - 2:
            return
        settled = sum(late) / len(late)
        moved = settled - before_l
        if moved * moved < 25.0 * noise:
            return
        offs: list[tuple[int, float]] = []
        for t, y in early:
            k = min(int(t + 0.5), LAGS - 1)
            at_lag = (self.left[min(k + 1, LAGS)] - self.left[k]) * (k - t)  # from the reading's lag to the table's
            offs.append((k, (settled - y) / moved + at_lag - self.left[k]))
        allowed = ODD_TURN * len(offs) + (sum(self.sd[k] for k, _ in offs) if self.any_law else 0.0)
        if sum(abs(off) for _, off in offs) > allowed:
            return
        for k, off in offs:
            off = min(max(off, -ODD_SD * self.sd[k] - 0.05), ODD_SD * self.sd[k] + 0.05)
            n = self.turns[k] = min(self.turns[k] + 1.0, MOST_TURNS)
            self.left[k] += off / n
            self.var[k] += (off * off - self.var[k]) / n
            self.sd[k] = sqrt(max(self.var[k] - noise / (moved * moved), SPREAD_FLOOR**2))
