"""Put one sump together: its parts are drawn by a plant, the books are kept here, sensors come after."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .kit import FLOOR_SHARE, Event, Floats, Fluid, Sump, Visitor, keep_books, new_books
from .laws import Loss, daily
from .people import Habits, Person, visits_of
from .shifts import Calendar


@dataclass(slots=True)
class Parts:
    """All that a plant draws for one sump before time starts. Arrays are one value a minute."""

    name: str
    full_l: float
    low_l: float
    high_l: float
    fluid: Fluid
    calendar: Calendar
    temp_c: Floats
    held_l: Floats
    loss: Loss
    foreign_l: Floats  # litres in the tank that are no mix: way oil, chips
    oil_brix: Floats
    habits: Habits
    ratio: Floats
    leak_l: Floats
    leaks: list[Event] = field(default_factory=list)
    recharges: list[int] = field(default_factory=list)
    drains: list[int] = field(default_factory=list)
    resets: list[int] = field(default_factory=list)
    looks_per_shift: float = 3.0


def run_sump(rng: np.random.Generator, parts: Parts, days: int) -> Sump:
    """Let people and physics run through all minutes; the sump that comes back has no sensors yet."""
    p = parts
    books = new_books(len(p.temp_c), p.foreign_l)
    person = Person(p.name, rng, p.fluid, p.habits, p.full_l, p.low_l, p.high_l, books, p.ratio, p.held_l, p.oil_brix)
    visits = visits_of(rng, p.calendar.attended, person, days, p.looks_per_shift)
    add_rare(visits, p, person)
    start_l = p.full_l * float(rng.uniform(0.8, 1.0))
    start_c = start_l * p.fluid.target_pct * float(rng.uniform(0.85, 1.15)) / 100
    keep_books(
        start_l,
        start_c,
        p.loss.water_l.tolist(),
        (p.loss.carry_l + p.leak_l).tolist(),
        FLOOR_SHARE * p.full_l,
        visits,
        books,
    )
    rates = {
        "evaporation_l_per_day": daily(p.loss.water_l),
        "carry_off_l_per_day": daily(p.loss.carry_l),
        "ratio": p.ratio[::60],
    }
    sump = Sump(
        p.name,
        p.full_l,
        p.low_l,
        p.high_l,
        p.fluid,
        [],
        books,
        [],
        person.words,
        person.events + p.leaks,
        rates,
    )
    note_troubles(sump, p)
    return sump


def add_rare(visits: dict[int, list[Visitor]], parts: Parts, person: Person) -> None:
    """Change-outs (nobody else pours just before), partial drains, changes of the proportioner's setting."""
    for k in parts.recharges:
        for near in range(k - 30, k + 1):
            visits.pop(near, None)
        visits[k] = [person.recharge]
    for ks, what in ((parts.drains, person.take_out), (parts.resets, person.set_usual)):
        for k in ks:
            visits.setdefault(k, []).append(what)


def note_troubles(sump: Sump, parts: Parts) -> None:
    """Say in the truth what this sump suffers from, for the reader of a per-sump table."""
    h = parts.habits
    log = {1.0: "log-always", 0.0: "log-never"}.get(h.log_p, f"log-{h.log_p:.1f}")
    sump.troubles += [log, f"reads-{h.reads_per_week:g}", f"shifts-{parts.calendar.shifts}"]
    sump.troubles += ["oil"] if parts.oil_brix.any() else []
    sump.troubles += sorted({e.event for e in sump.events if e.event in ("leak", "recharge", "drained")})
    sump.troubles += ["setting"] if any(w["signal"] == "setting" for w in sump.words) else []
