"""What an alert can be about: each cause looked for in what the agent sees of itself and its sumps. Decides nothing.

A cause is on, off, or neither: between its two limits (the dead-band), or where what it is judged from is missing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from math import erf, sqrt
from typing import Any, Final

from agent.core.alarms import Condition
from agent.core.gates import END_OF_SCALE, STUCK, describe
from agent.core.outputs import Finding
from agent.core.review import APPROVED, POSTED
from agent.core.spec import SiteSpec, SumpSpec
from agent.reviews import Instruction

FINDINGS: Final = ("leak", "level_sensor", "strength_sensor", "proportioner", "oil", "hold_up")
BAND_SHARE: Final = 0.05  # dead-band of a mark, of the litres between low and full: some pump cycles' worth
BAND_LEAST_SHARE: Final = 0.01  # of the full sump: what a level sensor breathes
GUESS_SHARE: Final = 0.15  # a volume whose sd is above this share of the full sump is a guess before any reading
OUT_P, BACK_P = 0.9, 0.5  # the chance of being out of the band that raises, and the one that clears
Z95: Final = 1.6449  # standard deviations from the middle to the 95 % quantile
PATIENCE_S, PATIENCE_PERIODS = 60.0, 3  # a reading older than both is stale
BUS_S: Final = 10.0  # a re-plugged adapter is back sooner
SENSORS: Final = {
    "level": "level sensor",
    "brix": "inline refractometer",
    "temperature": "thermometer",
    "running": "pump's contact",
}
BEHIND_ROWS, CAUGHT_UP_ROWS = 5_000, 500  # some hours of a small site; minutes
OVERDUE_S: Final = 4 * 3600.0  # half a shift past its time
POSTED_S: Final = 8 * 3600.0  # and posted a shift ago: somebody has been there since
CLOCK_SET_FROM: Final = 1_735_689_600.0  # 2025-01-01: before this program was written no clock can be right
DISK_LOW_BYTES: Final = 200 << 20  # weeks of a large site's journal
DISK_LOW_SHARE: Final = 0.03
DISK_BACK: Final = 1.5  # times the limit


@dataclass(frozen=True, slots=True)
class Sight:
    """What is seen in one moment. Times are epoch s."""

    now: float
    beliefs: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)  # sump → row of contract.md
    signals: Mapping[str, Mapping[str, Mapping[str, Any]]] = field(default_factory=dict)  # as in live.json
    filling: Mapping[str, Mapping[str, Any] | None] = field(default_factory=dict)  # as in live.json
    findings: Iterable[Finding] = ()  # those that last
    instructions: Iterable[Instruction] = ()
    buses: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    sinks: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    fault: str | None = None  # what keeps the agent from its files
    clock: str | None = None  # what is wrong with the time
    disk: tuple[int, int] | None = None  # bytes free, bytes in all
    locked: Mapping[str, str] = field(default_factory=dict)  # sump → why its dosing is locked out
    speed: float = 1.0  # of the record clock


@dataclass(frozen=True, slots=True)
class Watched:
    """A signal that the site file says should come: from which bus, how often (s)."""

    sump: str
    signal: str
    bus: str
    period_s: float


def causes(sight: Sight, site: SiteSpec, watched: Iterable[Watched]) -> list[Condition]:
    """Every cause that can be judged, as it is now."""
    found = [*_findings(sight, site), *_overdue(sight, site), *_buses(sight), *_sinks(sight), *_machine(sight)]
    for spec in site.sumps.values():
        belief = sight.beliefs.get(spec.id)
        if belief is not None:
            found += [*_marks(spec, belief), *_strength(spec, belief)]
        found += [*_filling(spec, sight.filling.get(spec.id)), *_dosing(spec, sight.locked)]
    for signal in watched:
        found += _signal(signal, sight, site.sumps[signal.sump].name)
    return found


# ── of a sump ──────────────────────────────────────────────────────────────────────────────────────────────


def _marks(spec: SumpSpec, belief: Mapping[str, Any]) -> Iterator[Condition]:
    volume_l, sd_l = float(belief["volume_l"]), float(belief.get("volume_sd") or 0.0)
    known = belief["status"] != "stale" and sd_l <= GUESS_SHARE * spec.full_l
    band_l = max(BAND_SHARE * (spec.full_l - spec.low_l), BAND_LEAST_SHARE * spec.full_l)
    low = f"{spec.name} is below its low mark: about {volume_l:.0f} L, the mark is {spec.low_l:.0f} L"
    yield Condition("low_mark", spec.id, known and volume_l < spec.low_l, known and volume_l > spec.low_l + band_l, low)
    high = f"{spec.name} is above its high mark: about {volume_l:.0f} L, the mark is {spec.high_l:.0f} L; add nothing"
    over, back = volume_l > spec.high_l, volume_l < spec.high_l - BAND_LEAST_SHARE * spec.full_l
    yield Condition("high_mark", spec.id, known and over, known and back, high)


def _filling(spec: SumpSpec, filling: Mapping[str, Any] | None) -> Iterator[Condition]:
    """While something is poured: the agent's own look ahead says whether it will pass the high mark."""
    ahead = bool(filling and filling.get("overfill"))
    text = f"{spec.name} will be above its high mark soon at this rate of rise: stop filling"
    yield Condition("overfill", spec.id, ahead, not ahead, text)


