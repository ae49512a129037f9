"""The one step: a record in, outputs out. The live agent and every replay go through here and nowhere else."""

from __future__ import annotations

import pickle
from dataclasses import dataclass, field, replace
from hashlib import sha256
from math import ceil, floor

from agent.core import advise, gates, intake, learn, probe, words
from agent.core import sump as sumps
from agent.core.belief import belief_at as _belief_at
from agent.core.calendar import Calendar
from agent.core.curve import Curve
from agent.core.explain import explain as _explain
from agent.core.kinds import Habits
from agent.core.outputs import Belief, Finding, Mark, Output
from agent.core.spec import SiteSpec
from agent.core.sump import Sump, Word
from agent.records import Record

EVERY_S = 3600.0
VERSION = "14"  # of the state's shape; a snapshot of another version is refused
QUIET_S = 3600.0  # a sump that no level comes from is looked at as often, at whole multiples
NO_WORDS = ("running", "temperature", "brix", "mark")  # signals that no person says
CURVE_MOVES_SHARE = 0.25  # of full, by which a new curve of the same sensor moves the litres at most
AHEAD_S = 300.0  # a snapshot this far in the future is refused


class SnapshotRefused(Exception):
    """A snapshot that is not of this version, site or time; learning starts anew."""


@dataclass(slots=True)
class SiteState:
    """Everything learned of a site. `next_due` epoch s: when the next beliefs are written."""

    every_s: float
    habits: Habits
    sumps: dict[str, Sump]
    time: float = 0.0
    next_due: float = field(default=float("inf"))
    begun: bool = False
    version: bytes = b""  # seal of the program's version that this was learned with
    seals: dict[str, bytes] = field(default_factory=dict)  # by sump, of its numbers in the site file
    anew: tuple[str, ...] = ()  # sumps that began anew when this was loaded, for their numbers had changed


def start(site: SiteSpec, every_s: float = EVERY_S) -> SiteState:
    """A site about which nothing is known but its site file."""
    state = SiteState(
        every_s,
        Habits(),
        {i: sumps.new_sump(spec) for i, spec in site.sumps.items()},
        version=_version_seal(),
        seals=_seals(site),
    )
    keep_calendar(state, site.calendar)
    return state


def keep_calendar(state: SiteState, calendar: Calendar | None) -> None:
    """From here on the shop works by this calendar, which is of the site file and of people."""
    for sump in state.sumps.values():
        if getattr(sump.tracker, "calendar", None) != calendar:
            sump.tracker.ahead = None
        sump.tracker.calendar = calendar


def step(state: SiteState, record: Record, site: SiteSpec) -> tuple[SiteState, list[Output]]:
    """Take one record. The state given is used up; go on with the one returned."""
    when = record.time
    outputs: list[Output] = []
    if when > state.next_due:
        outputs = _beliefs_due(state, when)
    elif not state.begun and when >= 0.0:
        state.begun = True
        state.next_due = ceil(when / state.every_s) * state.every_s
        if state.next_due < when:
            state.next_due += state.every_s
    if when > state.time:
        state.time = when
    if record.signal == "level":
        sump = state.sumps[record.sump]
        found = intake.take_level(sump, state.habits, when, record.value)  # type: ignore[arg-type]
        if found or when >= sump.advice.due:
            found += advise.consider(sump, when)
        return state, outputs + found if outputs else found
    outputs += _in_time(state, record, _other(state, record))
    if record.signal not in NO_WORDS and record.sump in state.sumps:
        outputs += advise.consider(state.sumps[record.sump], when)
    return state, outputs


def _in_time(state: SiteState, record: Record, said: list[Output]) -> list[Output]:
    """A word that comes a little out of order is judged from later levels too: its findings are of their time."""
    seen = state.sumps[record.sump].last_level if said and record.sump in state.sumps else 0.0
    return [replace(o, time=seen) if isinstance(o, Finding) and o.time < seen else o for o in said]


def _other(state: SiteState, record: Record) -> list[Output]:
    """Every signal but the level."""
    if record.signal == "mark":
        return [Mark(record.value)]
    sump, when, value = state.sumps[record.sump], record.time, record.value
    match record.signal:
        case "running":
            outputs = intake.take_crowd(sump, state.habits)  # what was seen before the turn
            sump.tracker.running(when, bool(value))
            return outputs
        case "temperature":
            sump.latest["temperature"] = (when, float(value))  # type: ignore[arg-type]
            learn.warm(sump.tracker, when, float(value))  # type: ignore[arg-type]
        case "brix":
            probe.take_inline(sump, when, float(value))  # type: ignore[arg-type]
        case "hand_reading":
            return words.take_reading(sump, state.habits, when, record.at, float(value))  # type: ignore[arg-type]
        case "titration":
            return words.take_titration(sump, state.habits, when, record.at, float(value))  # type: ignore[arg-type]
        case "addition":
            word = Word(when, record.at, record.volume_l, record.pct)
            return words.take_addition(sump, state.habits, when, word, record.of)
        case "recharge":
            return words.take_recharge(sump, when, record.at, record.volume_l, record.pct)
        case "dismissal":
            return words.dismiss(sump, when, record.of or "")
        case "drained":
            return words.take_drained(sump, when, record.volume_l or 0.0)
        case "metered":
            return words.take_metered(sump, state.habits, when, record.volume_l or 0.0)
        case "void":
            return words.take_back(sump, state.habits, when, record.record_time or 0.0, record.record_signal or "")
        case "setting":
            _set(sump, record)
    return []


