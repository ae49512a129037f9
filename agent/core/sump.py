"""One sump: gates, level tracker, strength ledger and people's words, brought together record by record.

`Sump` is the state of one sump; the functions below take it and a record and give outputs. Nothing here looks at
a clock: time is the records' own.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field, replace
from math import sqrt

from agent.core import kinds as kinds_of
from agent.core import strength
from agent.core.kinds import Habits
from agent.core.leak import LeakWatch
from agent.core.ledger import Ledger, Move
from agent.core.level import Poured
from agent.core.outputs import Finding, Output
from agent.core.posted import Posted, advised_pct
from agent.core.spec import SumpSpec
from agent.core.tracker import Tracker

SHARE, SHARE_SD = 0.68, 0.15  # of the running loss that evaporates, over all machines
PRIOR_SHARE_SD = 0.12  # of one machine, whose usual mix is known
USUAL_OVER_HOLD = 1.1  # people set a proportioner a little above what would hold the target
MIXED_S = 1800.0
EMPTY_SHARE, REFILL_SHARE = 0.3, 0.35  # of full: a fill this large on a tank this empty is a recharge
WORD_EARLY_S, WORD_LATE_S = 1800.0, 26 * 3600.0  # a word may come this long before or after what it tells
WORD_WAITS_S = 40 * 3600.0  # a word waits this long for the level to show what it tells
SAID_TWICE_S = 12 * 3600.0
HIDDEN_BY_S = 6 * 3600.0  # what was entered and has not been seen by then, the level may have hidden
MOST_HIDDEN_SHARE, HIDDEN_SD_SHARE = 0.15, 0.15  # of full: no level hides more; 1 sd of its litres, share of them
LEARN_AFTER_S = 4 * 86400.0  # by then an addition's kind is as settled as it will get
SAID_ONLY = "r"  # ends the id of a recharge that no level showed
UNSEEN_RECHARGE_S = 12 * 3600.0  # a gap's inflow this near to a recharge that was said is that one
FALL_DAYS = 45.0  # between falls of a level that nobody speaks of, over all sumps
MOST_GONE = 60  # findings taken back are remembered, so that their ids go on where they were
MOST_LOST_SHARE, MOST_GAINED_SHARE = 0.25, 0.05  # of full, booked at once: more is hardly evaporation, or no loss


@dataclass(slots=True)
class Addition:
    """An addition that was told as a finding, and what is known of it by now."""

    finding: Finding
    mood: str
    said_pct: float | None = None
    said: bool = False
    said_at: float = 0.0
    unsaid: list[strength.Kind] = field(default_factory=list)  # the kinds before anybody said anything
    learned: bool = False
    advised_pct: float | None = None  # what was advised when it was made
    guess_pct: float = 0.0  # the strength as it was believed then, %
    shown: bool = False  # of a recharge that was said before the level showed it: now it has
    taught: tuple[str, int] | None = None  # mood and kind that a person's word on it was counted as
    former: tuple[Finding, Move] | None = None  # what it was taken for before a person said that it was a recharge


@dataclass(slots=True)
class Word:
    """A person's word on an addition that waits for the level to show it. Times epoch s, volume L."""

    time: float
    at: float | None
    volume_l: float | None
    pct: float | None
    counted: bool = False  # as an addition that the level has hidden

    @property
    def ref(self) -> str:
        """Name of the move that stands for it once it is counted."""
        return f"word {self.time:.3f}"


@dataclass(slots=True)
class Reading:
    """A strength reading as entered: % by volume, and the probability that it was wrong."""

    time: float
    pct: float
    ref: str
    doubt: float = 0.0


