"""A meter on the makeup line: counts or a flow become litres, one figure a pour. Time is an argument.

Outcomes of `take`: litres since the last figure once the flow has paused, None while there is nothing to tell, or a
`Fault` where what came cannot be litres (a counter set back, a silence in which it may have run over).
"""

from __future__ import annotations

from agent.wire.outcomes import Fault

PAUSE_S = 30.0  # without flow for so long, the pour is over; shorter is somebody changing hands
LONGEST_S = 900.0  # a trickle that never pauses is told this often
LEAST_L = 1e-6  # below this nothing has flowed: the arithmetic's own noise
GAP_S = 60.0  # a flow is not integrated over a silence longer than this
S_PER_MIN = 60.0


class Meter:
    """Sums what flows. `wraps_l`: litres at which the counter goes on from 0; None where it never does."""

    def __init__(self, is_flow: bool, wraps_l: float | None, most_l_per_min: float, least_l_per_min: float) -> None:
        self._is_flow, self._wraps_l = is_flow, wraps_l
        self._most, self._least = most_l_per_min, least_l_per_min
        self._last: tuple[float, float] | None = None  # time s, value
        self._sum_l = 0.0
        self._since = self._flowed = 0.0  # s

    def take(self, value: float, now_s: float) -> float | None | Fault:
        """A total in L or a flow in L/min, at `now_s` on a clock that is never set."""
        last, self._last = self._last, (now_s, value)
        if last is None:
            return None
        elapsed_s = now_s - last[0]
        grown = self._flowed_l(value, elapsed_s) if self._is_flow else self._counted_l(value - last[1], elapsed_s)
        if isinstance(grown, Fault):
            return grown
        if grown > LEAST_L:
            self._since = self._since if self._sum_l else last[0]
            self._sum_l += grown
            self._flowed = now_s
        is_over = now_s - self._flowed >= PAUSE_S or now_s - self._since >= LONGEST_S
        return self.rest() if self._sum_l and is_over else None

    def rest(self) -> float | None:
        """What has flowed and was not told yet, L: at a pour's end, or where the agent ends."""
        litres, self._sum_l = self._sum_l, 0.0
        return litres or None

    def _flowed_l(self, l_per_min: float, elapsed_s: float) -> float | Fault:
        if l_per_min > self._most:
            return Fault(f"{l_per_min:.4g} L/min is more than most_l_per_min, {self._most:g}")
        if l_per_min < self._least or elapsed_s > GAP_S:
            return 0.0
        return max(l_per_min, 0.0) * elapsed_s / S_PER_MIN

    def _counted_l(self, step_l: float, elapsed_s: float) -> float | Fault:
        """Litres of a counter's step. A step back is a run-over where that is known and plausible, else a restart."""
        most_l = self._most * elapsed_s / S_PER_MIN
        if step_l < 0.0 and self._wraps_l:
            step_l += self._wraps_l
        if step_l < -LEAST_L:
            return Fault("the meter's counter went back: set to zero, or replaced; counting goes on from here")
        if step_l > most_l + LEAST_L:
            return Fault(f"{step_l:.4g} L in {elapsed_s:.3g} s is more than most_l_per_min; counting goes on from here")
        if step_l > LEAST_L and self._wraps_l and most_l >= self._wraps_l:
            return Fault(f"after {elapsed_s:.0f} s of silence the meter's counter may have run over; not counted")
        return step_l
