"""A small works with a past, written through the real journal: what pages have to show, without a running agent.

The plant is a mass balance (evaporation takes water, carry-off takes mix); beliefs are the truth with the doubt that
grows since the last reading. It is no test of the estimator: it gives the pages rows of the right shape and sense.
"""

from __future__ import annotations

import json
import math
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from time import monotonic
from typing import Any

from agent.core.outputs import Advice, Belief, Finding
from agent.core.spec import SumpSpec
from agent.io.inbox import InboxReader
from agent.io.journal import Journal
from agent.site import load_site
from tests import sites

NOW_S = 1_750_340_000.0  # a Thursday in June 2025, 15:33 in Vienna
PAST_DAYS = 9
LIVE_EVERY_S = 0.3
LATHE = sites.sump(
    "lathe-1",
    (125.0, 180.0, 195.0),
    "[[0.0, 0.0], [110.0, 68.0], [300.0, 216.0]]",
    (5.0, 6.0, 7.5),
    1.0,
    (1.0, 2.0, 12.0),
)
MILL = sites.sump("mill-1", (185.0, 260.0, 280.0), "[[0.0, 0.0], [140.0, 121.0], [340.0, 323.0]]")
GRINDER = sites.sump(
    "grinder-1",
    (300.0, 420.0, 450.0),
    "[[90.0, 496.0], [270.0, 301.0], [560.0, 0.0]]",
    (3.2, 4.0, 5.0),
    2.2,
    (1.0, 2.0, 9.0),
)
REST = """
[[bus]]
id = "line"
driver = "ascii_line"
port = "/dev/ttyUSB0"
simulated = SIMULATED
[[bus.sensor]]
sump = "lathe-1"
signal = "level"
pattern = '(?P<value>\\d+)'
"""
SITE = sites.head('units = "UNITS"') + LATHE + MILL + sites.sump() + GRINDER + REST


@dataclass
class Plant:
    """One sump's truth: litres of mix and of concentrate, losses in litres a day, the strength of what is added."""

    spec: SumpSpec
    volume_l: float
    pct: float
    evaporation_l_per_day: float
    carry_off_l_per_day: float
    makeup_pct: float
    strength_sd: float = 0.15
    topped: list[tuple[float, float]] = field(default_factory=list)

    def live_on(self, seconds: float) -> None:
        days = seconds / 86_400.0
        concentrate_l = self.volume_l * self.pct / 100.0 - self.carry_off_l_per_day * days * self.pct / 100.0
        self.volume_l -= (self.evaporation_l_per_day + self.carry_off_l_per_day) * days
        self.pct = 100.0 * concentrate_l / self.volume_l
        self.strength_sd = min(1.2, math.hypot(self.strength_sd, 0.16 * math.sqrt(days)))

    def pour(self, volume_l: float) -> None:
        concentrate_l = (self.volume_l * self.pct + volume_l * self.makeup_pct) / 100.0
        self.volume_l += volume_l
        self.pct = 100.0 * concentrate_l / self.volume_l
        self.strength_sd += 0.05

    def belief(self, time: float) -> Belief:
        lost = self.evaporation_l_per_day + self.carry_off_l_per_day
        hours = max(0.0, (self.volume_l - self.spec.low_l) / lost * 24.0)
        half = 1.645 * self.strength_sd
        share = self.evaporation_l_per_day / lost
        return Belief(
            time, self.spec.id, self.volume_l, 0.006 * self.spec.full_l, self.pct, self.strength_sd, self.pct - half,
            self.pct + half, self.evaporation_l_per_day, self.carry_off_l_per_day, share, 0.08, self.makeup_pct, 0.18,
            self.spec.target_pct * (1 - share), hours, 0.7 * hours, 1.45 * hours, "settled",
        )  # fmt: skip


