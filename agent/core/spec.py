"""What the core must know of a site: plain numbers, in litres and per cent by volume of the mix."""

from __future__ import annotations

from dataclasses import dataclass, field

from agent.core.calendar import Calendar
from agent.core.curve import Curve
from agent.core.measures import Measures


@dataclass(frozen=True, slots=True)
class SumpSpec:
    """One sump. `*_l` in litres of the whole system at rest, `*_pct` in % by volume of the mix."""

    id: str
    name: str
    full_l: float
    low_l: float
    high_l: float
    target_pct: float
    low_pct: float
    high_pct: float
    refractometer_factor: float  # strength % = Brix × factor
    usual_pct: float
    leanest_pct: float
    richest_pct: float
    curve: Curve
    measures: Measures = Measures()  # what people measure an addition with


@dataclass(frozen=True, slots=True)
class SiteSpec:
    """All sumps of one site, in the order of the site file."""

    name: str
    timezone: str = "UTC"
    units: str = "litre"
    sumps: dict[str, SumpSpec] = field(default_factory=dict)
    calendar: Calendar | None = None  # when people are there, where somebody told it
