"""`python -m tests.plants.closed`: machines in a closed loop, once by what Sumpside posts, once by common practice.

The operator of the loop does what is posted, 0-8 attended hours late, ±10 % in litres, with a bucket's error in
every mix but the usual one, and does nothing else. Common practice, on the same machines: look three times a shift,
top off with the usual mix when low, read twice a week, correct when the reading is out of band. Two more ways show
what a question is worth: somebody else pours now and then too, unasked and unentered, and the operator answers what
is asked about it, or does not.
"""

from __future__ import annotations

import argparse
import secrets
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from agent.core.inquire import TITRATION
from agent.core.outputs import Advice, Finding, Output
from agent.core.spec import SiteSpec
from agent.core.step import SiteState, start, step
from agent.records import Record

from . import causes
from .causes import Causes
from .kit import DAY_MIN
from .machine import KINDS, PIECE_MIN, Machine, draw_machine, troubled
from .people import at

FROM_DAY = 8  # days before count for learning, as elsewhere
LATE_MIN = 480.0
LITRES_SD = 0.10
BUCKET_SD = 0.08
READING_SD_BRIX, READING_STEP_BRIX, WRONG_READING_P = 0.2, 0.1, 0.04
TITRATION_SD_PCT = 0.25
READINGS_A_WEEK = 2.0  # of common practice
STRAYS_A_WEEK = 1.5  # additions of somebody who reads no instructions
REMEMBERED_S = 2700.0
POURS = ("top_off", "strengthen", "thin")
MUST_STRENGTH, MUST_LEVEL, MOST_READINGS = 0.97, 0.99, 1.0


@dataclass(slots=True)
class Diary:
    """What happened at one machine."""

    readings: int = 0
    titrations: int = 0  # of them
    posted: Counter[str] = field(default_factory=Counter)
    rewritten: int = 0
    causes: Causes = field(default_factory=Causes)


def mix_of(machine: Machine, pct: float) -> float:
    """Real strength of a mix set or measured as `pct`: the usual one by the proportioner, any other by bucket."""
    if pct == machine.spec.usual_pct:
        return pct * float(machine.parts.ratio[machine.minute])
    return pct * float(np.exp(machine.rng.normal(0, BUCKET_SD)))


def poured(machine: Machine, litres: float, pct: float) -> float:
    """Pour about so much, never so that it runs over; litres that went in."""
    litres = min(litres * float(machine.rng.normal(1, LITRES_SD)), 1.1 * machine.spec.high_l - machine.litres)
    litres = max(litres, 0.5)
    machine.pour(litres, mix_of(machine, pct), int(machine.rng.integers(3, 9)))
    return litres


def dip(machine: Machine, diary: Diary) -> float:
    diary.readings += 1
    return machine.brix(READING_SD_BRIX, READING_STEP_BRIX, WRONG_READING_P)


def titrate(machine: Machine, diary: Diary) -> float:
    """By the supplier's kit: sees no oil; counts as a reading."""
    diary.readings += 1
    diary.titrations += 1
    true = 100.0 * machine.concentrate_l / machine.litres
    return max(0.1, round((true + float(machine.rng.normal(0, TITRATION_SD_PCT))) * 10.0) / 10.0)