@dataclass
class Works:
    """The folders of a works, its journal's writer and its live file."""

    folder: Path
    site_path: Path
    journal: Journal
    plants: dict[str, Plant]
    now_s: float = NOW_S
    dead: bool = False  # the played agent writes no more
    filling: dict[str, Any] = field(default_factory=dict)  # by sump, what live.json says of somebody pouring
    alerts: list[dict[str, Any]] = field(default_factory=list)
    dosing: dict[str, Any] = field(default_factory=dict)  # by sump, what live.json says of its valve

    @property
    def specs(self) -> dict[str, SumpSpec]:
        return {name: plant.spec for name, plant in self.plants.items()}

    def dirs(self) -> list[str]:
        names = (("--state-dir", "state"), ("--inbox-dir", "inbox"), ("--runtime-dir", "run"))
        return [word for option, name in names for word in (option, str(self.folder / name))]

    def said(self) -> list[dict[str, Any]]:
        """Everything in the inbox, in order: `kind`, `sump`, `person`, `role` and the body's own fields."""
        words = InboxReader(self.folder / "inbox" / "inbox.sqlite").after(0)
        return [{"kind": w.kind, "sump": w.sump, "person": w.person, "role": w.role, **w.body} for w in words]

    def take_words(self) -> None:
        """Plays the agent's part of moving the bookmark, so that nothing waits any more."""
        words = InboxReader(self.folder / "inbox" / "inbox.sqlite").after(0)
        self.journal.bookmark("inbox", words[-1].seq if words else 0)

    def live(self, sumps: dict[str, Any] | None = None, **more: Any) -> None:
        """Writes the live file as the agent does: beside it, then in its place."""
        body = {
            "time": self.now_s, "boot": 1, "simulated": False, "agent": {"version": "0", "pid": 1},
            "alerts": self.alerts, "dosing": self.dosing,
            "sumps": {name: self.live_sump(name) for name in self.plants} | (sumps or {}), **more,
        }  # fmt: skip
        path = self.folder / "run" / "live.json"
        beside = path.with_suffix(".new")
        beside.write_text(json.dumps(body))
        os.replace(beside, path)

    def live_sump(self, name: str, **signals: Any) -> dict[str, Any]:
        plant = self.plants[name]
        level = {
            "time": self.now_s - 3.0, "raw": plant.spec.curve.raw_at(plant.volume_l), "litres": plant.volume_l,
            "flags": 0, "text": "",
        }  # fmt: skip
        belief = plant.belief(self.now_s - 40.0).row()
        return {"signals": {"level": level, **signals}, "belief": belief, "filling": self.filling.get(name)}

    @contextmanager
    def agent_lives(self) -> Iterator[None]:
        """Plays the agent's one habit that pages go by: a live file that is new every moment."""
        ended = threading.Event()

        def write() -> None:
            begun, at = monotonic(), self.now_s
            while not ended.wait(LIVE_EVERY_S):
                self.now_s = at + monotonic() - begun
                if not self.dead:
                    self.live()

        self.live()
        writer = threading.Thread(target=write, name="live file")
        writer.start()
        try:
            yield
        finally:
            ended.set()
            writer.join()

    def fit_valve(self, table: str, sump: str) -> None:
        """A dosing valve in the site file, at a sump that has the level sensor: nothing is dosed blind."""
        text = self.site_path.read_text().replace('sump = "lathe-1"\nsignal', f'sump = "{sump}"\nsignal')
        at = text.index("\n[[", text.index(f'id = "{sump}"'))
        self.site_path.write_text(f"{text[:at]}{table}\n{text[at:]}")

    def advise(self, advice: Advice, state: str = "approved", by: str = "policy") -> None:
        """Posts an instruction, and takes it on to `approved` or as far as asked."""
        self.journal.event("advice", advice.time, advice.sump, advice.id, advice.row())
        self.review(advice, "post", "", "posted", "agent")
        if state == "approved":
            self.review(advice, "approve", "posted", "approved", by)

    def review(self, advice: Advice, event: str, before: str, after: str, by: str, **more: Any) -> None:
        body = {"advice": advice.id, "event": event, "from": before, "to": after, "by": by, "role": by, **more}
        self.journal.event("review", more.get("time", advice.time), advice.sump, advice.id, body)


def build(
    folder: Path, past_days: float = PAST_DAYS, units: str = "litre", simulated: bool = True, now_s: float = NOW_S
) -> Works:
    """The four sumps of the works with their past, three instructions open, and a live file of this moment."""
    for name in ("state", "inbox", "run"):
        (folder / name).mkdir(parents=True)
    site_path = folder / "harrow-lane.toml"
    site_path.write_text(SITE.replace("UNITS", units).replace("SIMULATED", str(simulated).lower()))
    specs = load_site(site_path).spec().sumps
    plants = {
        "lathe-1": Plant(specs["lathe-1"], 168.0, 5.3, 2.6, 3.6, 1.2),
        "mill-1": Plant(specs["mill-1"], 240.0, 7.0, 5.0, 3.0, 2.9),
        "mill-2": Plant(specs["mill-2"], 269.0, 7.0, 7.4, 4.6, 2.3),
        "grinder-1": Plant(specs["grinder-1"], 410.0, 4.0, 6.0, 5.0, 2.0),
    }
    works = Works(folder, site_path, Journal.open(folder / "state" / "journal.sqlite"), plants, now_s)
    _write_past(works, past_days)
    works.journal.commit()
    return works


