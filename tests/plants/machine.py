"""One machine that runs while the agent's core listens: the laws of one kind of plant, a piece of time after another.

Its losses, hold-up, proportioner, gaps and sensor are as that kind of plant draws them. People are not in it. They
pour, drain and dip between two pieces, as whoever drives the machine decides.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from agent.core.curve import Curve
from agent.core.spec import SumpSpec
from agent.records import Record

from . import carry, lean, mixed
from .assembly import Parts
from .kit import DAY_MIN, FLOOR_SHARE, Floats
from .mixed import Shop, draw_shop
from .people import at
from .sensors import draw_gaps, present
from .tank import LevelSensor, Tank, draw_sensor, draw_tank, fitted_curve, read_level

PIECE_MIN = 10


@dataclass(frozen=True, slots=True)
class Kind:
    """How a kind of plant draws its machines and what its sensors are like. Spans as `draw_gaps` takes them: about
    one in so many days, of so many hours."""

    draw_parts: Callable[[np.random.Generator, Shop, int, int, int], Parts]
    gaps: tuple[tuple[float, float, float], ...]
    stuck: tuple[float, float, float]
    missing: float
    every_min: int = 1
    ledge: float = 0.3
    contact_p: float = 0.0
    humidity_mm: tuple[float, float] = (0.0, 0.0)
    shared_outages: bool = False


KINDS = {
    "mixed": Kind(
        mixed.draw_parts, ((12.0, 1.0, 10.0),), (40.0, 2.0, 12.0), 0.002, contact_p=0.5, shared_outages=True
    ),
    "carry": Kind(carry.draw_parts, ((9.0, 0.5, 14.0),), (30.0, 1.0, 20.0), 0.01, ledge=0.2, contact_p=0.15),
    "lean": Kind(
        lean.draw_parts, ((10.0, 0.5, 8.0), (45.0, 24.0, 90.0)), (20.0, 3.0, 40.0), 0.0, lean.SAMPLE_MIN, 0.6,
        humidity_mm=(5.0, 25.0),
    ),
}  # fmt: skip


@dataclass(slots=True)
class Machine:
    """State of one machine. `volume_l` and `strength_pct` hold the truth at each minute's start."""

    rng: np.random.Generator
    parts: Parts
    shop: Shop
    tank: Tank
    sensor: LevelSensor
    spec: SumpSpec
    keep: np.ndarray
    stuck: np.ndarray
    offset_s: int
    contact: bool
    volume_l: Floats
    strength_pct: Floats
    litres: float
    concentrate_l: float
    minute: int = 0
    in_l: dict[int, float] = field(default_factory=dict)
    in_concentrate_l: dict[int, float] = field(default_factory=dict)
    out_l: dict[int, float] = field(default_factory=dict)
    told_running: float = -1.0
    last_raw: float = 0.0

    def pour(self, litres: float, pct: float, minutes: int) -> None:
        """Pour evenly over the next minutes."""
        for k in range(self.minute, self.minute + minutes):
            self.in_l[k] = self.in_l.get(k, 0.0) + litres / minutes
            self.in_concentrate_l[k] = self.in_concentrate_l.get(k, 0.0) + litres / minutes * pct / 100.0

    def drain(self, litres: float, minutes: int) -> None:
        """Drain evenly over the next minutes."""
        for k in range(self.minute, self.minute + minutes):
            self.out_l[k] = self.out_l.get(k, 0.0) + litres / minutes

    def brix(self, sd: float, step: float, wrong_p: float) -> float:
        """Dip a refractometer: noise, rounding, way oil that reads as strength, a wrong one now and then."""
        true = 100.0 * self.concentrate_l / self.litres / self.parts.fluid.factor
        seen = true + float(self.parts.oil_brix[self.minute]) + float(self.rng.normal(0, sd))
        if self.rng.random() < wrong_p:
            seen += float(self.rng.choice([-1.0, 1.0]) * self.rng.uniform(0.4, 2.0))
        return max(0.0, round(seen / step) * step)

    def run(self, minutes: int = PIECE_MIN) -> list[Record]:
        """Let the next minutes pass; what the sensors say of them."""
        first, last = self.minute, min(self.minute + minutes, len(self.parts.temp_c))
        for k in range(first, last):
            self._minute(k)
        self.minute = last
        span = slice(first, last)
        standing = np.maximum(0.0, self.volume_l[span] + self.parts.foreign_l[span] - self.parts.held_l[span])
        return self._heard(first, last, self._raw(span, standing))

    def _minute(self, k: int) -> None:
        p, v, s = self.parts, self.litres, self.concentrate_l
        self.volume_l[k], self.strength_pct[k] = v, 100.0 * s / v
        runs = v > FLOOR_SHARE * p.full_l
        water = float(p.loss.water_l[k]) if runs else 0.0
        mix = (float(p.loss.carry_l[k] + p.leak_l[k]) if runs else 0.0) + self.out_l.pop(k, 0.0)
        self.concentrate_l = s + self.in_concentrate_l.pop(k, 0.0) - mix * s / v
        self.litres = v + self.in_l.pop(k, 0.0) - water - mix

    def _raw(self, span: slice, standing: Floats) -> Floats:
        piece = replace(self.sensor, drift_mm=self.sensor.drift_mm[span])
        p = self.parts
        return read_level(
            self.rng, self.tank, piece, standing, p.calendar.running[span], p.temp_c[span], self.shop.air_c[span]
        )

    def _heard(self, first: int, last: int, raw: Floats) -> list[Record]:
        records, name, running = [], self.spec.id, self.parts.calendar.running
        for i, k in enumerate(range(first, last)):
            if not self.keep[k]:
                continue
            when = at(k) + self.offset_s
            if not self.stuck[k]:
                self.last_raw = round(float(raw[i]), 1)
            if self.contact and running[k] != self.told_running:
                self.told_running = float(running[k])
                records.append(Record(time=when, sump=name, signal="running", value=self.told_running))
            records.append(Record(time=when, sump=name, signal="level", value=self.last_raw))
        return records