@dataclass(slots=True)
class Sump:
    """State of one sump."""

    spec: SumpSpec
    tracker: Tracker
    ledger: Ledger
    leak: LeakWatch
    begun: float = 0.0
    flags: dict[str, int] = field(default_factory=dict)
    latest: dict[str, tuple[float, float]] = field(default_factory=dict)  # signal → epoch s, value
    crowd: list[tuple[float, float]] = field(default_factory=list)  # epoch s, raw level, not yet counted
    paced: float = 0.0  # epoch s of the last reading that was
    loss_time: float = 0.0  # up to here the ledger has the losses
    loss_from: float = 0.0  # L lost by then
    looked: float = 0.0  # epoch s: when the ledger was last looked at for what it has learned
    running_min: float = 0.0  # since then
    idle_min: float = 0.0
    last_level: float = 0.0  # epoch s of the last level that counted
    additions: deque[Addition] = field(default_factory=lambda: deque(maxlen=40))
    words: list[Word] = field(default_factory=list)
    readings: deque[Reading] = field(default_factory=lambda: deque(maxlen=40))
    inline: list[tuple[float, float]] = field(default_factory=list)  # epoch s, Brix, of this hour
    inline_hour: int = 0
    said_ids: dict[str, Finding] = field(default_factory=dict)  # findings that stand, by id
    dismissed: list[str] = field(default_factory=list)  # ids that a person said were no such thing, newest last
    gone: dict[str, Finding] = field(default_factory=dict)  # findings taken back, by id: as last said
    advice: Posted = field(default_factory=Posted)
    faults: dict[str, Finding] = field(default_factory=dict)  # faults that stand, by kind
    told_bias: float = 0.0  # Brix, of the inline refractometer, as last told
    falls: int = 0  # of the level in one go, that nobody spoke of
    drained_l: float = 0.0  # said to be taken out and not yet seen to be missing
    view: tuple[object, ...] = ()  # last summary of the mixture, and what it was made from


def new_sump(spec: SumpSpec) -> Sump:
    """A sump about which nothing is known but its site file."""
    held = 1.0 - spec.usual_pct / (USUAL_OVER_HOLD * spec.target_pct)  # a shop's usual mix nearly holds its target
    share = 0.5 * (SHARE + min(max(held, SHARE - 2.0 * SHARE_SD), SHARE + 2.0 * SHARE_SD))
    hoped = strength.begin(spec.target_pct, 0.15 * spec.target_pct, share, PRIOR_SHARE_SD)
    return Sump(spec, Tracker(spec.full_l, spec.high_l), Ledger(hoped), LeakWatch(spec.full_l))


def book_losses(sump: Sump, when: float) -> None:
    """Put the losses since the last booking into the ledger."""
    best = sump.tracker.best()
    days = (when - sump.loss_time) / 86400.0
    if days <= 0.0:
        return
    full = sump.spec.full_l
    lost = min(max(best.lost_so_far() - sump.loss_from, -MOST_GAINED_SHARE * full), MOST_LOST_SHARE * full)
    sump.loss_from += lost  # the rest waits: a level that was wrong comes back, and must not count one way only
    leaked = leaked_lately(sump, when)
    lost -= leaked
    drained = _drained_of(sump, lost)
    lost -= drained
    idle = min(max(sump.tracker.rates.idle - sump.leak.rate_l_per_h / 60.0, 0.0) * sump.idle_min, max(lost, 0.0))
    volume = max(best.V, 0.05 * full)
    sump.ledger.add(Move(when, "lose", (lost - idle, idle, volume, days, leaked, drained)))
    sump.loss_time = when
    sump.running_min = sump.idle_min = 0.0


def leaked_lately(sump: Sump, when: float) -> float:
    """Litres of a leak that is known, since losses were last booked."""
    leak = sump.leak
    if leak.rate_l_per_h <= 0.0:
        return 0.0
    return leak.rate_l_per_h * max(0.0, when - max(sump.loss_time, leak.since)) / 3600.0


def _drained_of(sump: Sump, lost: float) -> float:
    """How much of a loss a person has said to have drained: that leaves at the strength it has."""
    usual = sump.tracker.rates.running * sump.running_min + sump.tracker.rates.idle * sump.idle_min
    part = min(sump.drained_l, max(0.0, lost - usual))
    sump.drained_l -= part
    return part


def told(sump: Sump, habits: Habits, when: float, poured: Poured) -> list[Output]:
    """An inflow or outflow that the tracker is sure of becomes a finding and a move of the ledger."""
    book_losses(sump, when)
    ident, full = f"{sump.spec.id}/{int(poured.start)}", sump.spec.full_l
    if ident in sump.said_ids:
        return _volume_revised(sump, when, ident, poured)
    if ident in sump.dismissed or poured.volume_l == 0.0:
        return []
    if poured.volume_l < 0:
        if -poured.volume_l > sump.drained_l:
            days_a_fall = ((when - sump.begun) / 86400.0 + FALL_DAYS) / (sump.falls + 1.0)
            numbers = (max(poured.before_l, 0.05 * full), -poured.volume_l, days_a_fall)
            sump.ledger.add(Move(poured.start, "out", numbers, ref=ident))
            sump.falls += 1
        sump.drained_l = max(0.0, sump.drained_l + poured.volume_l)  # of what was said this has now been seen
        text = f"about {-poured.volume_l:.0f} L went out in one go"
        return say(sump, finding_of(sump, ident, when, "drained", poured, text))
    if _recharge_said(sump, poured):
        return []
    if poured.before_l < EMPTY_SHARE * full and poured.volume_l > REFILL_SHARE * full:
        return _recharged(sump, when, ident, poured)
    return _topped_off(sump, habits, when, ident, poured)


