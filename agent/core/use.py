"""What a sump has used and how it was kept: litres, time in its band, turnovers, salts.

Pure sums over beliefs and additions, for reports; nothing is estimated anew.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import exp

from agent.core.fluid import concentrate_in
from agent.core.spec import SumpSpec

LONGEST_GAP_S = 2 * 3600.0  # a belief speaks for so long after it; what is further from any is unknown


@dataclass(frozen=True, slots=True)
class Held:
    """Hours by where strength and level were believed to be; `unknown_h` is counted apart, never into the rest."""

    in_band_h: float = 0.0
    weak_h: float = 0.0
    strong_h: float = 0.0
    low_h: float = 0.0
    full_h: float = 0.0
    unknown_h: float = 0.0

    @property
    def known_h(self) -> float:
        return self.in_band_h + self.weak_h + self.strong_h

    def share(self, hours: float) -> float | None:
        """Of the known hours; None where nothing is known."""
        return hours / self.known_h if self.known_h > 0.0 else None


def held(
    spec: SumpSpec,
    beliefs: Sequence[tuple[float, float, float, str]],
    start: float,
    end: float,
    longest_gap_s: float = LONGEST_GAP_S,
) -> Held:
    """Hours from beliefs (time epoch s, volume L, strength %, status) in order of time, between two times (epoch s)."""
    hours = dict.fromkeys(("in_band_h", "weak_h", "strong_h", "low_h", "full_h"), 0.0)
    known_h = 0.0
    ends = [row[0] for row in beliefs[1:]] + [end]
    for (time, volume_l, pct, status), until in zip(beliefs, ends, strict=False):
        begin, stop = max(time, start), min(until, time + longest_gap_s, end)
        if stop <= begin or status == "stale":
            continue
        span_h = (stop - begin) / 3600.0
        known_h += span_h
        hours["weak_h" if pct < spec.low_pct else "strong_h" if pct > spec.high_pct else "in_band_h"] += span_h
        if volume_l < spec.low_l:
            hours["low_h"] += span_h
        elif volume_l > spec.high_l:
            hours["full_h"] += span_h
    return Held(**hours, unknown_h=max(0.0, (end - start) / 3600.0 - known_h))


@dataclass(frozen=True, slots=True)
class Poured:
    """What went in: litres of mix, and of concentrate in it."""

    mix_l: float = 0.0
    concentrate_l: float = 0.0
    times: int = 0

    @property
    def water_l(self) -> float:
        return self.mix_l - self.concentrate_l

    def turnovers(self, full_l: float) -> float:
        """How often the charge has been replaced by makeup: the age that tells more than months."""
        return self.mix_l / full_l


def poured(additions: Iterable[tuple[float, float]]) -> Poured:
    """The sum of additions, each (litres of mix, % of the mix)."""
    rows = list(additions)
    mix_l = sum(volume_l for volume_l, _ in rows)
    return Poured(mix_l, sum(concentrate_in(volume_l, pct) for volume_l, pct in rows), len(rows))


def salts_times_water(evaporation_l_per_day: float, carry_off_l_per_day: float, volume_l: float, days: float) -> float:
    """How many times the makeup water's salts a charge holds after `days` with the level held.

    s/s_w = CF - (CF - 1)·exp(-D·t/V), with CF = 1/d and d = D/(E + D) the share carried off: evaporation leaves its
    salts behind, carry-off takes some along. Starts at 1, a charge of makeup water. Without carry-off it grows by
    E·t/V for ever, the same formula's limit.
    """
    E, D, V, t = evaporation_l_per_day, carry_off_l_per_day, volume_l, days
    if D < 1e-9 * E or E + D <= 0.0:
        return 1.0 + E * t / V
    concentration = (E + D) / D
    return concentration - (concentration - 1.0) * exp(-D * t / V)


def days_of_stock(stock_l: float, used_l: float, days: float) -> float | None:
    """For how long concentrate lasts at the pace of the last `days`; None where nothing was used."""
    return stock_l / (used_l / days) if used_l > 0.0 and days > 0.0 else None
