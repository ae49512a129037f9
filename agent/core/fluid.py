"""Mixing arithmetic. Strengths are % by volume of the mix unless a name says otherwise; volumes are litres.

Volumes are taken to add up, as the trade does: mixing shrinks a cutting fluid by far less than anyone can measure.
"""

from __future__ import annotations


def mix_pct(parts_per_100_water: float) -> float:
    """Strength in % of the mix, of so many parts of concentrate per 100 parts of water: 100p / (100 + p)."""
    return 100.0 * parts_per_100_water / (100.0 + parts_per_100_water)


def parts_per_100_water(pct: float) -> float:
    """Parts of concentrate per 100 parts of water, of a strength below 100 % of the mix: 100c / (100 - c)."""
    return 100.0 * pct / (100.0 - pct)


def brix_pct(brix: float, refractometer_factor: float) -> float:
    """Strength read by refractometer: Brix × the product's factor."""
    return brix * refractometer_factor


def concentrate_in(volume_l: float, pct: float) -> float:
    """Litres of concentrate in so much mix: S = cV / 100."""
    return pct * volume_l / 100.0


def mixed_pct(volume_l: float, pct: float, added_l: float, added_pct: float) -> float:
    """Strength after a mix is added to another. Raises ValueError where there is nothing in the end."""
    total_l = volume_l + added_l
    if total_l <= 0.0:
        raise ValueError("nothing to mix")
    return (pct * volume_l + added_pct * added_l) / total_l


def makeup_to_reach(volume_l: float, pct: float, filled_l: float, wanted_pct: float) -> float:
    """Strength of the makeup that fills V at c to V_t at c_t: m = (c_t·V_t - c·V) / A, A = V_t - V.

    May come out below 0 or above 100: then no makeup can do it. Raises ValueError where A is not above 0.
    """
    added_l = filled_l - volume_l
    if added_l <= 0.0:
        raise ValueError("no room for any makeup")
    return (wanted_pct * filled_l - pct * volume_l) / added_l


def drain_to_reach(volume_l: float, pct: float, filled_l: float, wanted_pct: float, makeup_pct: float) -> float:
    """Litres to drain first, so that filling with makeup at m lands V_t at c_t: X = (c_t·V_t - c·V - m·A) / (m - c).

    0 or less: nothing need be drained; above V: this makeup cannot do it. Raises ValueError where m = c, for then
    draining changes nothing.
    """
    if makeup_pct == pct:
        raise ValueError("makeup as strong as the sump moves nothing")
    added_l = filled_l - volume_l
    return (wanted_pct * filled_l - pct * volume_l - makeup_pct * added_l) / (makeup_pct - pct)


def makeup_to_hold(wanted_pct: float, carry_off_share: float) -> float:
    """Strength of the makeup that holds c_t with the level held: m = c_t·d, d = carry-off's share of the losses."""
    return wanted_pct * carry_off_share
