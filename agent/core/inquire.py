"""What to ask of people: a reading, what an addition was, a look at the machine. Nothing here is poured."""

from __future__ import annotations

from dataclasses import replace
from math import hypot, sqrt
from typing import TYPE_CHECKING

from agent.core import strength
from agent.core.handling import HAND_SD_BRIX, TITRATION_SD_PCT
from agent.core.outputs import Advice, Finding
from agent.core.sump import slot_of

if TYPE_CHECKING:
    from agent.core.sump import Addition, Sump

DAY_S = 86400.0
FIRST_S = 3600.0  # after the first record: by then the level is known and a reading can be asked for
READ_WEEKLY_S = 6.5 * DAY_S  # asked for before the next top-off is mixed
READ_LATE_S = 9.0 * DAY_S  # asked for whenever
READ_ANYWAY_S = 14.0 * DAY_S  # asked for even where nothing is in doubt
READ_TO_ACT_S = 3.0 * DAY_S  # an older reading is taken anew before a correction
READ_TO_FILL_S = 5.0 * DAY_S  # an older one before a top-off is mixed
READING_TAKES_H = 6.0  # with less time than this before the low mark nobody is sent for a reading first
READ_AGAIN_S = 2 * 3600.0  # a doubted reading is repeated after this
FORTNIGHT_S, MOST_A_FORTNIGHT = 14 * DAY_S, 2  # readings asked for; one doubted in a week is repeated on top
TOP_OFF_NEAR_H = 30.0
TELLS, TELLS_MUCH = 0.10, 0.20  # by which a reading must narrow the strength
WIDE_SHARE = 0.25  # of half the band: a strength known better than this needs no reading
OIL_SHARE, TITRATION = 0.25, "titration"  # of half the band: doubt that is only of way oil asks for a titration
COARSE_SHARE, FINER = 0.4, 0.75  # of half the band: a dip this coarse asks for a titration that is finer by so much
DOUBTED = 0.5  # probability of having been wrong
ASK_WITHIN_S = 24 * 3600.0  # later nobody remembers
SAID_BY_S, FOLLOWED_SAID_BY_S = 3600.0, 4 * 3600.0  # after a pour most people have said what it was by then
SAME_POUR_S = 2 * 3600.0  # pours nearer than this are one to the person who enters it
ANSWER_TELLS, ANSWER_STILL_TELLS = 0.15, 0.08  # by which knowing the kind must narrow the strength
BLIND_S = 4 * 3600.0  # without a level for so long somebody should look
LOOK_STANDS_S, LOOK_AGAIN_S = 24 * 3600.0, 72 * 3600.0


# ---- readings


def read_in_time(sump: Sump, when: float, to_low_h: float | None) -> Advice | None:
    """A reading because the last is old, doubted or missing. `to_low_h`: hours to the low mark."""
    spec = sump.spec
    if not sump.readings:
        due = when - sump.begun > FIRST_S
        return _read(sump, when, f"The strength of {spec.name} has not been read yet") if due else None
    last = sump.readings[-1]
    age = when - last.time
    if last.doubt > DOUBTED and age > READ_AGAIN_S and _doubted_lately(sump, when) < 2:
        return _read(sump, when, f"The last reading, {last.pct:.1f} %, does not fit what went in and out: read again")
    if age < READ_WEEKLY_S or _lately(sump, when) >= MOST_A_FORTNIGHT and not _stands(sump):
        return None
    near = to_low_h is not None and to_low_h < TOP_OFF_NEAR_H or _stands(sump)
    tells = _tells(sump)
    if age > READ_ANYWAY_S or tells > TELLS and (age > READ_LATE_S or near):
        return _read(sump, when, f"The last reading is {age / DAY_S:.0f} days old")
    return None


def read_before_acting(sump: Sump, when: float) -> Advice | None:
    """A reading because a correction would rest on a strength that is not known well."""
    age = when - sump.readings[-1].time if sump.readings else READ_ANYWAY_S
    may = age > READ_TO_ACT_S and _lately(sump, when) < MOST_A_FORTNIGHT
    if _stands(sump) or (may and _tells(sump) > TELLS_MUCH):
        return _read(sump, when, "Strength may have left its band, and is not known well enough to correct it")
    return None