def _strength(spec: SumpSpec, belief: Mapping[str, Any]) -> Iterator[Condition]:
    known = belief["status"] != "stale"
    for kind, limit, word in (("strength_low", spec.low_pct, "weak"), ("strength_high", spec.high_pct, "strong")):
        below = chance_below(belief, limit)
        p = below if kind == "strength_low" else 1.0 - below
        text = (
            f"{spec.name} is too {word}: about {belief['strength_pct']:.1f} % "
            f"({belief['strength_p05']:.1f}-{belief['strength_p95']:.1f}), the limit is {limit:g} %"
        )
        yield Condition(kind, spec.id, known and p >= OUT_P, known and p <= BACK_P, text)


def chance_below(belief: Mapping[str, Any], limit_pct: float) -> float:
    """P(strength < limit): a normal law on each side of the middle, through the belief's own 5 and 95 % quantiles."""
    middle = float(belief["strength_pct"])
    edge = float(belief["strength_p95"] if limit_pct > middle else belief["strength_p05"])
    sd = max(abs(edge - middle) / Z95, 1e-6)
    return 0.5 * (1.0 + erf((limit_pct - middle) / (sd * sqrt(2.0))))


def _dosing(spec: SumpSpec, locked: Mapping[str, str]) -> Iterator[Condition]:
    why = locked.get(spec.id)
    text = f"{spec.name}: dosing is locked out until a person resets it: {why}"
    yield Condition("dosing_locked", spec.id, why is not None, why is None, text)


def _findings(sight: Sight, site: SiteSpec) -> Iterator[Condition]:
    for finding in sight.findings:
        spec = site.sumps.get(finding.sump)
        if spec is None or finding.kind not in FINDINGS:
            continue
        told_already = finding.kind == "level_sensor" and _pinned(sight, spec.id, "level") != ""
        yield Condition(
            finding.kind, spec.id, not told_already, False, f"{spec.name}: {finding.text}", subject=finding.id
        )


def _pinned(sight: Sight, sump: str, signal: str) -> str:
    """Why the newest sample of a signal is no measurement, in words; empty where it is one, or there is none."""
    flags = int(sight.signals.get(sump, {}).get(signal, {}).get("flags", 0))
    return describe(flags & (STUCK | END_OF_SCALE))


