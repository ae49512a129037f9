"""A small sump whose physics is known to the last litre, and a way to drive the core with what its sensors say.

    V' = in − E − D − leak − out        S' = in·m − (D + leak + out)·S/V        seen = V − held(pump) + noise

E and D run with the pump, a little E without it. The law by which fluid is held up while the pump runs and comes
back after it stops is chosen: none of them is the law that the core assumes before it has seen the machine.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from math import sqrt
from zlib import crc32

import msgspec
import numpy as np

from agent.core.curve import Curve
from agent.core.outputs import Advice, Belief, Finding, Output
from agent.core.spec import SiteSpec, SumpSpec
from agent.core.step import SiteState, finish, start, step
from agent.records import Record

T0 = 1_750_024_800.0  # Monday 2025-06-16 00:00 in Vienna, a whole hour
DAY_S = 86400.0
LINE = Curve((0.0, 300.0), (0.0, 300.0))
MILL = SumpSpec("mill-2", "Mill 2", 200.0, 140.0, 215.0, 7.0, 6.0, 8.4, 1.5, 2.5, 1.5, 14.0, LINE)
SITE = SiteSpec("Harrow Lane Gearworks", sumps={"mill-2": MILL})
LAWS = ("pipes", "trough", "trays", "slow")


@dataclass(frozen=True, slots=True)
class Pour:
    """`litres` at `pct` poured evenly from `hour` on, over `minutes`; negative litres are let out."""

    hour: float
    litres: float
    pct: float = 2.5
    minutes: float = 4.0


@dataclass(slots=True)
class Plant:
    """What the machine is. Rates in L/h; `runs(hour of the week)` says whether the pump should run."""

    law: str = "pipes"
    held_l: float = 16.0
    loses_l_per_h: float = 0.8
    idle_l_per_h: float = 0.04
    evaporates: float = 0.65
    leak_l_per_h: float = 0.0
    leak_from_h: float = 0.0
    noise_l: float = 0.25
    volume_l: float = 190.0
    pct: float = 7.0
    runs: Callable[[float], bool] = lambda hour: 4.0 <= hour % 24.0 < 20.0 and hour < 120.0
    pours: list[Pour] = field(default_factory=list)


@dataclass(slots=True)
class Days:
    """What happened, sample by sample: (n,) arrays. time epoch s, litres, %; `seen_l` is what the sensor sees."""

    time: np.ndarray
    volume_l: np.ndarray
    pct: np.ndarray
    running: np.ndarray
    seen_l: np.ndarray

    def levels(self, sump: str = "mill-2", step_l: float = 0.1) -> list[Record]:
        """The level records, rounded as a transmitter does."""
        seen = np.round(self.seen_l / step_l) * step_l
        return [level(t, v, sump) for t, v in zip(self.time.tolist(), seen.tolist(), strict=True)]

    def contact(self, sump: str = "mill-2") -> list[Record]:
        """The running contact, told on change."""
        at = np.flatnonzero(np.diff(self.running, prepend=-1.0))
        return [Record(float(self.time[i]), sump, "running", float(self.running[i])) for i in at]

    def at(self, time: float) -> int:
        """Index of the last sample at or before a time."""
        return int(np.searchsorted(self.time, time, side="right")) - 1


def simulate(rng: np.random.Generator, plant: Plant, hours: float, period_s: float = 60.0) -> Days:
    """Run the plant for some hours from T0, one sample a period."""
    n = round(hours * 3600.0 / period_s)
    out = np.empty((5, n))
    v, s, held, slow, off_min = plant.volume_l, plant.volume_l * plant.pct / 100.0, 0.0, 0.0, 1e9
    ran, minutes = False, period_s / 60.0
    for k in range(n):
        hour = k * period_s / 3600.0
        runs = plant.runs(hour % 168.0)
        off_min = 0.0 if runs else off_min + minutes
        held, slow = _hold(plant, held, slow, runs, off_min, minutes)
        out[:, k] = T0 + k * period_s, v, 100.0 * s / v, runs, v - held - slow
        v, s = _balance(plant, v, s, ran or runs, hour, period_s)
        ran = runs
    out[4] += rng.normal(0.0, plant.noise_l, n)
    return Days(*out)


def _balance(plant: Plant, v: float, s: float, runs: bool, hour: float, period_s: float) -> tuple[float, float]:
    hours = period_s / 3600.0
    evaporated = (plant.loses_l_per_h * plant.evaporates * runs + plant.idle_l_per_h) * hours
    mix = plant.loses_l_per_h * (1.0 - plant.evaporates) * runs * hours
    mix += plant.leak_l_per_h * hours * (hour >= plant.leak_from_h)
    poured = solved = 0.0
    for p in plant.pours:
        part = max(0.0, min(hour + hours, p.hour + p.minutes / 60.0) - max(hour, p.hour)) * 60.0 / p.minutes
        if p.litres > 0.0:
            poured, solved = poured + part * p.litres, solved + part * p.litres * p.pct / 100.0
        else:
            mix -= part * p.litres
    return v + poured - evaporated - mix, s + solved - mix * s / v


def _hold(plant: Plant, held: float, slow: float, runs: bool, off_min: float, minutes: float) -> tuple[float, float]:
    """Litres held up, quick and slow part, after some minutes more."""
    top = plant.held_l
    if runs:
        fill = top / 3.0 * minutes if plant.law == "trays" else (top - held) * (1.0 - np.exp(-minutes / 1.5))
        return min(top, held + fill), (0.2 * top if plant.law == "slow" else 0.0)
    if plant.law == "pipes":
        return held * float(np.exp(-minutes / 1.8)), 0.0
    if plant.law == "trough":  # as through a hole: √h falls evenly
        return max(0.0, sqrt(held) - sqrt(top) / 7.0 * minutes) ** 2, 0.0
    if plant.law == "trays":  # nothing for two minutes, then evenly
        return (max(0.0, held - top / 8.0 * minutes) if off_min > 2.0 else held), 0.0
    return held * float(np.exp(-minutes / 2.5)), slow * float(np.exp(-minutes / 40.0))


def level(time: float, value: float, sump: str = "mill-2") -> Record:
    return Record(float(time), sump, "level", round(float(value), 4))


def hand(time: float, brix: float, sump: str = "mill-2", **more: float) -> Record:
    return Record(float(time), sump, "hand_reading", float(brix), **more)  # type: ignore[arg-type]


def in_order(*streams: Iterable[Record]) -> list[Record]:
    """Records of several streams by time; equal times keep the streams' order."""
    return sorted((r for stream in streams for r in stream), key=lambda r: r.time)


