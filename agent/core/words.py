"""People's words: readings, additions, recharges, what was drained or metered, and what they take back.

A word tells of something up to a day ago. It goes to the ledger at its time; beliefs already written stay.
"""

from __future__ import annotations

from dataclasses import replace

from agent.core import faults, strength
from agent.core import kinds as kinds_of
from agent.core.handling import HAND_SD_BRIX, TITRATION_SD_PCT
from agent.core.kinds import Habits
from agent.core.ledger import Move
from agent.core.level import Poured
from agent.core.outputs import Output
from agent.core.sump import (
    MIXED_S,
    SAID_ONLY,
    SAID_TWICE_S,
    WORD_LATE_S,
    Addition,
    Reading,
    Sump,
    Word,
    catch_up,
    finding_of,
    fit,
    heed,
    judge_anew,
    keep_reading,
    makeup,
    revise,
    say,
    withdraw,
)

UNMIXED_SD_BRIX = 0.5  # within MIXED_S of an addition, before it has gone round
METER_SHARE = 0.02  # 1 sd of a metered volume, share of it
METER_LATE_S = 3 * 3600.0
LEAST_FILL_SHARE = 0.05  # of full: nobody fills a sump anew with less
MOST_DISMISSED = 40  # of a sump that are remembered


def take_reading(sump: Sump, habits: Habits, when: float, at: float | None, brix: float) -> list[Output]:
    """A hand refractometer reading, Brix, entered at `when`, taken `at` where said."""
    spec = sump.spec
    taken = min(at, when) if at is not None else when
    ref = f"hand {when:.3f}"
    fresh = any(0.0 <= taken - (a.finding.end or 0.0) < MIXED_S for a in sump.additions)
    sd = UNMIXED_SD_BRIX if fresh or (sump.tracker.branches and sump.tracker.best().flow) else HAND_SD_BRIX
    catch_up(sump, taken)
    sump.ledger.add(Move(taken, "hand", (brix, spec.refractometer_factor, sd, _days_since_read(sump, taken)), ref=ref))
    doubt = strength.doubt(sump.ledger.mix) if sump.ledger.moves[-1].ref == ref else 0.0
    keep_reading(sump, Reading(taken, brix * spec.refractometer_factor, ref, doubt))
    judge_anew(sump, habits, taken)
    return revise(sump, when)


def _days_since_read(sump: Sump, taken: float) -> float:
    """Days from the last reading before `taken` (epoch s), or from where the sump began."""
    return max(0.0, taken - max((r.time for r in sump.readings if r.time <= taken), default=sump.begun)) / 86400.0


def take_titration(sump: Sump, habits: Habits, when: float, at: float | None, pct: float) -> list[Output]:
    """A titration, % by volume."""
    taken = min(at, when) if at is not None else when
    ref = f"titration {when:.3f}"
    catch_up(sump, taken)
    sump.ledger.add(Move(taken, "titration", (pct, TITRATION_SD_PCT), ref=ref))
    doubt = strength.doubt(sump.ledger.mix) if sump.ledger.moves[-1].ref == ref else 0.0
    keep_reading(sump, Reading(taken, pct, ref, doubt))
    judge_anew(sump, habits, taken)
    return revise(sump, when)


def take_addition(sump: Sump, habits: Habits, when: float, word: Word, of: str | None) -> list[Output]:
    """A person's word on what was added: put to the addition it fits, else kept until the level shows it."""
    if of is not None:
        fits = [a for a in sump.additions if a.finding.id == of]
    else:
        fits = [a for a in sump.additions if fit(a, word) is not None]
        fits.sort(key=lambda a: fit(a, word) or 0.0)
    unsaid = [a for a in fits if not a.said]
    if unsaid or (of is not None and fits):
        heed(sump, habits, (unsaid or fits)[0], word)
        return revise(sump, when)
    if fits and any(abs(when - a.said_at) < SAID_TWICE_S for a in fits):
        return []  # said twice
    sump.words.append(word)
    if word.volume_l is not None:
        sump.tracker.hint(word.volume_l, word.at if word.at is not None else when)
    return []