def _recharge_said(sump: Sump, poured: Poured) -> bool:
    """A person has said of this inflow already that it was a recharge, before the level showed it.

    In a gap the level shows no more than what came in above what had gone before.
    """
    for addition in sump.additions:
        found = addition.finding
        most_s = UNSEEN_RECHARGE_S if poured.in_gap else WORD_LATE_S
        near = abs(found.start - poured.start) < most_s
        large = poured.in_gap or poured.volume_l > 0.4 * (found.volume_l or 0.0)
        if found.id.endswith(SAID_ONLY) and not addition.shown and near and large:
            addition.shown = True
            return True
    return False


def _topped_off(sump: Sump, habits: Habits, when: float, ident: str, poured: Poured) -> list[Output]:
    spec = sump.spec
    before = max(poured.before_l, 0.02 * spec.full_l)
    advised = advised_pct(sump.advice, poured.start)
    guess = strength.moments(sump.ledger.mix, strength.C)[0]
    numbers = (before, poured.volume_l, sqrt(poured.variance), spec.usual_pct)
    mood, kinds = _prior(sump, habits, poured.start, numbers, advised, guess)
    sump.ledger.add(Move(poured.start, "pour", numbers, kinds, ident))
    text = f"about {poured.volume_l:.0f} L went in" + (" while the level was not seen" if poured.in_gap else "")
    finding = finding_of(sump, ident, when, "top_off", poured, text)
    addition = Addition(finding, mood, advised_pct=advised, guess_pct=guess)
    sump.additions.append(addition)
    _match_waiting(sump, habits, addition)
    mean, sd = makeup(sump, ident)
    addition.finding = replace(finding, makeup_pct=mean, makeup_sd=sd)
    return say(sump, addition.finding)


def _prior(
    sump: Sump, habits: Habits, start: float, numbers: tuple[float, ...], advised: float | None, guess_pct: float
) -> tuple[str, list[strength.Kind]]:
    """What an addition may have been before anybody says so: the mood that the last reading left, and the kinds."""
    spec, (before, added, _, usual) = sump.spec, numbers
    reading = _read_before(sump, start)
    read, age_s = (reading.pct, start - reading.time) if reading is not None else (None, 0.0)
    mood = kinds_of.mood_after(read, age_s, spec.low_pct, spec.target_pct, spec.high_pct)
    now_pct = read if read is not None else guess_pct
    wanted = (spec.target_pct * (before + added) - now_pct * before) / added
    kinds = kinds_of.candidates(habits, mood, usual, spec.target_pct, spec.richest_pct, wanted)
    if advised is not None:
        kinds = kinds_of.as_advised(habits, kinds, advised, usual)
    return mood, kinds


def judge_anew(sump: Sump, habits: Habits, since: float) -> None:
    """A reading before them has come late or was taken back: what the additions since then may have been."""
    for addition in list(sump.additions):
        found = addition.finding
        if not since < found.start < since + kinds_of.READ_LATELY_S:
            continue
        move = sump.ledger.find(found.id)
        if move is None or move.what != "pour":
            continue
        addition.mood, kinds = _prior(sump, habits, found.start, move.numbers, addition.advised_pct, addition.guess_pct)
        if addition.said_pct is not None:
            addition.unsaid, kinds = kinds, kinds_of.heed(kinds, addition.said_pct, move.numbers[3])
        sump.ledger.change(found.id, kinds=kinds)


def _recharged(sump: Sump, when: float, ident: str, poured: Poured) -> list[Output]:
    spec = sump.spec
    kinds = kinds_of.fresh_fill(spec.target_pct, spec.usual_pct, None)
    sump.ledger.add(Move(poured.start, "renew", (poured.volume_l,), kinds, ident))
    finding = finding_of(sump, ident, when, "recharge", poured, f"filled anew with about {poured.volume_l:.0f} L")
    sump.additions.append(Addition(finding, kinds_of.PLAIN, learned=True))
    return say(sump, replace(finding, makeup_pct=spec.target_pct, makeup_sd=0.15 * spec.target_pct))