@dataclass(slots=True)
class Operator:
    """Does what is posted, late. `says`: enters what was poured; `answers`: answers questions; `strays`: somebody
    else pours too, and enters nothing."""

    machine: Machine
    diary: Diary
    says: bool = True
    answers: bool = True
    strays: bool = False
    late_min: float = LATE_MIN
    stands: Advice | None = None
    wait_min: float = 0.0
    poured: list[tuple[float, float, float]] = field(default_factory=list)  # epoch s, L, % as set

    def hear(self, outputs: list[Output]) -> None:
        """Take note of what is posted now."""
        for one in outputs:
            if not isinstance(one, Advice):
                continue
            if one.withdrawn:
                self.stands = None
            else:
                if self.stands is None or self.stands.id != one.id:
                    self.wait_min = float(self.machine.rng.uniform(0, self.late_min))
                    self.diary.posted[one.kind] += 1
                else:
                    self.diary.rewritten += 1
                self.stands = one

    def work(self) -> list[Record]:
        """A piece of time at the machine: wait, or do it; what is entered about it."""
        m = self.machine
        if not m.parts.calendar.attended[m.minute]:
            return []
        if self.strays and m.rng.random() < STRAYS_A_WEEK * PIECE_MIN / _attended_a_week(m):
            self._stray()
        if self.stands is None:
            return []
        self.wait_min -= PIECE_MIN
        if self.wait_min > 0:
            return []
        one, self.wait_min = self.stands, float("inf")
        return self._do(one)

    def _do(self, one: Advice) -> list[Record]:
        m, name = self.machine, self.machine.spec.id
        when = at(m.minute)
        if one.kind in POURS:
            litres = poured(m, one.volume_l or 0.0, one.makeup_pct or 0.0)
            self.poured.append((when, litres, one.makeup_pct or 0.0))
            said = Record(time=when + 600, sump=name, signal="addition", volume_l=one.volume_l, pct=one.makeup_pct)
            return [said] if self.says else []
        if one.kind == "drain_part":
            m.drain(one.volume_l or 0.0, 10)
            return [Record(time=when + 900, sump=name, signal="drained", volume_l=one.volume_l)] if self.says else []
        if one.kind == "read_strength" and one.method == TITRATION:
            return [Record(time=when, sump=name, signal="titration", value=titrate(m, self.diary))]
        if one.kind == "read_strength":
            return [Record(time=when, sump=name, signal="hand_reading", value=dip(m, self.diary))]
        if one.kind == "ask" and self.answers:
            return self._answer(one)
        return []

    def _answer(self, one: Advice) -> list[Record]:
        """What was it? As somebody who was there remembers; nothing, where nobody poured."""
        m, started = self.machine, float((one.of or "/0").rsplit("/", 1)[1])
        near = [p for p in self.poured if abs(p[0] - started) < REMEMBERED_S]
        when, name = at(m.minute), m.spec.id
        if not near:
            return [Record(time=when, sump=name, signal="dismissal", of=one.of)]
        _, litres, pct = min(near, key=lambda p: abs(p[0] - started))
        return [Record(time=when, sump=name, signal="addition", volume_l=float(round(litres)), pct=pct, of=one.of)]

    def _stray(self) -> None:
        """Somebody fills up by habit: the usual mix, water, or a strong one."""
        m, spec = self.machine, self.machine.spec
        room = spec.full_l - m.litres
        if room > 0.06 * spec.full_l:
            pct = float(m.rng.choice([spec.usual_pct, 0.0, spec.target_pct], p=[0.4, 0.3, 0.3]))
            self.poured.append((at(m.minute), poured(m, room * float(m.rng.uniform(0.5, 1.0)), pct), pct))


@dataclass(slots=True)
class Practice:
    """Common practice: nobody advises. Works on what a person sees: the level by eye, two readings a week."""

    machine: Machine
    diary: Diary
    read_pct: float | None = None

    def work(self) -> list[Record]:
        m, spec = self.machine, self.machine.spec
        if not m.parts.calendar.attended[m.minute]:
            return []
        if m.rng.random() < READINGS_A_WEEK * PIECE_MIN / _attended_a_week(m):
            self.read_pct = dip(m, self.diary) * spec.refractometer_factor
            if not spec.low_pct <= self.read_pct <= spec.high_pct and spec.full_l - m.litres > 0.04 * spec.full_l:
                self._fill()
        elif m.rng.random() < 3 * PIECE_MIN / 480.0:
            seen = m.litres * float(m.rng.normal(1, 0.02))
            if seen < spec.low_l + 0.15 * (spec.full_l - spec.low_l):
                self._fill()
        return []

    def _fill(self) -> None:
        m, spec = self.machine, self.machine.spec
        litres = spec.full_l - m.litres
        pct, read = spec.usual_pct, self.read_pct
        if read is not None and not spec.low_pct <= read <= spec.high_pct:
            wish = (spec.target_pct * spec.full_l - read * m.litres) / litres
            pct = float(np.clip(round(2 * wish) / 2, spec.leanest_pct, spec.richest_pct))
        self.read_pct = None
        poured(m, litres, pct)
        self.diary.posted["own"] += 1


def _attended_a_week(machine: Machine) -> float:
    """Attended minutes a week."""
    attended = machine.parts.calendar.attended
    return float(attended.sum()) * 7 * DAY_MIN / len(attended)


