"""Gates that a sample passes. One that fails is kept and labelled, never dropped in silence."""

from __future__ import annotations

GOOD = 0
END_OF_SCALE = 1  # at or beyond an end of the curve: not a measurement
STUCK = 2  # has not moved at all for longer than this sensor ever stands still
SPIKE = 4  # far from what physics allows from the reading before
UNSETTLED = 8  # pump off or just started, or an addition under way: the index is not to be used

NAMES = {
    END_OF_SCALE: "at the end of the scale",
    STUCK: "has not moved",
    SPIKE: "a spike",
    UNSETTLED: "not settled",
}


def describe(flags: int) -> str:
    """The gates that failed, in words; empty where all passed."""
    return ", ".join(text for bit, text in NAMES.items() if flags & bit)
