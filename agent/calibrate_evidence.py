"""What recorded days tell a calibration: metered additions for the level, pairs of readings for the probe, turns."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from agent.calibrate import CURVE_FIELD, Bench
from agent.records import Record
from calibration.due import Check
from calibration.pours import METER
from calibration.probe import Pair
from calibration.service import Addition
from calibration.settle import spread_of

SAME_S = 600.0  # metered records closer than this are one addition
BEFORE_S, AFTER_S = 300.0, (600.0, 900.0)  # rest is read in the minutes before, and when waves and drips are over
FEWEST = 4
LOST_L = 0.1  # what a sump may lose between the two readings, 1 sd
PAIR_S = 300.0  # inline readings this near a hand reading are read of the same fluid
WARMEST_SHIFT_S = 900.0

Line = list[tuple[float, float]]


@dataclass
class Heard:
    """One sump's records, by signal."""

    level: Line = field(default_factory=list)
    metered: Line = field(default_factory=list)
    running: Line = field(default_factory=list)


def metered_additions(records: Iterable[Record], sump: str) -> list[Addition]:
    """Additions that a meter on the makeup line counted, with the level before and after. Left out: where the pump
    turned in between, where readings lack."""
    heard = Heard()
    for r in records:
        if r.sump != sump:
            continue
        if r.signal == "metered" and r.volume_l:
            heard.metered.append((r.time, r.volume_l))
        elif r.signal in ("level", "running") and isinstance(r.value, float):
            getattr(heard, r.signal).append((r.time, r.value))
    heard.level.sort()
    found = (_addition(heard, group) for group in _groups(sorted(heard.metered)))
    return [one for one in found if one is not None]


def _groups(metered: Line) -> list[Line]:
    groups: list[Line] = []
    for row in metered:
        if groups and row[0] - groups[-1][-1][0] <= SAME_S:
            groups[-1].append(row)
        else:
            groups.append([row])
    return groups


def _addition(heard: Heard, group: Line) -> Addition | None:
    begun, ended = group[0][0], group[-1][0]
    before = _rest(heard.level, begun - BEFORE_S - SAME_S / 2, begun - SAME_S / 2)  # a record says what came before it
    after = _rest(heard.level, ended + AFTER_S[0], ended + AFTER_S[1])
    turned = any(begun - BEFORE_S - SAME_S <= t <= ended + AFTER_S[1] for t, _ in _turns(heard.running))
    if before is None or after is None or turned:
        return None
    litres = sum(volume for _, volume in group)
    sd = float(np.hypot(np.hypot(METER.own_l, METER.own_share * litres), LOST_L))
    return Addition(ended, before[0], after[0], float(np.hypot(before[1], after[1]) / 2**0.5), litres, sd)


def _turns(running: Line) -> Line:
    return [b for a, b in zip(running, running[1:], strict=False) if a[1] != b[1]]


def _rest(level: Line, since: float, until: float) -> tuple[float, float] | None:
    """(median, its standard error) of a stretch."""
    rows = level[bisect_left(level, (since, -1e300)) : bisect_right(level, (until, 1e300))]
    if len(rows) < FEWEST:
        return None
    x = np.array([value for _, value in rows])
    return float(np.median(x)), max(1.25 * spread_of(x) / len(x) ** 0.5, 1e-3)


def dips(bench: Bench, sump: str) -> list[Check]:
    """Dip stick checks kept since the curve in force was chosen: how far the sensor was off, in its own unit."""
    stack = bench.stack(sump, CURVE_FIELD)
    since = stack[-1].time if stack else 0.0
    found = [k.document for k in bench.files.all(sump) if k.document is not None and k.document.kind == "dip"]
    kept = [d for d in found if d.time >= since]
    return [Check(d.time, d.fit["off"]["value"], d.fit["off"]["sd"]) for d in reversed(kept)]


def probed(bench: Bench, sump: str) -> float:
    """When the inline probe was calibrated last (epoch s); 0 where no result is kept. What it was before is over."""
    found = [k.document.time for k in bench.files.all(sump) if k.document is not None and k.document.kind == "probe"]
    return max(found, default=0.0)


def pairs(bench: Bench, sump: str, since: float, until: float) -> list[Pair]:
    """Hand readings with what the inline probe read of the same fluid at the time, from the journal."""
    inline = bench.readings(sump, "brix", since - PAIR_S, until)
    warm = bench.readings(sump, "temperature", since - WARMEST_SHIFT_S, until)
    found = []
    for word in bench.words(sump):
        if word.get("signal") != "hand_reading" or word.get("refused"):
            continue
        at = float(word.get("at") or word["time"])
        near = _rest(inline, at - PAIR_S, at + PAIR_S)
        if near is None or not since <= at <= until:
            continue
        celsius = _rest(warm, at - WARMEST_SHIFT_S, at + WARMEST_SHIFT_S)
        found.append(Pair(at, near[0], float(word["value"]), celsius[0] if celsius else None))
    return found