def _volume_revised(sump: Sump, when: float, ident: str, poured: Poured) -> list[Output]:
    """The tracker judges an inflow otherwise than it told before."""
    old = sump.said_ids[ident]
    if abs(poured.volume_l) < sump.tracker.smallest_l(poured) or (poured.volume_l < 0.0) != (old.kind == "drained"):
        sump.words += [
            Word(a.said_at, None, old.volume_l, a.said_pct) for a in sump.additions if a.finding.id == ident and a.said
        ]  # what was said of it may be of what the level shows now
        return withdraw(sump, when, ident, "the level shows that nothing was added")
    move = sump.ledger.find(ident)
    if move is not None and move.what == "pour":
        n = move.numbers
        sump.ledger.change(ident, numbers=(n[0], poured.volume_l, sqrt(poured.variance), n[3]))
    new = replace(old, time=when, volume_l=poured.volume_l, volume_sd=sqrt(poured.variance), end=poured.end)
    return say(sump, new)


def withdraw(sump: Sump, when: float, ident: str, why: str) -> list[Output]:
    """Take a finding back, with the move that stood for it."""
    old = sump.said_ids.pop(ident)
    sump.ledger.remove(ident)
    sump.additions = deque((a for a in sump.additions if a.finding.id != ident), maxlen=sump.additions.maxlen)
    sump.gone[ident] = replace(old, time=when, revision=old.revision + 1, withdrawn=True, text=why)
    if len(sump.gone) > MOST_GONE:
        del sump.gone[next(iter(sump.gone))]
    return [sump.gone[ident]]


def finding_of(sump: Sump, ident: str, when: float, kind: str, poured: Poured, text: str) -> Finding:
    return Finding(
        ident, 0, when, sump.spec.id, kind, poured.start, poured.end, abs(poured.volume_l),
        sqrt(poured.variance), None, None, None, None, text,
    )  # fmt: skip


def say(sump: Sump, finding: Finding) -> list[Output]:
    """Tell a finding, new or judged anew."""
    old = sump.said_ids.get(finding.id) or sump.gone.pop(finding.id, None)
    if old is not None:
        finding = replace(finding, revision=old.revision + 1)
    sump.said_ids[finding.id] = finding
    if len(sump.said_ids) > 200:
        del sump.said_ids[next(iter(sump.said_ids))]
    for addition in sump.additions:
        if addition.finding.id == finding.id:
            addition.finding = finding
    return [finding]


def keep_reading(sump: Sump, reading: Reading) -> None:
    """Put a reading among the others at the time at which it was taken, which may be before theirs."""
    rows = sorted([*sump.readings, reading], key=lambda r: r.time)
    sump.readings = deque(rows, maxlen=sump.readings.maxlen)


def _read_before(sump: Sump, start: float) -> Reading | None:
    """The strength as it was read last, lately and with no addition since."""
    for reading in reversed(sump.readings):
        if reading.time > start:
            continue
        if start - reading.time > kinds_of.READ_LATELY_S:
            return None
        between = any(reading.time < a.finding.start < start - 3600.0 for a in sump.additions)
        return None if between else reading
    return None


def slot_of(sump: Sump, ident: str) -> int | None:
    """Which slot of the mixture holds an addition's strength; None where it has gone by."""
    pours = [m.ref for m in sump.ledger.moves if m.what in ("pour", "renew")]
    pours.reverse()
    slots = pours[: strength.SLOTS]
    return slots.index(ident) if ident in slots else None


def makeup(sump: Sump, ident: str) -> tuple[float | None, float | None]:
    """Mean of an addition's strength over what is still possible, %, and how far it may be off; None: gone by."""
    slot, move = slot_of(sump, ident), sump.ledger.find(ident)
    if slot is None or move is None:
        return None, None
    usual_pct = move.numbers[3] if move.what == "pour" else sump.spec.usual_pct
    return strength.poured_pct(sump.ledger.mix, slot, usual_pct)


def revise(sump: Sump, when: float) -> list[Output]:
    """Say anew the strength of each remembered addition that is now judged clearly otherwise."""
    outputs: list[Output] = []
    for addition in list(sump.additions)[-strength.SLOTS :]:
        old = addition.finding
        mean, sd = makeup(sump, old.id)
        if mean is None or sd is None or old.id not in sump.said_ids:
            continue
        known, width = old.makeup_pct, old.makeup_sd
        if known is None or width is None:
            moved = True
        else:
            moved = abs(mean - known) > max(0.05, 0.15 * width) or sd < 0.8 * width or sd > 1.25 * width
        if moved:
            outputs += say(sump, replace(old, time=when, makeup_pct=mean, makeup_sd=sd))
    return outputs


