"""The outlook: hours until the low mark, from the learned losses and the week as this sump usually runs."""

from __future__ import annotations

from math import exp
from typing import TYPE_CHECKING

import numpy as np

from agent.core.what_if import P05, RATE_SPREAD

if TYPE_CHECKING:
    from agent.core.sump import Sump

HORIZON_H = 24 * 28  # further ahead nothing is said


def hours_until(
    sump: Sump, when: float, litres: float, litres_sd: float, mark_l: float
) -> tuple[float | None, float | None, float | None]:
    """Hours until `mark_l` is reached, likeliest, 5 % and 95 % quantiles; None beyond the horizon.

    Loss of the coming hours as learned for running and idle, spread over the week as usual; its mean is
    lognormally uncertain by RATE_SPREAD.
    """
    ahead = sump.tracker.loss_ahead(when, HORIZON_H)
    room = litres - mark_l
    slow, fast = exp(-P05 * RATE_SPREAD), exp(P05 * RATE_SPREAD)
    return (
        _hours(ahead, room),
        _hours(ahead, (room - P05 * litres_sd) / fast),
        _hours(ahead, (room + P05 * litres_sd) / slow),
    )


def _hours(ahead: np.ndarray[tuple[int], np.dtype[np.float64]], room: float) -> float | None:
    """Hours until the cumulative loss `ahead` (L after 1, 2, … h) passes `room`."""
    if room <= 0.0:
        return 0.0
    at = int(np.searchsorted(ahead, room))
    if at >= len(ahead):
        return None
    before = float(ahead[at - 1]) if at else 0.0
    step = float(ahead[at]) - before
    return at + ((room - before) / step if step > 0 else 0.0)