def _write_past(works: Works, past_days: float) -> None:
    start = works.now_s - past_days * 86_400.0
    time, turn = start, 0
    with works.journal.group():
        while time < works.now_s - 60.0:
            step_s = 60.0 if works.now_s - time < 3 * 86_400.0 else 300.0
            time += step_s
            turn += 1
            for name, plant in works.plants.items():
                _minute(works, name, plant, time, step_s, turn)
            if turn % 10 == 0:
                for plant in works.plants.values():
                    works.journal.belief(plant.belief(time).row())
            if turn % 60 == 0:
                works.journal.commit()


def _minute(works: Works, name: str, plant: Plant, time: float, step_s: float, turn: int) -> None:
    plant.live_on(step_s)
    spec = plant.spec
    noise = 0.0015 * spec.full_l * math.sin(turn * 2.399963 + len(name))
    seen_l = plant.volume_l + noise
    works.journal.sample(name, "level", time, spec.curve.raw_at(seen_l), seen_l, 0, True)
    if name == "mill-2" and turn % 5 == 0:
        brix = plant.pct / spec.refractometer_factor + 0.06 * math.sin(turn * 0.7)
        works.journal.sample(name, "brix", time, brix, brix, 0, True)
    if plant.volume_l < spec.low_l + 0.06 * (spec.full_l - spec.low_l) and works.now_s - time > 86_400.0:
        _top_off(works, plant, time)
    if turn % 1500 == 700 + 97 * len(name):
        _hand_reading(works, plant, time)


def _top_off(works: Works, plant: Plant, time: float) -> None:
    volume_l = plant.spec.full_l - plant.volume_l
    plant.pour(volume_l)
    id = f"{plant.spec.id}-f{int(time)}"
    text = f"{volume_l:.0f} L went in at {plant.makeup_pct:.1f} %: the usual mix, nobody entered it"
    found = Finding(
        id, 1, time + 900.0, plant.spec.id, "top_off", time, time + 420.0, volume_l, 1.4, plant.makeup_pct, 0.4, None,
        None, text,
    )  # fmt: skip
    works.journal.event("finding", found.time, plant.spec.id, id, found.row())


def _hand_reading(works: Works, plant: Plant, time: float) -> None:
    brix = round(plant.pct / plant.spec.refractometer_factor, 1)
    plant.strength_sd = 0.2
    body = {
        "time": time, "sump": plant.spec.id, "signal": "hand_reading", "value": brix, "by": "Petra", "role": "operator"
    }  # fmt: skip
    works.journal.event("word", time, plant.spec.id, None, body)


def top_off(works: Works, sump: str = "mill-2", id: str = "mill-2-a1", **changed: Any) -> Advice:
    """A top-off with the usual mix, as the core would word it."""
    plant = works.plants[sump]
    spec, volume_l = plant.spec, round(plant.spec.full_l - plant.volume_l, 1)
    values: dict[str, Any] = {
        "id": id, "time": works.now_s - 1500.0, "sump": sump, "kind": "top_off", "volume_l": volume_l,
        "makeup_pct": spec.usual_pct, "water_l": volume_l * (1 - spec.usual_pct / 100),
        "concentrate_l": volume_l * spec.usual_pct / 100, "expected_volume_l": spec.full_l,
        "expected_strength_pct": (plant.volume_l * plant.pct + volume_l * spec.usual_pct) / spec.full_l,
        "expected_strength_sd": 0.22, "chance_in_band": 0.97, "due_in_h": 5.0,
        "reason": f"the level is {plant.volume_l:.0f} L and reaches the low mark within a shift",
    }  # fmt: skip
    return Advice(**(values | changed))


def strengthen(works: Works, sump: str = "lathe-1", id: str = "lathe-1-a7") -> Advice:
    """A correction that a supervisor has to see first."""
    plant = works.plants[sump]
    spec, volume_l, makeup_pct = plant.spec, 24.0, 8.5
    after_l = plant.volume_l + volume_l
    return Advice(
        id, works.now_s - 4000.0, sump, "strengthen", volume_l, makeup_pct, volume_l * (1 - makeup_pct / 100),
        volume_l * makeup_pct / 100, after_l, (plant.volume_l * plant.pct + volume_l * makeup_pct) / after_l, 0.3, 0.93,
        0.0, f"the strength is {plant.pct:.1f} % and the band begins at {spec.low_pct:.1f} %",
    )  # fmt: skip


def read_strength(works: Works, sump: str = "grinder-1", id: str = "grinder-1-a3") -> Advice:
    """A reading is worth more than an action."""
    return Advice(
        id, works.now_s - 7200.0, sump, "read_strength", None, None, None, None, None, None, None, 0.71, 8.0,
        "nobody has read this sump for nine days, and it may have left its band",
    )  # fmt: skip
