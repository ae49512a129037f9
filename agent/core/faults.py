"""Faults that a person should know of: a level sensor that says nothing, an inline refractometer that is off, a
proportioner that is off, way oil, more held up in circulation than usual.

Each is one finding while it lasts: told once, told anew when its figure has moved, ended when it is over.
"""

from __future__ import annotations

from dataclasses import replace
from math import exp
from typing import TYPE_CHECKING

from agent.core import strength
from agent.core.outputs import Finding, Output

if TYPE_CHECKING:
    from agent.core.sump import Sump

BLIND_S = 3600.0  # a sensor that gave nothing for so long, though it sends, is said to be at fault
OFF_SD, OFF_SHARE, OFF_MOVED = 2.0, 0.12, 0.08  # of the proportioner's ratio: so sure, so far off, moved by so much
BACK_SHARE = 0.06  # nearer than this it is right again
BIAS_BRIX, BIAS_BACK_BRIX, BIAS_SD, BIAS_MOVED_BRIX = 0.6, 0.3, 3.0, 0.3  # the same of an inline refractometer's bias
HELD_MORE, HELD_BACK, HELD_SD, HELD_SHARE = 1.3, 1.12, 3.0, 0.012  # of what runs usually hold up; the last, of full
OIL_SURE, OIL_GONE, OIL_BRIX, OIL_LEFT = 0.8, 0.4, 0.3, 0.15  # told from, until: how likely; Brix from, until


def blind(sump: Sump, when: float, why: str) -> list[Output]:
    """A level came that is no measurement; said once it has gone on for BLIND_S."""
    if not sump.last_level or when - sump.last_level < BLIND_S or "level_sensor" in sump.faults:
        return []
    return [_tell(sump, when, "level_sensor", sump.last_level, f"the level sensor {why}: check it")]


def seeing(sump: Sump, when: float) -> list[Output]:
    """The level is seen again."""
    return _end(sump, when, "level_sensor", "the level sensor works again") if "level_sensor" in sump.faults else []


def watch(sump: Sump, when: float) -> list[Output]:
    """A few times a day: the proportioner, way oil, the inline refractometer, what is held up."""
    return _proportioner(sump, when) + _oil(sump, when) + _probe(sump, when) + _hold_up(sump, when)


def _probe(sump: Sump, when: float) -> list[Output]:
    """The inline refractometer against hand readings and the mass balance: its film, its zero."""
    bias, sd = strength.moments(sump.ledger.mix, strength.B)
    old = sump.faults.get("strength_sensor")
    if old is None:
        if abs(bias) < max(BIAS_BRIX, BIAS_SD * sd):
            return []
    elif abs(bias) < BIAS_BACK_BRIX:
        return _end(sump, when, "strength_sensor", "the inline refractometer agrees again")
    elif old.withdrawn or abs(bias - sump.told_bias) < BIAS_MOVED_BRIX:
        return []
    sump.told_bias = bias
    side = "high" if bias > 0.0 else "low"
    text = f"the inline refractometer reads about {abs(bias):.1f} Brix {side}: clean it, check its zero with water"
    return [_tell(sump, when, "strength_sensor", when if old is None else old.start, text)]


def _hold_up(sump: Sump, when: float) -> list[Output]:
    """What is out of the tank while the pump runs, against what it has been over many runs."""
    rates, usual = sump.tracker.rates, sump.tracker.usual_held_l
    more = rates.held_l - usual
    old = sump.faults.get("hold_up")
    if usual <= 0.0:
        return []
    if old is None:
        least = max((HELD_MORE - 1.0) * usual, HELD_SD * rates.held_sd, HELD_SHARE * sump.spec.full_l)
        if more < least:
            return []
    elif more < (HELD_BACK - 1.0) * usual:
        return _end(sump, when, "hold_up", "no more is held up than usual")
    else:
        return []
    text = f"the running pump holds up about {more:.0f} L more than usual: look for a blocked return or filter"
    return [_tell(sump, when, "hold_up", when, text, volume_l=more, volume_sd=rates.held_sd)]


def _proportioner(sump: Sump, when: float) -> list[Output]:
    mean, sd = strength.moments(sump.ledger.mix, strength.R)
    old = sump.faults.get("proportioner")
    real = sump.spec.usual_pct * exp(mean)
    if old is None:
        if abs(mean) < max(OFF_SHARE, OFF_SD * sd):
            return []
    elif abs(mean) < BACK_SHARE:
        return _end(sump, when, "proportioner", "the proportioner gives what is set again")
    elif old.withdrawn or old.makeup_pct is None or abs(real / old.makeup_pct - 1.0) < OFF_MOVED:
        return []
    text = f"the proportioner gives about {real:.1f} % where {sump.spec.usual_pct:g} % is set: check it"
    start = when if old is None else old.start
    return [_tell(sump, when, "proportioner", start, text, makeup_pct=real, makeup_sd=real * sd)]


def _oil(sump: Sump, when: float) -> list[Output]:
    share, brix = strength.oil(sump.ledger.mix)
    if "oil" in sump.faults:
        return _end(sump, when, "oil", "way oil no longer shows") if share < OIL_GONE or brix < OIL_LEFT else []
    if share < OIL_SURE or brix < OIL_BRIX:
        return []
    text = f"way oil seems to add about {brix:.1f} Brix to the reading: skim, mend, do not correct on the index alone"
    return [_tell(sump, when, "oil", when, text)]


def _tell(
    sump: Sump,
    when: float,
    kind: str,
    start: float,
    text: str,
    makeup_pct: float | None = None,
    makeup_sd: float | None = None,
    volume_l: float | None = None,
    volume_sd: float | None = None,
) -> Output:
    old = sump.faults.get(kind)
    ident = f"{sump.spec.id}/{kind}{int(start)}" if old is None else old.id
    finding = Finding(
        ident, 0 if old is None else old.revision + 1, when, sump.spec.id, kind, start, None, volume_l, volume_sd,
        makeup_pct, makeup_sd, None, None, text,
    )  # fmt: skip
    sump.faults[kind] = finding
    return finding


def _end(sump: Sump, when: float, kind: str, text: str) -> list[Output]:
    """It is over; of one that a person has dismissed nothing more is said."""
    old = sump.faults.pop(kind)
    if old.withdrawn:
        return []
    return [replace(old, time=when, revision=old.revision + 1, end=when, text=text)]


def dismissed(sump: Sump, when: float, ident: str, why: str) -> list[Output]:
    """A person says that it is none: taken back, and not told again until it is over."""
    for kind, old in sump.faults.items():
        if old.id == ident and not old.withdrawn:
            new = replace(old, time=when, revision=old.revision + 1, withdrawn=True, text=why)
            sump.faults[kind] = new
            return [new]
    return []