@dataclass(slots=True)
class Run:
    """What the core said to some records, and its state after them."""

    state: SiteState
    said: list[Output]

    @property
    def beliefs(self) -> list[Belief]:
        return [o for o in self.said if isinstance(o, Belief)]

    @property
    def findings(self) -> list[Finding]:
        return [o for o in self.said if isinstance(o, Finding)]

    @property
    def advice(self) -> list[Advice]:
        return [o for o in self.said if isinstance(o, Advice)]

    def standing(self, kind: str | None = None) -> list[Finding]:
        """The last revision of each finding that was not taken back, by start."""
        last = {f.id: f for f in self.findings}
        stand = [f for f in last.values() if not f.withdrawn and kind in (None, f.kind)]
        return sorted(stand, key=lambda f: f.start)

    def moved(self, since: float = 0.0) -> list[Finding]:
        """What stands as having come or gone from `since` on; sensors' faults apart."""
        kinds = ("top_off", "recharge", "drained", "leak")
        return [f for f in self.standing() if f.kind in kinds and f.start >= since]

    def belief(self, time: float, sump: str = "mill-2") -> Belief:
        """The belief written for a time."""
        return next(b for b in self.beliefs if b.time == time and b.sump == sump)


def drive(
    records: Iterable[Record], site: SiteSpec = SITE, every_s: float = 3600.0, state: SiteState | None = None
) -> Run:
    """Step all records, from nothing or from a state, and let the last beliefs be written."""
    state = start(site, every_s) if state is None else state
    said: list[Output] = []
    for record in records:
        state, outputs = step(state, record, site)
        said += outputs
    return Run(state, said + finish(state, site))


def written(said: Iterable[Output]) -> list[bytes]:
    """Outputs as replay writes them, a line each."""
    return [msgspec.json.encode(o.row()) for o in said]


def site_of(*ids: str, **changes: object) -> SiteSpec:
    """A site of some sumps alike."""
    return SiteSpec("Harrow Lane Gearworks", sumps={i: replace(MILL, id=i, name=i, **changes) for i in ids})  # type: ignore[arg-type]


def drawn_seed() -> int:
    """A seed of this run's own, for what is counted over many draws; printed, so that a failure can be run again."""
    return int(np.random.SeedSequence().generate_state(1)[0])


def seed_here() -> int:
    """The running test's own seed: the same each time at the desk and in CI, so that a change alone can make it fail;
    drawn in the long run."""
    if os.environ.get("SUMPSIDE_LONG") == "1":
        return drawn_seed()
    return crc32(os.environ["PYTEST_CURRENT_TEST"].rsplit(" ", 1)[0].encode())
