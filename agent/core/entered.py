"""What a person entered about an inflow, weighed by how well each branch of the level agrees."""

from __future__ import annotations

from math import inf
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from agent.core.level import Branch
    from agent.core.tracker import Tracker

HINT_S = 12 * 3600.0  # so long after an inflow people still enter it
HINT_FORCE = 10.0  # ln of how much likelier a word is on an inflow of its litres than on none
SAID_SD, SAID_SD_L = 0.12, 1.0  # 1 sd of the litres that people name: share of them, and L besides
SAID_S = 2400.0  # the level may show so much later what a person has said already


def hear(t: Tracker, volume_l: float, when: float) -> None:
    """A person said that so much was added at about `when` (epoch s): speaks for branches that hold such an inflow, or,
    where none does, for one that the next readings may show."""
    done(t)
    t.word = (when, volume_l)
    for b in t.branches:
        _heed(b, volume_l, when)
    if not any(b.heard for b in t.branches):
        t.said = when


def weigh(t: Tracker, when: float) -> None:
    """Anew with each reading while the word is fresh: an inflow that goes on may stop short of what was said."""
    if t.word is None or when - t.word[0] > SAID_S:
        done(t)
        return
    said_at, said_l = t.word
    for b in t.branches:
        _heed(b, said_l, said_at)


def done(t: Tracker) -> None:
    """The word has had its say, and what it said stays said."""
    t.word = None
    for b in t.branches:
        b.heard = 0.0


def _heed(b: Branch, said_l: float, when: float) -> None:
    """ln N(said; held) against a word that means no inflow of this branch, never less than nothing."""
    held = [p.volume_l for p in b.poured if 0.0 <= when - p.start < HINT_S]
    if b.start and 0.0 <= when - b.start < HINT_S:
        so_far = b.V - b.v0 + b.lost
        held.append(max(so_far, said_l) if b.flow > 0 else so_far)  # it may still go on
    miss = min((abs(v - said_l) for v in held), default=inf) / (SAID_SD * said_l + SAID_SD_L)
    told = max(0.0, HINT_FORCE - 0.5 * miss * miss)
    b.logw += told - b.heard
    b.heard = told