def read_before_filling(sump: Sump, when: float, to_low_h: float | None) -> Advice | None:
    """A reading before a due top-off is mixed, where there is time for both. `to_low_h`: hours to the low mark."""
    standing = sump.advice.standing
    busy = standing is not None and standing.kind != "read_strength"
    if busy or to_low_h is not None and to_low_h < READING_TAKES_H:
        return None
    if not sump.readings:
        return _read(sump, when, f"The strength of {sump.spec.name} has not been read yet, and it will soon be filled")
    age = when - sump.readings[-1].time
    may = age > READ_TO_FILL_S and _lately(sump, when) < MOST_A_FORTNIGHT and _tells(sump) > TELLS
    if may or _stands(sump) and age > READ_TO_FILL_S:
        return _read(sump, when, f"It will soon be filled, and the last reading is {age / DAY_S:.0f} days old")
    return None


def _stands(sump: Sump) -> bool:
    standing = sump.advice.standing
    return standing is not None and standing.kind == "read_strength"


def _lately(sump: Sump, when: float) -> int:
    return sum(when - r.time < FORTNIGHT_S for r in sump.readings)


def _doubted_lately(sump: Sump, when: float) -> int:
    return sum(when - r.time < 7 * DAY_S and r.doubt > DOUBTED for r in sump.readings)


def _tells(sump: Sump) -> float:
    """By which share one hand reading would narrow the strength; 0 where it is known well enough."""
    spec = sump.spec
    _, sd = strength.moments(sump.ledger.mix, strength.C)
    if sd < WIDE_SHARE * 0.5 * (spec.high_pct - spec.low_pct):
        return 0.0
    _, oil_sd = strength.moments(sump.ledger.mix, strength.O)
    reads = spec.refractometer_factor * hypot(HAND_SD_BRIX, oil_sd)
    return 1.0 - reads / hypot(sd, reads)


def _read(sump: Sump, when: float, why: str) -> Advice:
    if _oil_in_doubt(sump):
        text = f"{why}; by titration where there is a kit, for way oil may be adding to what the refractometer reads."
        return replace(_nothing_poured(sump, when, "read_strength", text), method=TITRATION)
    if _coarse(sump):
        text = f"{why}; by titration where there is a kit, for the refractometer is coarse for this fluid's band."
        return replace(_nothing_poured(sump, when, "read_strength", text), method=TITRATION)
    return _nothing_poured(sump, when, "read_strength", f"{why}.")


def _coarse(sump: Sump) -> bool:
    """Is a dip coarse beside the band, and a titration finer? An error of 0.2 Brix is 0.6 points at a factor of 3."""
    spec = sump.spec
    dip_pct = spec.refractometer_factor * HAND_SD_BRIX
    return dip_pct > COARSE_SHARE * 0.5 * (spec.high_pct - spec.low_pct) and dip_pct * FINER > TITRATION_SD_PCT


def _oil_in_doubt(sump: Sump) -> bool:
    """Does what is not known of the strength come to a good part from not knowing whether way oil is in it?

    Another dip would leave that as it is; a titration reads the strength itself. Between the two thoughts of weights
    p and 1 − p and means c₁, c₂ lies a variance of p·(1 − p)·(c₁ − c₂)².
    """
    mix, spec = sump.ledger.mix, sump.spec
    oily = mix.kinds[:, strength.OILY] == 1
    p = float(mix.w[oily].sum())
    if not 0.0 < p < 1.0:
        return False
    c = mix.x[:, strength.C]
    apart = float(mix.w[oily] @ c[oily]) / p - float(mix.w[~oily] @ c[~oily]) / (1.0 - p)
    return sqrt(p * (1.0 - p)) * abs(apart) > OIL_SHARE * 0.5 * (spec.high_pct - spec.low_pct)


# ---- what an addition was


