"""A 4-20 mA loop to a raw reading. Outcomes: a number, or a `Fault`: the ends of a loop are no measurements.

Limits after NAMUR NE 43: 3.8 to 20.5 mA measures; to 3.6 and 21 mA the transmitter is at its end; beyond, it or
its wire has failed.
"""

from __future__ import annotations

import math
from typing import Final

from agent.wire.outcomes import Fault

FAILED_LOW_MA: Final = 3.6
MEASURES_FROM_MA: Final = 3.8
MEASURES_TO_MA: Final = 20.5
FAILED_HIGH_MA: Final = 21.0
ZERO_MA: Final = 4.0
SPAN_MA: Final = 16.0


def raw_at(current_ma: float, at_4_ma: float, at_20_ma: float) -> float | Fault:
    """The raw reading (the unit of the two ends given) that a loop current in mA stands for."""
    if not math.isfinite(current_ma):
        return Fault("the loop current is not a number")
    if current_ma <= FAILED_LOW_MA:
        return Fault(f"loop at {current_ma:.2f} mA: wire broken, or the transmitter reports a fault")
    if current_ma >= FAILED_HIGH_MA:
        return Fault(f"loop at {current_ma:.2f} mA: shorted, or the transmitter reports a fault")
    if not MEASURES_FROM_MA < current_ma < MEASURES_TO_MA:
        end = "lower" if current_ma < ZERO_MA else "upper"
        return Fault(f"loop at {current_ma:.2f} mA: at its {end} end, which is no measurement")
    return at_4_ma + (current_ma - ZERO_MA) * (at_20_ma - at_4_ma) / SPAN_MA
