"""What the advice of one sump remembers: the one that stands, and when to look again."""

from __future__ import annotations

from dataclasses import dataclass, field

from agent.core.outputs import Advice
from agent.core.spec import SumpSpec


@dataclass(slots=True)
class Posted:
    """State of one sump's advice. Times in epoch s, 0 = never."""

    due: float = 0.0  # no look on a level reading before
    standing: Advice | None = None
    since: float = 0.0  # when the standing one was first written
    written: float = 0.0  # when it was last written
    spec: SumpSpec | None = None  # the numbers it was written by
    keep_below_l: float = 0.0  # a top-off stands while the volume is below this
    seen: tuple[object, ...] = ()  # the picture that was last judged; judged anew when it has moved
    number: int = 0  # of the last advice: ids are never used twice, not even after learning has begun anew
    asked: list[str] = field(default_factory=list)  # findings that were asked about, newest last
    looked: dict[str, float] = field(default_factory=dict)  # what a look was asked for → when
    pour: Advice | None = None  # the last pour that was advised, standing or taken back
    pour_since: float = 0.0
    pour_until: float = float("inf")  # when it was taken back
    week: tuple[bool, ...] = ()  # hours of the week in which somebody is there, as the pump tells
    week_day: int = -1  # day on which that was last worked out


MEANT_S = 1800.0  # who began just before an advice was written, or just after it was taken back, meant that one


def advised_pct(posted: Posted, start: float) -> float | None:
    """Strength of the mix that was advised when an inflow began at `start`, %; None where none was."""
    one = posted.pour
    if one is None or not posted.pour_since - MEANT_S <= start <= posted.pour_until + MEANT_S:
        return None
    return one.makeup_pct