def take_recharge(sump: Sump, when: float, at: float | None, said_l: float | None, pct: float | None) -> list[Output]:
    """Emptied, cleaned and filled anew, as a person says it, hours after. Without a volume: to the full mark."""
    spec = sump.spec
    volume_l = said_l if said_l and said_l > LEAST_FILL_SHARE * spec.full_l else spec.full_l
    lately = [a for a in sump.additions if when - a.finding.start < WORD_LATE_S and a.finding.volume_l]
    big = [a for a in lately if (a.finding.volume_l or 0.0) > 0.4 * volume_l]
    kinds = kinds_of.fresh_fill(spec.target_pct, spec.usual_pct, pct)
    if big:
        addition = max(big, key=lambda a: a.finding.volume_l or 0.0)
        ident, start = addition.finding.id, addition.finding.start
        move = sump.ledger.find(ident)
        if move is not None and addition.former is None:
            addition.former = (addition.finding, replace(move, before=None))
        sump.ledger.remove(ident)
    else:
        start = at if at is not None else when
        ident = f"{spec.id}/{int(start)}{SAID_ONLY}"
        blank = Poured(start, start, volume_l, (0.05 * volume_l) ** 2)
        addition = Addition(finding_of(sump, ident, when, "recharge", blank, ""), kinds_of.PLAIN)
        sump.additions.append(addition)
    addition.learned = addition.said = True
    addition.said_at = when
    sump.ledger.add(Move(start, "renew", (volume_l,), kinds, ident))
    mean, sd = makeup(sump, ident)
    found = replace(
        addition.finding, time=when, kind="recharge", makeup_pct=mean, makeup_sd=sd,
        text="emptied, cleaned and filled anew, as entered",
    )  # fmt: skip
    sump.additions.remove(addition)
    sump.additions.append(addition)
    addition.finding = found
    return say(sump, found) + revise(sump, when)


def dismiss(sump: Sump, when: float, ident: str) -> list[Output]:
    """A person says that a finding was no such thing."""
    why = "taken back: a person says it was no such thing"
    if ident not in sump.said_ids:
        return faults.dismissed(sump, when, ident, why)
    sump.leak.dismissed(sump, ident)
    sump.dismissed = [*sump.dismissed[-MOST_DISMISSED:], ident]
    return withdraw(sump, when, ident, why)


def take_drained(sump: Sump, when: float, volume_l: float) -> list[Output]:
    """So many litres were taken out, at the strength they had; a fall that the level showed in one go is it."""
    for finding in sump.said_ids.values():
        seen = finding.volume_l or 0.0
        if finding.kind == "drained" and when - finding.start < WORD_LATE_S and abs(seen - volume_l) < 0.4 * volume_l:
            sump.ledger.remove(finding.id)
            return []
    sump.drained_l += volume_l
    return []


def take_metered(sump: Sump, habits: Habits, when: float, volume_l: float) -> list[Output]:
    """Litres through the makeup line's meter since the last such record: the volume of the addition they fit."""
    if volume_l <= 0.0:
        return []
    for addition in reversed(sump.additions):
        found = addition.finding
        near = abs((found.volume_l or 0.0) - volume_l) < 0.3 * volume_l + 2.0
        if when - (found.end or found.start) < METER_LATE_S and near:
            move = sump.ledger.find(found.id)
            if move is None or move.what != "pour":
                return []
            n, sd = move.numbers, max(METER_SHARE * volume_l, 0.1)
            sump.ledger.change(found.id, numbers=(n[0], volume_l, sd, n[3]))
            return say(sump, replace(found, time=when, volume_l=volume_l, volume_sd=sd)) + revise(sump, when)
    sump.tracker.hint(volume_l, when)
    return []


def take_back(sump: Sump, habits: Habits, when: float, record_time: float, record_signal: str) -> list[Output]:
    """A person takes back an earlier entry: as if it had never been made, from now on."""
    if record_signal in ("hand_reading", "titration"):
        ref = f"{'hand' if record_signal == 'hand_reading' else 'titration'} {record_time:.3f}"
        sump.ledger.remove(ref)
        for reading in [r for r in sump.readings if r.ref == ref]:
            sump.readings.remove(reading)
            judge_anew(sump, habits, reading.time)
        return revise(sump, when)
    if record_signal == "addition":
        for word in [w for w in sump.words if abs(w.time - record_time) <= 1e-3]:
            sump.words.remove(word)
            sump.ledger.remove(word.ref)
        for addition in sump.additions:
            if addition.said and abs(addition.said_at - record_time) <= 1e-3:
                addition.said, addition.said_pct = False, None
                if addition.taught is not None:
                    habits.learn(*addition.taught, -1.0)
                    addition.taught, addition.learned = None, False
                if addition.unsaid:
                    sump.ledger.change(addition.finding.id, kinds=addition.unsaid)
        return revise(sump, when)
    if record_signal == "drained":
        sump.drained_l = 0.0
    if record_signal == "recharge":
        return _recharge_taken_back(sump, when, record_time)
    return []


def _recharge_taken_back(sump: Sump, when: float, record_time: float) -> list[Output]:
    """The last recharge said at that time was none."""
    for addition in reversed(sump.additions):
        ident = addition.finding.id
        if addition.finding.kind != "recharge" or abs(addition.said_at - record_time) > 1e-3:
            continue
        if addition.former is None:
            return withdraw(sump, when, ident, "taken back by the person who entered it")
        (finding, move), addition.former = addition.former, None
        sump.ledger.remove(ident)
        sump.ledger.add(move)
        addition.said, addition.said_at = False, 0.0
        return say(sump, replace(finding, time=when)) + revise(sump, when)
    return []