def ask(sump: Sump, when: float) -> Advice | None:
    """What was that? For the newest addition that nobody named, where the answer would tell much."""
    standing = sump.advice.standing
    for addition in reversed(sump.additions):
        found = addition.finding
        if when - found.start > ASK_WITHIN_S:
            return None
        stands = standing is not None and standing.kind == "ask" and standing.of == found.id
        if _known(addition) or (found.id in sump.advice.asked and not stands) or _may_yet_be_said(sump, addition, when):
            continue
        if _answer_tells(sump, found.id) > (ANSWER_STILL_TELLS if stands else ANSWER_TELLS):
            return _question(sump, when, found)
    return None


def _may_yet_be_said(sump: Sump, addition: Addition, when: float) -> bool:
    """People enter what they have poured minutes to hours after, and once for what the level shows as two pours: who
    followed an instruction is given longer, and what lies next to an addition that was named belongs to it."""
    end = addition.finding.end or addition.finding.start
    waits_s = SAID_BY_S if addition.advised_pct is None else FOLLOWED_SAID_BY_S
    if when - end < waits_s:
        return True
    start = addition.finding.start
    return any(_known(a) and abs(a.finding.start - start) < SAME_POUR_S for a in sump.additions if a is not addition)


def answered(sump: Sump, ident: str, when: float) -> str:
    """Why a question is closed, "" where it is not."""
    addition = next((a for a in sump.additions if a.finding.id == ident), None)
    if addition is None:
        return "no longer needed: it was no addition"
    if _known(addition):
        return "answered"
    return "expired: too long ago to remember" if when - addition.finding.start > ASK_WITHIN_S else ""


def _known(addition: Addition) -> bool:
    return addition.finding.kind != "top_off" or (addition.said and addition.said_pct is not None)


def _answer_tells(sump: Sump, ident: str) -> float:
    """By which share the strength's sd would shrink on average, were the kind of an addition known."""
    slot, mix, spec = slot_of(sump, ident), sump.ledger.mix, sump.spec
    if slot is None:
        return 0.0
    mean, sd = strength.moments(mix, strength.C)
    if sd < WIDE_SHARE * 0.5 * (spec.high_pct - spec.low_pct):
        return 0.0
    c, var = mix.x[:, strength.C], mix.P[:, strength.C, strength.C]
    within = 0.0
    for share in mix.slots[:, slot].T:
        w = mix.w * share
        middle = float(w @ c) / max(float(w.sum()), 1e-12)
        within += float(w @ (var + (c - middle) ** 2))
    return 1.0 - sqrt(max(within, 0.0)) / max(sd, 1e-9)


def _question(sump: Sump, when: float, found: Finding) -> Advice:
    ago_h = (when - found.start) / 3600.0
    text = f"About {found.volume_l or 0.0:.0f} L went in {ago_h:.0f} h ago and nobody entered what it was"
    return _nothing_poured(sump, when, "ask", f"{text}: the answer would make the strength clearer.", found.id)


# ---- a look at the machine


def look(sump: Sump, when: float) -> Advice | None:
    """A leak that was found, or a level sensor that says nothing: somebody should look."""
    blind_s = when - sump.last_level
    if blind_s > BLIND_S and _wants_look(sump, "level", when):
        text = f"The level sensor has said nothing new for {blind_s / 3600.0:.0f} h: check it, and the level by eye."
        return _nothing_poured(sump, when, "look", text)
    leak = sump.leak
    if leak.rate_l_per_h > 0.0 and blind_s <= BLIND_S and _wants_look(sump, leak.ident, when):
        text = f"About {leak.rate_l_per_h:.1f} L an hour goes, running or not: look for a leak."
        return _nothing_poured(sump, when, "look", text, leak.ident)
    return None


def _wants_look(sump: Sump, what: str, when: float) -> bool:
    """Asked for a day, then not again for two."""
    looked = sump.advice.looked
    first = looked.get(what)
    if first is None or when - first > LOOK_AGAIN_S:
        looked.pop(what, None)
        while len(looked) > 8:
            del looked[next(iter(looked))]
        looked[what] = when
        return True
    return when - first < LOOK_STANDS_S


def _nothing_poured(sump: Sump, when: float, kind: str, reason: str, of: str | None = None) -> Advice:
    none = None
    return Advice(
        "", when, sump.spec.id, kind, none, none, none, none, none, none, none, none, none, reason, of
    )  # fmt: skip
