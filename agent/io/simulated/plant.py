"""The whole simulated works: moved on from moment to moment, asked by transmitters, acted on by people.

One lock guards it, for the physics, the device servers and the people run in different threads of the plant's process.
"""

from __future__ import annotations

import random
import threading
from dataclasses import dataclass, field
from typing import Any

from agent.io.simulated import calendar, physics
from agent.io.simulated.physics import Condition, Flow, Nature
from agent.io.simulated.shop import BEGINNINGS, NATURES

LONGEST_STEP_S = 60.0
BUCKETS_L_PER_S = 9.0 / 60.0  # nine litres a minute: a hose from the proportioner
DRAIN_L_PER_S = 14.0 / 60.0


class NoSuchSump(ValueError):
    """Somebody named a sump that Harrow Lane does not have."""


@dataclass(frozen=True, slots=True)
class Pour:
    """What was once poured, as whoever poured it remembers it: `pct` is what was set."""

    time_s: float
    sump: str
    litres: float
    pct: float


@dataclass
class Plant:
    """Four sumps at `time_s` (plant's epoch seconds). Methods are safe to call from any thread."""

    time_s: float
    seed: int
    conditions: dict[str, Condition]
    natures: dict[str, Nature] = field(default_factory=lambda: dict(NATURES))
    lock: threading.RLock = field(default_factory=threading.RLock)
    rng: random.Random = field(default_factory=random.Random)
    poured: list[Pour] = field(default_factory=list)

    def advance_to(self, time_s: float) -> None:
        """Run the physics up to `time_s`; earlier moments change nothing."""
        with self.lock:
            while self.time_s < time_s:
                dt_s = min(LONGEST_STEP_S, time_s - self.time_s)
                ambient_c = calendar.ambient_c(self.time_s)
                for sump, now in self.conditions.items():
                    self._set_drivers(sump, now)
                    physics.advance(self.natures[sump], now, dt_s, ambient_c)
                self.time_s += dt_s

    def _set_drivers(self, sump: str, now: Condition) -> None:
        day = calendar.day_of(self.seed, sump, self.time_s)
        running = any(start <= self.time_s < end for start, end in day.blocks)
        if running and not now.running:
            now.running_since_s = self.time_s
        now.running, now.job = running, day.job

    def pour(self, sump: str, litres: float, set_pct: float, by_proportioner: bool = True) -> float:
        """Start pouring; gives the seconds it takes. A proportioner gives its real ratio of what it is set to."""
        self._sane(sump, litres)
        if not 0.0 <= set_pct <= 100.0:
            raise ValueError(f"{set_pct} % is no strength")
        real = set_pct * (self.natures[sump].proportioner if by_proportioner else 1.0)
        with self.lock:
            self.conditions[sump].flows.append(Flow(litres, BUCKETS_L_PER_S, real))
            self.poured.append(Pour(self.time_s, sump, litres, set_pct))
        return litres / BUCKETS_L_PER_S

    def drain(self, sump: str, litres: float) -> float:
        """Start taking out mix at the strength it has; gives the seconds it takes."""
        self._sane(sump, litres)
        with self.lock:
            self.conditions[sump].flows.append(Flow(litres, DRAIN_L_PER_S, None))
        return litres / DRAIN_L_PER_S

    def work(self, sump: str, times: float) -> None:
        """Multiply a machine's losses while it runs."""
        self._sane(sump, times)
        with self.lock:
            self.conditions[sump].work = times

    def _sane(self, sump: str, amount: float) -> None:
        self._condition(sump)
        if not 0.0 < amount < 10_000.0:
            raise ValueError(f"{amount} is no amount")

    def _condition(self, sump: str) -> Condition:
        if sump not in self.conditions:
            raise NoSuchSump(f"no sump {sump!r}: there are {', '.join(self.conditions)}")
        return self.conditions[sump]

    def level_raw(self, sump: str) -> float:
        """What the sump's level transmitter shows now, mm."""
        with self.lock:
            return physics.level_raw(self.natures[sump], self.conditions[sump], self.rng)

    def inline_brix(self, sump: str) -> float:
        """What an inline refractometer shows now, Brix."""
        with self.lock:
            return physics.inline_brix(self.natures[sump], self.conditions[sump], self.time_s, self.rng)

    def hand_brix(self, sump: str) -> float:
        """What a person reads now, Brix."""
        now = self._condition(sump)
        with self.lock:
            return physics.hand_brix(self.natures[sump], now, self.rng)

    def temperature_c(self, sump: str) -> float:
        """The fluid's temperature as a transmitter shows it, °C."""
        with self.lock:
            return self.conditions[sump].temperature_c + self.rng.gauss(0.0, 0.05)

    def running(self, sump: str) -> bool:
        """Does the fluid pump run?"""
        with self.lock:
            return self.conditions[sump].running

    def rest_litres(self, sump: str) -> float:
        """The true volume of the whole system at rest, L."""
        with self.lock:
            return self.conditions[sump].volume_l

    def state(self) -> dict[str, Any]:
        """The truth of every sump, for the control socket."""
        with self.lock:
            return {"time": self.time_s, "sumps": {s: _truth(now) for s, now in self.conditions.items()}}


def _truth(now: Condition) -> dict[str, Any]:
    return {
        "volume_l": round(now.volume_l, 3),
        "strength_pct": round(now.strength_pct, 4),
        "held_l": round(now.volume_l - now.standing_l, 3),
        "temperature_c": round(now.temperature_c, 2),
        "running": now.running,
        "pouring_l": round(sum(flow.left_l for flow in now.flows), 3),
    }


def new_plant(time_s: float, seed: int) -> Plant:
    """Harrow Lane as it stood a fortnight before its first live moment."""
    conditions = {
        sump: Condition(volume_l=litres, concentrate_l=litres * pct / 100.0)
        for sump, (litres, pct) in BEGINNINGS.items()
    }
    return Plant(time_s, seed, conditions, rng=random.Random(seed))