def _signal(watched: Watched, sight: Sight, name: str) -> Iterator[Condition]:
    """A bus that is silent is told as that, not once more for each of its sensors."""
    heard = not _silent(sight.buses.get(watched.bus), sight)
    newest = sight.signals.get(watched.sump, {}).get(watched.signal)
    patience_s = max(PATIENCE_S, PATIENCE_PERIODS * watched.period_s) * sight.speed  # wires work in real time
    stale = newest is None or sight.now - float(newest["time"]) > patience_s
    pinned = _pinned(sight, watched.sump, watched.signal)
    sensor = SENSORS[watched.signal]
    stuck = f"{name}: the {sensor} gives no measurement, {pinned}: check it"
    silent = f"{name}: nothing comes from the {sensor}"
    if watched.signal == "level":
        yield Condition("level_stale", watched.sump, heard and stale, not stale, silent)
        yield Condition("level_stuck", watched.sump, not stale and pinned != "", not stale and pinned == "", stuck)
    elif watched.signal == "brix":
        off = stale or pinned != ""
        yield Condition("inline_off", watched.sump, heard and off, not off, stuck if pinned else silent)
    else:
        yield Condition("signal_stale", watched.sump, heard and stale, not stale, silent, watched.signal)


def _silent(status: Mapping[str, Any] | None, sight: Sight) -> bool:
    """Whether nothing at all comes from a bus: not well, and none of its readings is fresh."""
    if status is None or status["ok"]:
        return False
    last_s = status.get("last_s")
    return last_s is None or sight.now - float(last_s) > BUS_S * sight.speed


def _overdue(sight: Sight, site: SiteSpec) -> Iterator[Condition]:
    for one in sight.instructions:
        spec = site.sumps.get(one.sump)
        if spec is None or one.state not in (POSTED, APPROVED):
            continue
        due_at = float(one.advice["time"]) + 3600.0 * float(one.advice.get("due_in_h") or 0.0)
        late = sight.now > due_at + OVERDUE_S and sight.now > one.posted_at + POSTED_S
        who = "waits for its review" if one.state == POSTED else "waits to be done"
        text = f"{spec.name}: an instruction ({one.kind.replace('_', ' ')}) is overdue and {who}"
        yield Condition("instruction_overdue", spec.id, late, False, text, subject=one.id)


# ── of the agent itself ────────────────────────────────────────────────────────────────────────────────────


def _buses(sight: Sight) -> Iterator[Condition]:
    for id, status in sight.buses.items():
        silent = _silent(status, sight)
        yield Condition("bus_silent", None, silent, not silent, f"bus {id}: {status['text']}", subject=id)


def _sinks(sight: Sight) -> Iterator[Condition]:
    for name, status in sight.sinks.items():
        connected, rows = bool(status["connected"]), int(status["behind_rows"])
        refused = str(status["text"]).startswith("credentials")
        behind = (not connected and rows > 0) or rows > BEHIND_ROWS
        caught_up = connected and rows < CAUGHT_UP_ROWS
        text = f"forwarding to {name} is {rows} rows behind: {status['text']}; nothing is lost"
        yield Condition("sink_behind", None, behind and not refused, caught_up or refused, text, subject=name)
        text = f"forwarding to {name} is refused: {status['text']}"
        yield Condition("sink_credentials", None, refused, connected, text, subject=name)


def _machine(sight: Sight) -> Iterator[Condition]:
    wrong = sight.clock or ("the clock is not set" if sight.now < CLOCK_SET_FROM else "")
    yield Condition("clock_unset", None, wrong != "", wrong == "", f"times may be wrong: {wrong}")
    text = f"Sumpside cannot write: {sight.fault}"
    yield Condition("disk_full", None, sight.fault is not None, sight.fault is None, text)
    if sight.disk is not None:
        free, whole = sight.disk
        limit = max(DISK_LOW_BYTES, DISK_LOW_SHARE * whole)
        text = f"the disk is nearly full: {free / 2**20:.0f} MB are left"
        yield Condition("disk_low", None, free < limit, free > DISK_BACK * limit, text)
