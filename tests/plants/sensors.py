"""From true minutes to sensor streams: sampling, gaps, a stuck sensor, the inline refractometer and its
film.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .kit import DAY_MIN, MINUTE_S, START_S, Event, Floats, Stream
from .people import at


def draw_gaps(
    rng: np.random.Generator,
    minutes: int,
    every_days: float,
    low_h: float,
    high_h: float,
) -> list[tuple[int, int]]:
    """Outages as minute spans, about one in `every_days` days."""
    n = int(rng.poisson(minutes / DAY_MIN / every_days))
    starts = np.sort(rng.integers(0, max(1, minutes - 60), n))
    hours = np.exp(rng.uniform(np.log(low_h), np.log(high_h), n))
    return [(int(a), min(minutes, int(a + 60 * h))) for a, h in zip(starts, hours, strict=True)]


def present(minutes: int, gaps: list[tuple[int, int]]) -> NDArray[np.bool_]:
    """True for the minutes that no gap swallows."""
    keep = np.ones(minutes, bool)
    for a, b in gaps:
        keep[a:b] = False
    return keep


def freeze(raw: Floats, spans: list[tuple[int, int]]) -> Floats:
    """A sensor that sticks repeats its last value."""
    out = raw.copy()
    for a, b in spans:
        out[a:b] = out[a]
    return out


def outage_events(sump: str, spans: list[tuple[int, int]], kind: str) -> list[Event]:
    """Gaps and stuck spans as truth events."""
    return [Event(sump, kind, at(a), at(b)) for a, b in spans]


def sample(
    signal: str, values: Floats, keep: NDArray[np.bool_], every_min: int, offset_s: int, decimals: int
) -> Stream:
    """A stream of each `every_min`-th minute that is kept, `offset_s` seconds into it."""
    k = np.arange(0, len(values), every_min)
    k = k[keep[k]]
    return Stream(signal, START_S + MINUTE_S * k + offset_s, values[k], decimals)


def on_change(values: Floats, keep: NDArray[np.bool_], offset_s: int) -> Stream:
    """The running contact: sent on change; changes inside a gap are told at its end."""
    k = np.flatnonzero(keep)
    v = values[k]
    change = np.concatenate([[True], v[1:] != v[:-1]])
    return Stream("running", START_S + MINUTE_S * k[change] + offset_s, v[change], 0)


def inline_brix(rng: np.random.Generator, strength: Floats, factor: float, oil_brix: Floats, running: Floats) -> Floats:
    """An inline refractometer: bias, film that drifts 0.1-0.5 Brix a week until cleaned, rubbish with the
    pump off.
    """
    n = len(strength)
    bias, slope = rng.normal(0, 0.3), rng.choice([-1.0, 1.0]) * rng.uniform(0.1, 0.5) / (7 * DAY_MIN)
    clean_at = np.cumsum(rng.uniform(7, 25, 60) * DAY_MIN)
    since = np.arange(n) - np.concatenate([[0.0], clean_at])[np.searchsorted(clean_at, np.arange(n), side="right")]
    good = strength / factor + oil_brix + bias + slope * since + rng.normal(0, 0.12, n)
    start = np.maximum.accumulate(np.where(np.diff(running, prepend=0.0) > 0, np.arange(n), 0))
    settled = (running > 0) & (np.arange(n) - start >= rng.integers(2, 6))
    rubbish = np.where(rng.random(n) < 0.4, 0.0, rng.uniform(0, 1.2, n) * good)
    return np.clip(np.where(settled, good, rubbish), 0.0, 30.0)