def _set(sump: Sump, record: Record) -> None:
    """From now on one field of the sump has another value."""
    if record.field == "curve":
        curve = Curve.of(record.value)  # type: ignore[arg-type]
        sump.crowd.clear()
        raw = sump.latest["level"][1] if "level" in sump.latest else 0.0
        moves = curve.litres_at(raw) - sump.spec.curve.litres_at(raw)
        if abs(moves) < CURVE_MOVES_SHARE * sump.spec.full_l:  # else another unit: the litres are what they were
            sump.tracker.shift(moves)
        sump.spec = replace(sump.spec, curve=curve)
    elif record.field is not None:
        sump.spec = replace(sump.spec, **{record.field: float(record.value)})  # type: ignore[arg-type]


def advance(state: SiteState, time: float, site: SiteSpec) -> tuple[SiteState, list[Output]]:
    """Time has passed without a record: the beliefs that are due."""
    return state, _beliefs_due(state, time) if time > state.next_due else []


def pass_over(state: SiteState, time: float) -> None:
    """Beliefs that were due before `time` (epoch s) and not told are not told: nobody was there to hold them."""
    state.next_due = max(state.next_due, ceil(time / state.every_s) * state.every_s)


def finish(state: SiteState, site: SiteSpec) -> list[Output]:
    """The records have ended: the beliefs due up to the last of them."""
    if state.next_due <= state.time:
        return _beliefs_due(state, state.time + 1e-6)
    return []


def _beliefs_due(state: SiteState, when: float) -> list[Output]:
    """Beliefs for every multiple of `every_s` before `when`, for every sump in the site's order."""
    outputs: list[Output] = []
    while state.next_due < when:
        outputs += [_belief_at(sump, state.next_due) for sump in state.sumps.values()]
        if state.next_due % QUIET_S == 0.0:
            for sump in state.sumps.values():
                if state.next_due >= sump.advice.due:
                    outputs += advise.consider(sump, state.next_due)
        state.next_due += state.every_s
    return outputs


def belief_at(state: SiteState, sump_id: str, time: float, site: SiteSpec) -> Belief:
    """The belief of one sump now."""
    return _belief_at(state.sumps[sump_id], time)


def explain(state: SiteState, sump_id: str, time: float, site: SiteSpec) -> str:
    """The belief of one sump in words: the balance since the last reading, what was judged what and why."""
    return _explain(state.sumps[sump_id], time)


def flags(state: SiteState, sump_id: str, signal: str) -> int:
    """Gate bits of the latest sample of a signal (agent.core.gates)."""
    return state.sumps[sump_id].flags.get(signal, gates.GOOD)


def _seals(site: SiteSpec) -> dict[str, bytes]:
    """By sump: what its part of a snapshot must have been made for, its numbers in the site file."""
    return {id: sha256(repr(spec).encode()).digest() for id, spec in site.sumps.items()}


def _version_seal() -> bytes:
    return sha256(VERSION.encode()).digest()


def dump(state: SiteState) -> bytes:
    """The whole state as bytes: 32 of the version's seal, 32 of digest, then the body."""
    body = pickle.dumps(state, protocol=5)
    return state.version + sha256(body).digest() + body


def load(data: bytes, site: SiteSpec, now: float | None = None) -> SiteState:
    """The state again; a sump whose part of the site file has changed begins anew and is named in `anew`.

    Raises SnapshotRefused where it is of another version, from the future, or no sump's part is what it was.
    """
    if data[:32] != _version_seal():
        raise SnapshotRefused("the snapshot is of another version")
    if sha256(data[64:]).digest() != data[32:64]:
        raise SnapshotRefused("the snapshot is damaged")
    state: SiteState = pickle.loads(data[64:])  # noqa: S301 - the digest holds; our own bytes
    if now is not None and floor(state.time) > now + AHEAD_S:
        raise SnapshotRefused("the snapshot is from the future")
    return _fitted(state, site)


def _fitted(state: SiteState, site: SiteSpec) -> SiteState:
    """The sumps of this site, in its order: as they were learned where nothing of theirs has changed, else new."""
    seals = _seals(site)
    state.anew = tuple(id for id, seal in seals.items() if state.seals.get(id) != seal)
    if len(state.anew) == len(seals):
        raise SnapshotRefused("the site file has changed since: no sump is what it was")
    state.sumps = {id: sumps.new_sump(spec) if id in state.anew else state.sumps[id] for id, spec in site.sumps.items()}
    state.seals = seals
    return state
