"""How true to the instruction people pour and mix: what every forecast of an addition allows for."""

from __future__ import annotations

POURED_SD = 0.10  # of the litres advised, what people really pour, 1 sd
BY_HAND_SD = 0.10  # of the strength of a mix from bucket and jug, 1 sd
TITRATION_SD_PCT = 0.25  # one person's titration by the supplier's kit, 1 sd
HAND_SD_BRIX = 0.2  # one person's reading, rounding and film included
USUAL_SD = 0.06  # of the usual mix, from pour to pour, share of its strength, 1 sd
