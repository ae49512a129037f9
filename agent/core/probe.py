"""The inline refractometer: what of its readings can be used, hour by hour."""

from __future__ import annotations

from statistics import median

from agent.core.gates import END_OF_SCALE, GOOD, UNSETTLED
from agent.core.ledger import Move
from agent.core.sump import MIXED_S, Sump, catch_up

INLINE_SD_BRIX = 0.12
INLINE_SPREAD_BRIX = 0.3  # more than this within an hour is air or rubbish
INLINE_FEWEST = 5
LOWEST_BRIX, HIGHEST_BRIX = 0.05, 30.0  # a dry or blind window stands at an end: that is no measurement
CIRCULATES_S = 300.0  # the pump must have run for so long: air goes, the window clears


def take_inline(sump: Sump, when: float, brix: float) -> None:
    """An inline refractometer: gathered over the hour while the pump runs and nothing is being poured."""
    hour = int(when // 3600.0)
    if hour != sump.inline_hour:
        _book_inline(sump)
        sump.inline_hour = hour
    branches = sump.tracker.branches
    if not branches:
        return
    if not LOWEST_BRIX < brix < HIGHEST_BRIX:
        sump.flags["brix"] = END_OF_SCALE
        return
    best = branches[0] if len(branches) == 1 else sump.tracker.best()
    if not best.run or best.flow or best.start or when - best.toggled < CIRCULATES_S:
        sump.flags["brix"] = UNSETTLED
        if sump.inline and (best.flow or best.start):
            _book_inline(sump)
        return
    if sump.additions and when - (sump.additions[-1].finding.end or 0.0) < MIXED_S:
        sump.flags["brix"] = UNSETTLED
        return
    sump.flags["brix"] = GOOD
    sump.inline.append((when, brix))
    sump.latest["brix"] = (when, brix)


def _book_inline(sump: Sump) -> None:
    """The hour's readings become one of the middle of their times: a pour of by now, seen or not, is not in them."""
    rows, sump.inline = sump.inline, []
    if len(rows) < INLINE_FEWEST:
        return
    middle = median(brix for _, brix in rows)
    if median(abs(brix - middle) for _, brix in rows) > INLINE_SPREAD_BRIX:
        return
    taken = rows[len(rows) // 2][0]
    catch_up(sump, taken)
    sump.ledger.add(Move(taken, "inline", (middle, sump.spec.refractometer_factor, INLINE_SD_BRIX)))
