"""A level comes in: what paces it, what it moves, and what is looked at only when something has happened."""

from __future__ import annotations

from statistics import median

from agent.core import faults
from agent.core.gates import END_OF_SCALE, GOOD, SPIKE, STUCK
from agent.core.kinds import Habits
from agent.core.outputs import Output
from agent.core.steady import steady
from agent.core.sump import Sump, book_losses, count_hidden, learn_kinds, revise, told
from agent.core.tracker import FIRST

PACE_S = 45.0  # readings nearer than this count as one, their middle: what moves a level takes minutes
JUMP_SHARE = 0.1  # of full, by which no level moves within PACE_S
LOOK_EVERY_S = 6 * 3600.0  # losses go to the ledger, and the ledger is looked at, at least as often


def take_level(sump: Sump, habits: Habits, when: float, raw: float) -> list[Output]:
    """One raw level reading, in the unit of the curve's first column."""
    curve, crowd = sump.spec.curve, sump.crowd
    if not curve.raw[0] < raw < curve.raw[-1]:
        sump.flags["level"] = END_OF_SCALE
        return faults.blind(sump, when, "stands at the end of its scale")
    if when <= sump.paced or (crowd and when <= crowd[-1][0]):
        return []
    if crowd and when - crowd[-1][0] >= PACE_S:
        crowd.clear()  # a gap: seconds before it are not worth a reading that lies in it
    if not crowd and when - sump.paced >= PACE_S:
        sump.paced = when
        return _count_level(sump, habits, when, when, raw)
    _crowd_in(sump, when, raw)
    return take_crowd(sump, habits) if when - sump.paced >= PACE_S else []


def _crowd_in(sump: Sump, when: float, raw: float) -> None:
    """One of several readings a minute waits for its neighbours."""
    sump.crowd.append((when, raw))
    sump.latest["level"] = (when, raw)
    far = abs(sump.spec.curve.litres_at(raw) - sump.tracker.last_y) > JUMP_SHARE * sump.spec.full_l
    if far or sump.flags.get("level") != STUCK:
        sump.flags["level"] = SPIKE if far else GOOD


def take_crowd(sump: Sump, habits: Habits) -> list[Output]:
    """Readings that came close together count as one: the middle of their values at the middle of their times."""
    crowd, sump.crowd = sump.crowd, []
    if not crowd:
        return []
    sump.paced = crowd[-1][0]
    middle = 0.5 * (crowd[0][0] + crowd[-1][0])
    return _count_level(sump, habits, middle, crowd[-1][0], median(raw for _, raw in crowd))


def _count_level(sump: Sump, habits: Habits, at: float, when: float, raw: float) -> list[Output]:
    """A level that counts: of the time `at`, known at `when`."""
    tracker = sump.tracker
    before, branches = tracker.time, tracker.branches
    if at <= before:
        return []
    litres = sump.spec.curve.litres_at(raw)
    if len(branches) == 1 and steady(tracker, branches[0], at, litres):  # most by far: nothing has happened
        sump.flags["level"] = GOOD
        sump.last_level = when
        sump.latest["level"] = (when, raw)
        if branches[0].run:
            sump.running_min += (at - before) / 60.0
        else:
            sump.idle_min += (at - before) / 60.0
        if when - sump.looked < LOOK_EVERY_S and (at == when or when // 3600.0 == before // 3600.0):
            return []
        return _after_level(sump, habits, when)
    new = tracker.seen < FIRST
    if not tracker.any_reading(at, litres):
        sump.flags["level"] = STUCK
        return faults.blind(sump, when, "has not moved for long")
    sump.flags["level"] = GOOD
    sump.last_level = when
    sump.latest["level"] = (when, raw)
    branches = tracker.branches
    best = branches[0] if len(branches) == 1 else tracker.best()
    minutes = min((at - before) / 60.0, 60.0) if before else 0.0
    if best.run:
        sump.running_min += minutes
    else:
        sump.idle_min += minutes
    if new:
        sump.begun, sump.loss_time, sump.looked = sump.begun or when, when, when
        sump.loss_from = best.lost_so_far()
        return []
    if len(branches) > 1:
        if best.skipped:
            sump.flags["level"] = SPIKE
        return _after_level(sump, habits, when)
    if best.start or best.poured or when - sump.looked >= LOOK_EVERY_S or when // 3600.0 != before // 3600.0:
        return _after_level(sump, habits, when)
    return []


def _after_level(sump: Sump, habits: Habits, when: float) -> list[Output]:
    """What is not needed at every reading: settled inflows, losses to the ledger, leaks."""
    outputs: list[Output] = []
    for poured in sump.tracker.settled(when):
        outputs += told(sump, habits, when, poured)
    if when - sump.looked >= LOOK_EVERY_S:
        before, sump.looked = sump.looked, when
        book_losses(sump, when)
        count_hidden(sump, when)
        learn_kinds(sump, habits, when)
        if "brix" in sump.latest and sump.latest["brix"][0] > before:  # a probe has told more of what was added
            outputs += revise(sump, when)
        outputs += faults.watch(sump, when)
    outputs += faults.seeing(sump, when)
    outputs += sump.leak.watch(sump, when)
    return outputs
