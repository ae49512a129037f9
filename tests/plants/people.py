"""People at a sump: they look, top off, read a refractometer, correct what they have just read, and log it
or not.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from .kit import MINUTE_S, START_S, Books, Event, Floats, Fluid

CORRECTS_WITHIN_MIN = 1440  # a reading is in people's minds for a day


@dataclass(slots=True)
class Habits:
    """How one machine's people behave; shares are probabilities."""

    correct_p: float
    water_p: float
    rich_p: float
    log_p: float
    reads_per_week: float
    reading_sd_brix: float
    reading_step_brix: float
    wrong_p: float
    fill_mean: float
    fill_sd: float
    trigger_spread: float
    bucket_sd: float = 0.08
    log_sd: float = 0.1
    log_late_min: float = 25.0
    twice_p: float = 0.02
    wrong_word_p: float = 0.04
    titrates_every_days: float = 0.0
    alternates: bool = False
    metered: bool = False  # the makeup line has a meter; mixes from a bucket do not pass it
    sip_l: float = 0.0  # > 0: tops off this much at every other visit, whatever the level


@dataclass(slots=True)
class Person:
    """One sump's people as the books see them: visit functions that write pours into the ledgers and words
    for later.
    """

    sump: str
    rng: np.random.Generator
    fluid: Fluid
    habits: Habits
    full_l: float
    low_l: float
    high_l: float
    books: Books
    ratio: Floats
    held_l: Floats
    oil_brix: Floats
    words: list[dict[str, Any]] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    busy_until: int = 0
    mark_l: float = 0.0
    read_at: int = -(10**9)
    read_pct: float = 0.0
    turn: int = 0

    def look(self, k: int, v: float, s: float) -> None:
        """Pass by in a shift: top off when the level has come near the low mark, or at once after an odd
        reading.
        """
        if k < self.busy_until:
            return
        if self.mark_l == 0.0:
            self.draw_mark()
        seen = v + self.books.foreign_l[k] - 0.5 * self.held_l[k]
        room = self.full_l - v
        minds = k - self.read_at < 240 and self.off_target() and self.rng.random() < 0.4 * self.habits.correct_p
        sips = self.habits.sip_l > 0 and room > self.habits.sip_l and self.rng.random() < 0.45
        if seen < self.mark_l or (minds and room > 0.06 * self.full_l) or sips:
            self.top_off(k, v)

    def draw_mark(self) -> None:
        """Where the next top-off starts, L: around the low mark, with a spread of the band up to full."""
        band = self.full_l - self.low_l
        self.mark_l = self.low_l + band * float(self.rng.uniform(-0.1, self.habits.trigger_spread))

    def off_target(self) -> bool:
        """Did the last reading lie clearly off the target?"""
        f = self.fluid
        return not (
            f.target_pct - 0.5 * (f.target_pct - f.low_pct)
            < self.read_pct
            < f.target_pct + 0.5 * (f.high_pct - f.target_pct)
        )

    def top_off(self, k: int, v: float) -> None:
        """Pour to near full at a strength chosen by `choose`, over 2-12 minutes, and perhaps say so."""
        share = float(np.clip(self.rng.normal(self.habits.fill_mean, self.habits.fill_sd), 0.75, 1.04))
        litres = min(share * self.full_l, self.high_l) - v
        if self.habits.sip_l > 0:
            litres = min(litres, self.habits.sip_l * float(np.exp(self.rng.normal(0, 0.35))))
        if litres < 0.02 * self.full_l and litres < 4.0:
            return
        kind, said_pct, pct = self.choose(k, v, litres)
        minutes = int(self.rng.integers(2, 13))
        self.pour(k, minutes, litres, pct)
        self.busy_until = k + minutes + 90
        self.draw_mark()
        if self.habits.metered and kind != "corrective":
            self.word(
                k + minutes,
                {"signal": "metered", "volume_l": round(litres * float(self.rng.normal(1, 0.01)), 1)},
            )
        logged = self.say(k + minutes, litres, said_pct)
        self.events.append(
            Event(
                self.sump,
                "addition",
                at(k),
                at(k + minutes),
                kind,
                litres,
                pct,
                0.0,
                logged,
                self.fluid.usual_pct,
            )
        )

    def choose(self, k: int, v: float, litres: float) -> tuple[str, float, float]:
        """Kind, strength as people would say it, real strength. They correct what they have just read."""
        f, h, draw = self.fluid, self.habits, float(self.rng.random())
        if h.alternates:
            self.turn += 1
            strong = float(self.rng.uniform(1.8, 2.6)) * f.usual_pct
            return self.corrective(strong) if self.turn % 2 else ("water", 0.0, 0.0)
        if k - self.read_at < CORRECTS_WITHIN_MIN and self.off_target() and self.rng.random() < h.correct_p:
            self.read_at = -(10**9)
            if self.read_pct < f.target_pct:
                return self.corrective((f.target_pct * (v + litres) - self.read_pct * v) / litres)
            return ("water", 0.0, 0.0) if self.rng.random() < 0.6 else self.corrective(f.leanest_pct)
        if draw < h.water_p:
            return "water", 0.0, 0.0
        if draw < h.water_p + h.rich_p:
            return self.corrective(f.target_pct * float(self.rng.uniform(0.9, 1.5)))
        return "usual", f.usual_pct, f.usual_pct * float(self.ratio[k])

    def corrective(self, wish_pct: float) -> tuple[str, float, float]:
        """A mix made by hand: to half a percent, within what the sheet allows, with a bucket's error."""
        f = self.fluid
        pct = float(np.clip(round(2 * wish_pct) / 2, f.leanest_pct, f.richest_pct))
        return "corrective", pct, pct * float(np.exp(self.rng.normal(0, self.habits.bucket_sd)))

    def pour(self, k: int, minutes: int, litres: float, pct: float) -> None:
        """Write a pour into the ledgers, uneven from minute to minute."""
        parts = self.rng.dirichlet(np.full(minutes, 8.0)) * litres
        for j, part in enumerate(parts.tolist()):
            if k + j < len(self.books.in_l):
                self.books.in_l[k + j] += part
                self.books.in_concentrate_l[k + j] += part * pct / 100.0

    def say(self, k: int, litres: float, pct: float) -> bool:
        """Perhaps log the addition: late, rounded, sometimes without a number, of the wrong kind, twice."""
        h, rng = self.habits, self.rng
        if rng.random() >= h.log_p:
            return False
        step = 5.0 if litres > 15 else 1.0
        said = max(step, round(litres * float(np.exp(rng.normal(0, h.log_sd))) / step) * step)
        word = {"signal": "addition", "volume_l": said, "pct": pct}
        if rng.random() < h.wrong_word_p:
            word["pct"] = self.fluid.usual_pct if pct != self.fluid.usual_pct else 0.0
        elif rng.random() < 0.06:
            word["pct"] = None
        elif rng.random() < 0.06:
            word["volume_l"] = None
        late = int(np.clip(h.log_late_min * np.exp(rng.normal(0, 1.2)), 1, 1200))
        if rng.random() < 0.25:
            word["at"] = int(at(k)) - int(rng.integers(0, 900))
        self.word(k + late, word)
        if rng.random() < h.twice_p:
            self.say_again(k + late + int(rng.integers(2, 240)), word)
        return True

    def say_again(self, k: int, word: dict[str, Any]) -> None:
        """A second person logs the same addition; at times somebody sees it and takes the second entry
        back.
        """
        self.word(k, dict(word))
        if self.rng.random() < 0.4:
            fields = {"record_time": self.words[-1]["time"], "record_signal": "addition"}
            self.word(k + int(self.rng.integers(5, 600)), {"signal": "void", **fields})

    def set_usual(self, k: int, v: float, s: float) -> None:
        """Turn the proportioner by half a point or one towards what the strength asks for, and say so."""
        f = self.fluid
        step = float(self.rng.choice([0.5, 1.0])) * (1 if 100 * s / v < f.target_pct else -1)
        f.usual_pct = float(np.clip(f.usual_pct + step, f.leanest_pct, f.target_pct))
        self.word(k, {"signal": "setting", "field": "usual_pct", "value": f.usual_pct})

    def word(self, k: int, fields: dict[str, Any]) -> None:
        """Keep a person's record, said some seconds into minute k."""
        self.words.append({"time": int(at(k)) + int(self.rng.integers(0, 60)), "sump": self.sump, **fields})

    def read(self, k: int, v: float, s: float) -> None:
        """Dip a refractometer: noise, rounding, way oil that reads as strength, a wrong one now and then."""
        h, rng = self.habits, self.rng
        brix = 100 * s / v / self.fluid.factor + float(self.oil_brix[k]) + rng.normal(0, h.reading_sd_brix)
        if rng.random() < h.wrong_p:  # half of them a prism that nobody zeroed, half plainly misread
            brix += rng.choice([-1.0, 1.0]) * (rng.uniform(0.4, 1.2) if rng.random() < 0.5 else rng.uniform(1.0, 3.0))
            self.events.append(Event(self.sump, "wrong_reading", at(k), at(k)))
        brix = max(0.0, round(float(brix) / h.reading_step_brix) * h.reading_step_brix)
        self.read_at, self.read_pct = k, brix * self.fluid.factor
        self.word(k, {"signal": "hand_reading", "value": round(brix, 2)})

    def titrate(self, k: int, v: float, s: float) -> None:
        """Titrate a sample: no way oil in it, about 0.15 points."""
        value = max(0.0, 100 * s / v + float(self.rng.normal(0, 0.15)))
        self.word(k + 20, {"signal": "titration", "value": round(value, 1)})

    def take_out(self, k: int, v: float, s: float) -> None:
        """Drain a part and say so."""
        litres = round(v * float(self.rng.uniform(0.08, 0.2)))
        if k < self.busy_until:
            return
        minutes = int(self.rng.integers(4, 12))
        for j in range(minutes):
            self.books.mix_out_l[k + j] += litres / minutes
        self.busy_until = k + minutes + 120
        self.events.append(Event(self.sump, "drained", at(k), at(k + minutes), "", litres, 100 * s / v, 0.0, True))
        self.word(k + minutes + int(self.rng.integers(1, 120)), {"signal": "drained", "volume_l": litres})

    def recharge(self, k: int, v: float, s: float) -> None:
        """Empty, clean for a while, fill anew near the target; said late or, sometimes, not at all."""
        rng, rest = self.rng, 0.015 * self.full_l
        out_min, clean_min, in_min = (int(rng.integers(*r)) for r in ((20, 40), (30, 90), (25, 50)))
        for j in range(out_min):
            self.books.mix_out_l[k + j] += max(0.0, v - rest) / out_min
        filled, pct = (
            self.full_l * float(rng.uniform(0.93, 1.0)),
            self.fluid.target_pct * float(rng.uniform(0.9, 1.1)),
        )
        start = k + out_min + clean_min
        self.pour(start, in_min, filled, pct)
        end = start + in_min
        self.busy_until = end + 600
        logged = bool(rng.random() < 0.75)
        self.events.append(Event(self.sump, "recharge", at(k), at(end), "", filled, pct, 0.0, logged))
        if logged:
            said = {"signal": "recharge", "volume_l": round(filled / 5) * 5, "pct": round(2 * pct) / 2}
            self.word(end + int(rng.integers(5, 400)), said)


