"""What every plant shares: the books of one sump, minute by minute, and what a plant hands to the writer.

Laws that hold for every kind (V litres of mix at rest, S litres of concentrate in it, c = S / V):

    V[k+1] = V[k] + in[k] - water_out[k] - mix_out[k]
    S[k+1] = S[k] + in_concentrate[k] - mix_out[k] * c[k]

Foreign litres (way oil, chips) are kept apart: they lift the level, they are no part of V. The tests re-add
these ledgers to 1e-9.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
MINUTE_S = 60
DAY_MIN = 1440
START_S = 1_750_024_800  # Monday 2025-06-16 00:00 in Vienna, a whole hour
FLOOR_SHARE = 0.04  # a pump loses suction here: below it nothing more leaves by use or leak


@dataclass(slots=True)
class Fluid:
    """A fluid as its data sheet and the site file have it; strengths in % by volume of the mix."""

    target_pct: float
    low_pct: float
    high_pct: float
    factor: float
    usual_pct: float
    leanest_pct: float
    richest_pct: float


@dataclass(slots=True)
class Event:
    """Something that truly happened, times in epoch seconds. `kind` is usual, water, corrective, recharge,
    leak ...
    """

    sump: str
    event: str
    start: float
    end: float
    kind: str = ""
    volume_l: float = 0.0
    pct: float = 0.0
    rate_l_per_h: float = 0.0
    logged: bool = False
    set_pct: float = 0.0  # usual_pct as it stood


@dataclass(slots=True)
class Stream:
    """One sensor's samples: epoch seconds and values, written with `decimals` places."""

    signal: str
    times: NDArray[np.int64]
    values: Floats
    decimals: int


@dataclass(slots=True)
class Books:
    """Minute ledgers of one sump, litres. Index k is the minute that starts START_S + 60 k; V and S are at
    its start.
    """

    volume_l: Floats
    concentrate_l: Floats
    in_l: list[float]
    in_concentrate_l: list[float]
    water_out_l: list[float]
    mix_out_l: list[float]
    foreign_l: Floats

    @property
    def strength_pct(self) -> Floats:
        """Strength at each minute's start, % by volume of the mix."""
        return 100.0 * self.concentrate_l / np.maximum(self.volume_l, 1e-9)


@dataclass(slots=True)
class Sump:
    """One finished sump: what the site file says, what the sensors and people sent, what was true."""

    id: str
    full_l: float
    low_l: float
    high_l: float
    fluid: Fluid
    curve: list[tuple[float, float]]
    books: Books
    streams: list[Stream]
    words: list[dict[str, Any]]
    events: list[Event]
    rates: dict[str, Floats]
    troubles: list[str] = field(default_factory=list)


Visitor = Callable[[int, float, float], None]


def keep_books(
    volume_l: float,
    concentrate_l: float,
    water_out: list[float],
    mix_out: list[float],
    floor_l: float,
    visits: dict[int, list[Visitor]],
    books: Books,
) -> None:
    """Run the two balances of the module's heading, minute by minute, calling people at their visits.

    `water_out`, `mix_out`: litres wished for in each minute. What is booked is what was there: nothing leaves
    by use below `floor_l`. People write what they pour and drain into the books' later minutes.
    """
    v, s = volume_l, concentrate_l
    vs, ss = books.volume_l, books.concentrate_l
    in_l, in_c, w_out, m_out = books.in_l, books.in_concentrate_l, books.water_out_l, books.mix_out_l
    for k in range(len(water_out)):
        if k in visits:
            for visit in visits[k]:
                visit(k, v, s)
        vs[k], ss[k] = v, s
        water, mix = (water_out[k], mix_out[k]) if v > floor_l else (0.0, 0.0)
        mix += m_out[k]
        mix = min(mix, v - 1e-6) if mix > 0 else 0.0
        w_out[k], m_out[k] = water, mix
        s += in_c[k] - mix * s / v
        v += in_l[k] - water - mix
    vs[len(water_out)], ss[len(water_out)] = v, s


def new_books(minutes: int, foreign_l: Floats) -> Books:
    """Empty ledgers for `minutes` minutes (V and S have one value more: the end)."""
    zero = [0.0] * minutes
    return Books(np.zeros(minutes + 1), np.zeros(minutes + 1), zero[:], zero[:], zero[:], zero[:], foreign_l)


def lognormal(rng: np.random.Generator, median: float, sd_log: float, low: float, high: float) -> float:
    """A draw around `median`, held between `low` and `high`."""
    return float(np.clip(median * np.exp(rng.normal(0.0, sd_log)), low, high))


def walk(rng: np.random.Generator, n: int, sd: float, tau: float) -> Floats:
    """A stationary first-order random walk: n steps, standard deviation `sd`, correlation time `tau` in
    steps.
    """
    a = float(np.exp(-1.0 / tau))
    out = np.empty(n)
    shocks = rng.normal(0.0, sd * np.sqrt(1.0 - a * a), n)
    x = float(rng.normal(0.0, sd))
    for k in range(n):
        x = a * x + shocks[k]
        out[k] = x
    return out