def advised(
    seed: int,
    rank: int,
    days: int,
    kind: str = "mixed",
    says: bool = True,
    strays: bool = False,
    answers: bool = True,
    oracle: bool = False,
    late_min: float = LATE_MIN,
) -> tuple[Machine, Diary, list[Output]]:
    """One machine by what is posted. `oracle`: by advice that is told the true strength."""
    machine, diary = draw_machine(seed, rank, days, kind), Diary()
    spec = machine.spec
    site = SiteSpec("Harrow Lane Gearworks", sumps={spec.id: spec})
    state, operator = start(site), Operator(machine, diary, says, answers, strays, late_min)
    said: list[Output] = []
    later: list[Record] = []
    while machine.minute < days * DAY_MIN:
        later += operator.work()
        heard = machine.run()
        now = at(machine.minute)
        records = sorted([*heard, *(r for r in later if r.time < now)], key=lambda r: r.time)
        later = [r for r in later if r.time >= now]
        if oracle:
            causes.tell(machine, state.sumps[spec.id], now)
        state, outputs = _told(state, records, site)
        diary.causes.look(machine, state.sumps[spec.id], now)
        operator.hear(outputs)
        said += outputs
    return machine, diary, said


def _told(state: SiteState, records: list[Record], site: SiteSpec) -> tuple[SiteState, list[Output]]:
    said: list[Output] = []
    for record in records:
        state, outputs = step(state, record, site)
        said += outputs
    return state, said


def practised(seed: int, rank: int, days: int, kind: str = "mixed") -> tuple[Machine, Diary, list[Output]]:
    """The same machine by common practice."""
    machine, diary = draw_machine(seed, rank, days, kind), Diary()
    people = Practice(machine, diary)
    while machine.minute < days * DAY_MIN:
        people.work()
        machine.run()
    return machine, diary, []


@dataclass(slots=True)
class Row:
    """Figures of one way to work, over all machines; shares of hours from FROM_DAY on."""

    strength: list[float] = field(default_factory=list)
    weak: list[float] = field(default_factory=list)
    level: list[float] = field(default_factory=list)
    readings: list[float] = field(default_factory=list)
    instructions: list[float] = field(default_factory=list)
    kinds: Counter[str] = field(default_factory=Counter)
    rewritten: int = 0
    landed: list[tuple[float, bool]] = field(default_factory=list)  # chance said, was it in the band once settled
    causes: Counter[str] = field(default_factory=Counter)  # hours out of the strength band, by cause
    counted: int = 0  # hours that were looked at for it


def book(row: Row, machine: Machine, diary: Diary, said: list[Output], days: int) -> None:
    """Add one machine's figures."""
    spec, span = machine.spec, slice(FROM_DAY * DAY_MIN, None, 60)
    c, v = machine.strength_pct[span], machine.volume_l[span]
    row.strength.append(float(np.mean((c >= spec.low_pct) & (c <= spec.high_pct))))
    row.weak.append(float(np.mean(c < spec.low_pct)))
    row.level.append(float(np.mean((v >= spec.low_l) & (v <= spec.high_l))))
    row.readings.append(diary.readings * 7 / days)
    row.instructions.append(sum(diary.posted.values()) * 7 / days)
    row.kinds += diary.posted
    row.rewritten += diary.rewritten
    row.landed += outcomes(machine, said)
    row.causes += diary.causes.hours
    row.counted += diary.causes.counted


