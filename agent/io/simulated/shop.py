"""Harrow Lane Gearworks: its four sumps as they truly are, and what people did there in the fortnight before.

The site file (harrow-lane.toml beside this) holds what the works *believes* of them: its level curves were poured
with a bucket and differ a little from the tanks below.
"""

from __future__ import annotations

from dataclasses import dataclass

from agent.core.curve import Curve
from agent.io.simulated.physics import Nature

HISTORY_DAYS = 14


def _tank(*points: tuple[float, float]) -> Curve:
    """Points (height mm, litres) turned to litres -> height."""
    return Curve.of((litres, height) for height, litres in points)


NATURES: dict[str, Nature] = {
    nature.id: nature
    for nature in (
        Nature(
            "lathe-1",
            full_l=180.0,
            low_l=125.0,
            factor=1.0,
            target_pct=6.0,
            usual_pct=2.0,
            tank=_tank((0.0, 0.0), (45.0, 22.8), (110.0, 68.5), (190.0, 128.2), (255.0, 179.6), (300.0, 216.0)),
            evaporation_l_per_h=0.52,
            carry_off_l_per_h=0.21,
            idle_evaporation_l_per_h=0.05,
            held_l=11.0,
            proportioner=0.93,
            noise_mm=0.7,
        ),
        Nature(
            "mill-1",
            full_l=260.0,
            low_l=185.0,
            factor=1.5,
            target_pct=7.0,
            usual_pct=2.5,
            tank=_tank((0.0, 0.0), (60.0, 46.1), (140.0, 121.5), (210.0, 190.4), (280.0, 262.0), (340.0, 322.5)),
            evaporation_l_per_h=0.66,
            carry_off_l_per_h=0.38,
            idle_evaporation_l_per_h=0.06,
            held_l=21.0,
            proportioner=1.08,
            noise_mm=0.6,
        ),
        Nature(
            "mill-2",
            full_l=340.0,
            low_l=240.0,
            factor=1.5,
            target_pct=7.0,
            usual_pct=2.5,
            tank=_tank((0.0, 0.0), (60.0, 57.2), (120.5, 118.6), (215.0, 227.5), (310.0, 338.9), (380.0, 421.8)),
            evaporation_l_per_h=0.88,
            carry_off_l_per_h=0.46,
            idle_evaporation_l_per_h=0.08,
            held_l=24.0,
            proportioner=0.96,
            noise_mm=0.8,
        ),
        Nature(
            "grinder-1",
            full_l=420.0,
            low_l=300.0,
            factor=2.2,
            target_pct=4.0,
            usual_pct=2.0,
            tank=_tank((0.0, 0.0), (80.0, 77.0), (180.0, 181.5), (290.0, 301.0), (400.0, 419.5), (470.0, 496.0)),
            evaporation_l_per_h=0.95,
            carry_off_l_per_h=0.78,
            idle_evaporation_l_per_h=0.07,
            held_l=41.0,
            proportioner=1.03,
            noise_mm=1.2,
            mount_mm=560.0,
        ),
    )
}
# At the start of the fortnight: litres, % by volume.
BEGINNINGS = {"lathe-1": (152.0, 6.15), "mill-1": (236.0, 6.15), "mill-2": (300.0, 6.9), "grinder-1": (368.0, 4.1)}


@dataclass(frozen=True, slots=True)
class Deed:
    """Something a person did, `days_before` the first live day at a local clock time.

    `act`: "fill" (up to `to_l` with a mix set at `pct`) or "read" (a hand reading). `said_after_min`: minutes until
    they said so; None: they never did.
    """

    sump: str
    days_before: int
    clock: str
    act: str
    to_l: float = 0.0
    pct: float = 0.0
    said_after_min: float | None = None


# The first live day is a Wednesday: 11 and 10, 4 and 3 days before it are weekends.
DEEDS: tuple[Deed, ...] = (
    Deed("lathe-1", 14, "06:25", "read"),
    Deed("lathe-1", 13, "14:10", "fill", 176.0, 2.0, 12),
    Deed("lathe-1", 9, "06:40", "read"),
    Deed("lathe-1", 7, "09:15", "read"),
    Deed("lathe-1", 5, "13:20", "fill", 141.0, 2.0, 35),
    Deed("lathe-1", 2, "06:35", "read"),
    Deed("lathe-1", 1, "20:40", "fill", 127.4, 2.0, 8),
    Deed("mill-1", 14, "06:30", "read"),
    Deed("mill-1", 12, "10:05", "fill", 250.0, 2.5, 20),
    Deed("mill-1", 9, "06:45", "read"),
    Deed("mill-1", 8, "15:30", "fill", 240.0, 0.0),
    Deed("mill-1", 6, "09:05", "read"),
    Deed("mill-1", 5, "17:45", "fill", 252.0, 0.0, 15),
    Deed("mill-1", 1, "14:25", "fill", 236.0, 0.0),
    Deed("mill-1", 1, "20:50", "read"),
    Deed("mill-2", 14, "06:35", "read"),
    Deed("mill-2", 13, "07:20", "fill", 335.0, 2.5, 9),
    Deed("mill-2", 9, "06:50", "read"),
    Deed("mill-2", 6, "07:05", "fill", 338.0, 2.5, 25),
    Deed("mill-2", 5, "08:30", "read"),
    Deed("mill-2", 2, "06:45", "read"),
    Deed("grinder-1", 14, "06:40", "read"),
    Deed("grinder-1", 9, "06:20", "fill", 408.0, 2.0, 140),
    Deed("grinder-1", 8, "08:10", "read"),
    Deed("grinder-1", 5, "08:40", "read"),
    Deed("grinder-1", 2, "07:30", "fill", 402.0, 2.0),
    Deed("grinder-1", 2, "13:10", "read"),
)
# For a test that plays the people: the grinder was filled less and comes to its low mark within a shift, and nobody
# has said or found out yet that Mill 1 got water.
STORY_DEEDS = (
    *(deed for deed in DEEDS if deed.days_before > 2 and (deed.sump, deed.pct) != ("mill-1", 0.0)),
    Deed("lathe-1", 2, "06:35", "read"),
    Deed("lathe-1", 1, "20:40", "fill", 127.4, 2.0, 8),
    Deed("mill-1", 8, "15:30", "fill", 240.0, 0.0),
    Deed("mill-1", 5, "17:45", "fill", 252.0, 0.0),
    Deed("mill-1", 1, "14:25", "fill", 236.0, 0.0),
    Deed("mill-2", 2, "06:45", "read"),
    Deed("grinder-1", 2, "07:30", "fill", 370.0, 1.0, 15),
    Deed("grinder-1", 2, "13:10", "read"),
)
