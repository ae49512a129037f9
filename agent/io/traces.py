"""Kept sums of good samples over steps of time: what graphs of days and years are drawn from."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from agent.io.blocks import Sample

FINE_STEP_S = 60  # for graphs of hours
MAIN_STEP_S = 600  # for graphs of days and weeks
WIDE_STEP_S = 21_600  # for graphs of years
STEPS_S = (FINE_STEP_S, MAIN_STEP_S, WIDE_STEP_S)
FINE_KEPT_S = 48 * 3600  # the fine step is thinned away after this,
THIN_EVERY_S = 6 * 3600  # so often: whole pages go then, which costs the card far less than a few rows each time


@dataclass(slots=True)
class Sum:
    """Count, mean, least and greatest of one signal over one step, in the signal's calibrated unit."""

    n: int
    mean: float
    low: float
    high: float

    def add(self, other: Sum) -> None:
        """Merge; the order of merging does not matter."""
        self.mean = (self.mean * self.n + other.mean * other.n) / (self.n + other.n)
        self.n += other.n
        self.low, self.high = min(self.low, other.low), max(self.high, other.high)


Key = tuple[int, int, str, str]  # step_s, start, sump, signal


class Sums:
    """Sums not yet written. Late samples and clock steps simply fall into the step they belong to."""

    def __init__(self) -> None:
        self._kept: dict[Key, Sum] = {}

    def add(self, samples: Iterable[Sample]) -> None:
        """Count the good ones (flags 0) into every step."""
        for s in samples:
            if s.flags == 0:
                for step_s in STEPS_S:
                    self.merge((step_s, int(s.time // step_s) * step_s, s.sump, s.signal), s.value)

    def merge(self, key: Key, value: float) -> None:
        """Count one value."""
        kept = self._kept.get(key)
        if kept is None:
            self._kept[key] = Sum(1, value, value, value)
            return
        kept.n += 1
        kept.mean += (value - kept.mean) / kept.n
        kept.low, kept.high = min(kept.low, value), max(kept.high, value)

    def rows(self) -> Iterator[tuple[Key, Sum]]:
        """Everything counted so far."""
        return iter(self._kept.items())

    def clear(self) -> None:
        """Begin anew, once the rows are written."""
        self._kept.clear()


def coarsest_step(step_s: int) -> int:
    """The widest kept step that a graph's step is a multiple of; raises ValueError where there is none."""
    fitting = [kept for kept in STEPS_S if step_s % kept == 0]
    if not fitting or step_s <= 0:
        raise ValueError(f"step_s must be a multiple of {FINE_STEP_S} s, not {step_s}")
    return fitting[-1]