def outcomes(machine: Machine, said: list[Output]) -> list[tuple[float, bool]]:
    """For each pour that was advised and done: the chance it was given, and whether it was in the band after it."""
    last: dict[str, Advice] = {}
    found = []
    for one in said:
        if isinstance(one, Advice) and one.withdrawn and one.reason.startswith("done") and one.id in last:
            k = int((one.time - at(0)) // 60) + 5
            if last[one.id].kind in POURS and k < len(machine.strength_pct):
                inside = machine.spec.low_pct <= machine.strength_pct[k] <= machine.spec.high_pct
                found.append((last[one.id].chance_in_band or 0.0, bool(inside)))
        elif isinstance(one, Advice):
            last[one.id] = one
    return found


def flips(said: list[Output]) -> list[tuple[Advice, Advice]]:
    """Pours given up for their opposite (richer for leaner than usual, or the other way round) with nothing found,
    read or done in between: what advice must never do."""
    found, standing = [], None
    for one in said:
        if isinstance(one, Finding):
            standing = None
        elif isinstance(one, Advice) and one.withdrawn:
            standing = None if one.reason.startswith("done") else standing
        elif isinstance(one, Advice) and one.kind in ("strengthen", "thin"):
            if standing is not None and standing.kind != one.kind:
                found.append((standing, one))
            standing = one
    return found


WAYS: dict[str, Callable[..., tuple[Machine, Diary, list[Output]]]] = {
    "advised": partial(advised, says=True),
    "known": partial(advised, oracle=True),
    "known at once": partial(advised, oracle=True, late_min=0.0),
    "at once": partial(advised, late_min=0.0),
    "unsaid": partial(advised, says=False),
    "practice": practised,
    "asked": partial(advised, says=True, strays=True),
    "unanswered": partial(advised, says=True, strays=True, answers=False),
}

LABELS = {
    "advised": "as posted, pours entered",
    "known": "the same, true strength told to the advice",
    "known at once": "the same, and done at the first attended minute",
    "at once": "as posted, done at the first attended minute",
    "unsaid": "as posted, no pour entered",
    "practice": "common practice",
    "asked": "as posted, others pour too, questions answered",
    "unanswered": "the same, questions not answered",
}


def figures(row: Row) -> str:
    """One way's figures as cells; `!` marks one that misses its must."""
    kinds = ", ".join(f"{kind} {n}" for kind, n in row.kinds.most_common())
    strength, level, readings = (float(np.mean(x)) for x in (row.strength, row.level, row.readings))
    cells = [
        f"{100 * strength:.1f} %" + (" !" if strength < MUST_STRENGTH else ""),
        f"{100 * np.mean(row.weak):.1f} %",
        f"{100 * min(row.strength):.0f} %",
        f"{100 * level:.2f} %" + (" !" if level < MUST_LEVEL else ""),
        f"{readings:.2f}" + (" !" if readings > MOST_READINGS else ""),
        f"{np.mean(row.instructions):.2f}",
        kinds,
    ]
    return " | ".join(cells)


def table(rows: dict[tuple[str, str], Row]) -> str:
    """The markdown table: a line a kind of plant and way to work."""
    columns = (
        "plant", "way", "strength in band (≥ 97 %)", "too weak", "worst machine", "level in band (≥ 99 %)",
        "readings a week (≤ 1)", "instructions a week", "which",
    )  # fmt: skip
    lines = ["| " + " | ".join(columns) + " |", "| --- " * len(columns) + "|"]
    lines += [f"| {kind} | {LABELS[way]} | {figures(row)} |" for (kind, way), row in rows.items()]
    return "\n".join(lines)


def why(row: Row) -> str:
    """Hours out of the strength band by cause, in percent of all, the largest first."""
    shares = [f"{cause} {100.0 * hours / row.counted:.2f} %" for cause, hours in row.causes.most_common()]
    return ", ".join(shares) or "never"


def measure(
    kinds: list[str], ways: list[str], seed: int, machines: int, days: int, each: bool = False
) -> dict[tuple[str, str], Row]:
    """Run every way on the same machines of each kind."""
    rows = {}
    for kind in kinds:
        for way in ways:
            row = rows[kind, way] = Row()
            for rank in range(machines):
                machine, diary, said = WAYS[way](seed + rank, rank, days, kind)
                book(row, machine, diary, said, days)
                if each:
                    shares = f"strength {row.strength[-1]:.3f}, level {row.level[-1]:.3f}"
                    told = f"{shares}, readings {row.readings[-1]:.2f}, {dict(diary.posted)}"
                    print(f"{kind} {way} {rank}{' troubled' if troubled(machine) else ''}: {told}", flush=True)
    return rows


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.plants.closed", description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=secrets.randbelow(1_000_000))
    parser.add_argument("--kinds", default=",".join(KINDS))
    parser.add_argument("--machines", type=int, default=12)
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--ways", default=",".join(WAYS))
    parser.add_argument("--each", action="store_true", help="one line a machine")
    a = parser.parse_args()
    rows = measure(a.kinds.split(","), a.ways.split(","), a.seed, a.machines, a.days, a.each)
    print(f"seed {a.seed}, {a.machines} machines a kind, {a.days} days, counted from day {FROM_DAY + 1}\n")
    print(table(rows))
    for (kind, way), row in rows.items():
        if row.landed:
            chances, inside = zip(*row.landed, strict=True)
            said_p, came_p = np.mean(chances), np.mean(inside)
            print(f"{kind}, {LABELS[way]}: out of the band {why(row)}")
            print(f"{kind}, {LABELS[way]}: {len(chances)} pours, chance said {said_p:.3f}, in the band {came_p:.3f}")


if __name__ == "__main__":
    main()
