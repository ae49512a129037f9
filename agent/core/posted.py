"""What the advice of one sump remembers: the one that stands, and when to look again."""

from __future__ import annotations

from dataclasses import dataclass, field

from agent.core.outputs import Advice


@dataclass(slots=True)
class Posted:
    """State of one sump's advice. Times in epoch s, 0 = never."""

    due: float = 0.0  # no look on a level reading before
    standing: Advice | None = None
    since: float = 0.0  # when the standing one was first written
    written: float = 0.0  # when it was last written
    keep_below_l: float = 0.0  # a top-off stands while the volume is below this
    number: int = 0  # of the last advice: ids are never used twice, not even after learning has begun anew
    asked: list[str] = field(default_factory=list)  # findings that were asked about, newest last
    looked: dict[str, float] = field(default_factory=dict)  # what a look was asked for → when
    week: tuple[bool, ...] = ()  # hours of the week in which somebody is there, as the pump tells
    week_day: int = -1  # day on which that was last worked out