def draw_machine(seed: int, rank: int, days: int, kind: str = "mixed") -> Machine:
    """A machine as a kind of plant draws them. `rank` spreads rare troubles, see `troubled`."""
    law, minutes = KINDS[kind], days * DAY_MIN
    rng = np.random.default_rng(seed)
    shop = draw_shop(rng, days)
    parts = law.draw_parts(rng, shop, rank, rank, days)
    tank = draw_tank(rng, parts.high_l, law.ledge)
    sensor = draw_sensor(rng, tank, minutes)
    curve = fitted_curve(rng, tank, sensor)
    sensor.drift_mm = sensor.drift_mm + rng.uniform(*law.humidity_mm) * (shop.humidity - 0.5)
    litres = parts.full_l * float(rng.uniform(0.8, 1.0))
    strength = parts.fluid.target_pct * float(rng.uniform(0.9, 1.1))
    return Machine(
        rng, parts, shop, tank, sensor, _spec(parts, curve), _kept(rng, law, shop, minutes),
        ~present(minutes, draw_gaps(rng, minutes, *law.stuck)), int(rng.integers(0, 55)),
        bool(rng.random() < law.contact_p), np.zeros(minutes), np.zeros(minutes), litres, litres * strength / 100.0,
    )  # fmt: skip


def _kept(rng: np.random.Generator, law: Kind, shop: Shop, minutes: int) -> np.ndarray:
    """True for the minutes whose sample comes through."""
    gaps = list(shop.outages) if law.shared_outages else []
    for span in law.gaps:
        gaps += draw_gaps(rng, minutes, *span)
    due = np.arange(minutes) % law.every_min == 0
    return present(minutes, gaps) & due & (rng.random(minutes) >= law.missing)


def troubled(machine: Machine) -> bool:
    """Does this machine leak at some time, or does way oil come into it?"""
    return bool(machine.parts.leak_l.any() or machine.parts.oil_brix.any())


def _spec(parts: Parts, curve: list[tuple[float, float]]) -> SumpSpec:
    f = parts.fluid
    line = Curve.of(curve)
    return SumpSpec(
        parts.name, parts.name, parts.full_l, parts.low_l, parts.high_l, f.target_pct, f.low_pct, f.high_pct,
        f.factor, f.usual_pct, f.leanest_pct, f.richest_pct, line,
    )  # fmt: skip