def count_hidden(sump: Sump, when: float) -> None:
    """What somebody entered and no level has shown in hours went in all the same, or did not: both are kept."""
    for word in sump.words:
        if word.counted or when - word.time < HIDDEN_BY_S or word.pct is None or not word.volume_l:
            continue
        word.counted = True
        spec, litres = sump.spec, word.volume_l
        if litres <= MOST_HIDDEN_SHARE * spec.full_l and not _said_before(sump, word):
            before = max(sump.tracker.best().V - litres, 0.1 * spec.full_l)
            numbers = (before, litres, HIDDEN_SD_SHARE * litres, spec.usual_pct)
            start = word.at if word.at is not None else word.time
            sump.ledger.add(Move(start, "pour", numbers, kinds_of.hidden(word.pct, spec.usual_pct), word.ref))


def _said_before(sump: Sump, word: Word) -> bool:
    """Was the same entered a few hours earlier?"""
    same = [w.time for w in sump.words if (w.volume_l, w.pct) == (word.volume_l, word.pct)]
    return any(0.0 < word.time - time < SAID_TWICE_S for time in same)


def learn_kinds(sump: Sump, habits: Habits, when: float) -> None:
    """Count what additions turned out to be, once."""
    for addition in sump.additions:
        if addition.learned or when - addition.finding.start < LEARN_AFTER_S:
            continue
        addition.learned = True
        slot = slot_of(sump, addition.finding.id)
        if slot is not None and not addition.said:
            for kind, p in strength.kind_weights(sump.ledger.mix, slot).items():
                habits.learn(addition.mood, kind, 0.7 * p)
            if addition.advised_pct not in (None, sump.spec.usual_pct):
                habits.learn_followed(strength.kind_weights(sump.ledger.mix, slot).get(strength.SAID, 0.0), 0.7)


def catch_up(sump: Sump, taken: float) -> None:
    """Book losses up to a reading that is of now, so that it meets the strength of now."""
    if sump.tracker.branches and sump.tracker.time - sump.loss_time > 600.0 and taken >= sump.loss_time:
        book_losses(sump, min(sump.tracker.time, taken) if taken > sump.loss_time else sump.tracker.time)


def fit(addition: Addition, word: Word) -> float | None:
    """How badly a word fits an addition (0 = perfectly); None where it cannot be meant."""
    found = addition.finding
    end = found.end if found.end is not None else found.start
    if word.at is not None:
        hours = abs(word.at - 0.5 * (found.start + end)) / 3600.0
        if hours > 4.0:
            return None
    elif not found.start - WORD_EARLY_S <= word.time <= end + WORD_LATE_S:
        return None
    else:
        hours = abs(word.time - end) / 3600.0
    miss = 0.0
    if word.volume_l is not None and found.volume_l:
        sd = 0.15 * found.volume_l + 3.0 + (found.volume_sd or 0.0)
        miss = abs(word.volume_l - found.volume_l) / sd
        if miss > 3.5:
            return None
    return miss + hours / 6.0


def heed(sump: Sump, habits: Habits, addition: Addition, word: Word) -> None:
    """Let a word speak for an addition."""
    addition.said, addition.said_at, addition.said_pct = True, word.time, word.pct
    if word.pct is not None and addition.advised_pct not in (None, sump.spec.usual_pct):
        habits.learn_followed(float(abs(word.pct - (addition.advised_pct or 0.0)) < 0.3), 1.0)
    move = sump.ledger.find(addition.finding.id)
    if move is None:
        return
    if word.pct is not None and move.what == "pour":
        addition.unsaid = addition.unsaid or move.kinds
        usual = move.numbers[3]
        sump.ledger.change(move.ref, kinds=kinds_of.heed(move.kinds, word.pct, usual))
        kind = kinds_of.kind_said(word.pct, usual)
        if addition.taught is not None:
            habits.learn(*addition.taught, -1.0)
        by_hand = strength.RICH if word.pct > usual else strength.LEAN
        addition.taught = addition.mood, by_hand if kind == strength.SAID else kind
        habits.learn(*addition.taught, 1.0)
        addition.learned = True


def _match_waiting(sump: Sump, habits: Habits, addition: Addition) -> None:
    """A new addition may be what a waiting word told."""
    sump.words = [w for w in sump.words if addition.finding.time - w.time < WORD_WAITS_S]
    fits = [(miss, i) for i, w in enumerate(sump.words) if (miss := fit(addition, w)) is not None]
    if fits:
        word = sump.words.pop(min(fits)[1])
        sump.ledger.remove(word.ref)
        heed(sump, habits, addition, word)