def at(k: int) -> float:
    """Epoch seconds of minute k."""
    return float(START_S + MINUTE_S * k)


def visits_of(
    rng: np.random.Generator, attended: Floats, person: Person, days: int, per_shift: float
) -> dict[int, Any]:
    """Draw who comes when: looks (some at the start of a shift), readings on fixed weekdays, titrations."""
    visits: dict[int, Any] = {}
    looks = np.flatnonzero((rng.random(len(attended)) < per_shift / 480.0) & (attended > 0))
    starts = np.flatnonzero(np.diff(attended) > 0) + rng.integers(4, 40)
    for k in [*looks.tolist(), *starts.tolist()]:
        visits.setdefault(int(k), []).append(person.look)
    every = 7.0 / person.habits.reads_per_week
    add_every(rng, visits, attended, every, days, person.read)
    if person.habits.titrates_every_days:
        add_every(rng, visits, attended, person.habits.titrates_every_days, days, person.titrate)
    return visits


def add_every(
    rng: np.random.Generator, visits: dict[int, Any], attended: Floats, every: float, days: int, what: Any
) -> None:
    """Add `what` about every so many days, at a moment when somebody is there."""
    there = np.flatnonzero(attended > 0)
    day = rng.uniform(0, min(every, 4.0))
    while day < days and len(there):
        wish = int((np.floor(day) + rng.uniform(0.26, 0.56)) * 1440)
        i = int(np.searchsorted(there, wish))
        if i < len(there) and there[i] - wish < 3 * 1440:
            visits.setdefault(int(there[i]), []).append(what)
        day += every + rng.normal(0, 0.15 * every)
