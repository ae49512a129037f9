"""The simulated people: they read what is asked of them, do it after a while, and say so. They work the shifts.

They see only what a person sees: the instructions in the journal, the dip stick, their own refractometer. What
they say goes through a `Voice`, which is the page of the dashboards and nothing else.
"""

from __future__ import annotations

import heapq
import itertools
import random
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from agent.io.journal_reader import JournalReader
from agent.io.simulated import calendar
from agent.io.simulated.plant import Plant

PATIENCE_S = 45 * 60.0  # an approved instruction lies that long before somebody comes by
SOON_S = 10 * 60.0  # a dip, an answer
AGAIN_S = 10 * 60.0  # the page did not take it: say it again
TRIES = 5
READING_DAYS = (0, 3)  # Monday and Thursday, by habit
READING_HOURS = (6.4, 7.5)
READ_AGAIN_S = 20 * 3600.0
EMPTY_SHARE = 0.94  # so far below the low mark somebody tops off without being told
POURS = ("top_off", "strengthen", "thin")
BY_HAND_WORK = (*POURS, "drain_part")
REMEMBERED_S = 45 * 60.0  # an asked-for addition and a pour this close in time are the same
BY_HAND_SD = 0.04  # a bucket and a jug


class NotTaken(Exception):
    """The page did not take what was said; the text says why."""


class Voice(Protocol):
    """How a simulated person speaks. Both raise NotTaken."""

    def say(self, sump: str, record: dict[str, Any]) -> None:
        """A record (contract fields) about a sump."""

    def decide(self, sump: str, advice_id: str, action: str, fields: dict[str, Any]) -> None:
        """An action (`begin`, `done`) on an instruction; `fields` may hold volume_l, makeup_pct and note."""


@dataclass
class Crew:
    """Whoever is on shift. Not thread-safe: called from the plant's own loop."""

    plant: Plant
    journal_path: Path
    voice: Voice
    tell: Callable[[str], None]
    rng: random.Random = field(default_factory=random.Random)
    _journal: JournalReader = field(init=False)
    _later: list[tuple[float, int, Callable[[float], None]]] = field(default_factory=list)
    _order: itertools.count[int] = field(default_factory=itertools.count)
    _taken: set[str] = field(default_factory=set)
    _read_at: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._journal = JournalReader(self.journal_path)

    def round(self, now_s: float) -> None:
        """Do what is due at `now_s`, then look around. Times are the plant's."""
        while self._later and self._later[0][0] <= now_s:
            heapq.heappop(self._later)[2](now_s)
        if not calendar.attended(now_s):
            return
        instructions = self._instructions()
        for instruction in instructions:
            if instruction["state"] == "approved" and instruction["id"] not in self._taken:
                self._consider(instruction, now_s)
        self._habits(now_s, {i["sump"] for i in instructions if i["advice"]["kind"] in BY_HAND_WORK})

    def _instructions(self) -> list[dict[str, Any]]:
        try:
            return self._journal.open_instructions(states=("approved", "begun", "posted"))
        except (FileNotFoundError, sqlite3.Error):
            return []  # no agent yet, or one that is busy with its file: look again at the next round

    # -- following instructions ------------------------------------------------------------------------------------

    def _consider(self, instruction: dict[str, Any], now_s: float) -> None:
        kind = instruction["advice"]["kind"]
        lain_s = now_s - instruction["reviews"][-1]["time"]
        if kind in BY_HAND_WORK and lain_s >= PATIENCE_S:
            self._begin(instruction, now_s)
        elif kind == "read_strength" and lain_s >= SOON_S:
            self._taken.add(instruction["id"])
            self._dip(instruction["sump"], now_s)
        elif kind == "ask" and lain_s >= SOON_S:
            self._taken.add(instruction["id"])
            self._answer(instruction["sump"], instruction["advice"])
        elif kind == "look" and lain_s >= PATIENCE_S:
            self._taken.add(instruction["id"])
            self._look(instruction["sump"], instruction["id"], now_s)

    def _begin(self, instruction: dict[str, Any], now_s: float) -> None:
        sump, advice_id = instruction["sump"], instruction["id"]
        try:
            self.voice.decide(sump, advice_id, "begin", {})
        except NotTaken as why:
            self.tell(f"{sump}: could not begin: {why}")
            return
        self._taken.add(advice_id)
        litres, pct = asked(instruction)
        fields: dict[str, Any] = {"volume_l": float(round(litres))}
        if instruction["advice"]["kind"] == "drain_part":
            took_s = self.plant.drain(sump, litres)
        else:
            took_s = self._pour(sump, litres, pct)
            fields["makeup_pct"] = pct
        self._speak(now_s + took_s + 120.0, lambda: self.voice.decide(sump, advice_id, "done", fields), sump)

    def _pour(self, sump: str, litres: float, pct: float) -> float:
        """The usual mix comes from the proportioner, any other from bucket and jug. Gives the seconds it takes."""
        self.tell(f"{sump}: pouring {litres:g} L at {pct:g} % as asked")
        usual = abs(pct - self.plant.natures[sump].usual_pct) < 1e-6
        return self.plant.pour(sump, litres, pct if usual else self._by_hand(pct), by_proportioner=usual)

    def _by_hand(self, pct: float) -> float:
        return min(100.0, pct * (1.0 + self.rng.gauss(0.0, BY_HAND_SD)))

    def _dip(self, sump: str, now_s: float) -> None:
        self._read_at[sump] = now_s
        record = {"signal": "hand_reading", "value": self.plant.hand_brix(sump)}
        self._speak(now_s + 60.0, lambda: self.voice.say(sump, record), sump)

    def _look(self, sump: str, advice_id: str, now_s: float) -> None:
        fields = {"note": "Looked at it: nothing to be seen from outside"}
        self._speak(now_s + 300.0, lambda: self.voice.decide(sump, advice_id, "done", fields), sump)

    def _answer(self, sump: str, advice: dict[str, Any]) -> None:
        pour = self._remember(sump, advice.get("of"))
        if pour is None:
            return
        pct = round(2.0 * pour.pct) / 2.0  # as it was meant, not as bucket and jug made it
        record = {"signal": "addition", "volume_l": float(round(pour.litres)), "pct": pct, "of": advice["of"]}
        self._speak(self.plant.time_s, lambda: self.voice.say(sump, record), sump)

    def _remember(self, sump: str, finding_id: str | None) -> Any:
        start_s = self._start_of(sump, finding_id) if finding_id else None
        if start_s is None:
            return None
        near = [p for p in self.plant.poured if p.sump == sump and abs(p.time_s - start_s) < REMEMBERED_S]
        return min(near, key=lambda p: abs(p.time_s - start_s), default=None)

    def _start_of(self, sump: str, finding_id: str) -> float | None:
        rows = self._journal.events("finding", sump=sump)
        starts = [row.data()["start"] for row in rows if row.id == finding_id]
        return float(starts[-1]) if starts else None

    # -- habits ----------------------------------------------------------------------------------------------------

    def _habits(self, now_s: float, asked_for: set[str]) -> None:
        hour, weekday = calendar.hour_of_day(now_s), calendar.midnight(now_s).weekday()
        for sump in self.plant.conditions:
            rested_s = now_s - self._read_at.get(sump, 0.0)
            if weekday in READING_DAYS and READING_HOURS[0] <= hour < READING_HOURS[1] and rested_s > READ_AGAIN_S:
                self._dip(sump, now_s)
            nature = self.plant.natures[sump]
            if sump not in asked_for and self._looks_empty(sump):
                self._top_off_by_habit(sump, nature.full_l, nature.usual_pct, now_s)

    def _looks_empty(self, sump: str) -> bool:
        now = self.plant.conditions[sump]
        return not now.flows and now.volume_l < EMPTY_SHARE * self.plant.natures[sump].low_l

    def _top_off_by_habit(self, sump: str, full_l: float, pct: float, now_s: float) -> None:
        litres = float(round(0.97 * full_l - self.plant.rest_litres(sump)))
        took_s = self.plant.pour(sump, litres, pct)
        self.tell(f"{sump}: topping off by habit, {litres:g} L at {pct:g} %")
        record = {"signal": "addition", "volume_l": litres, "pct": pct}
        self._speak(now_s + took_s + 600.0, lambda: self.voice.say(sump, record), sump)

    # -- speaking --------------------------------------------------------------------------------------------------

    def _speak(self, due_s: float, words: Callable[[], None], sump: str, tries: int = TRIES) -> None:
        def now(now_s: float) -> None:
            try:
                words()
            except NotTaken as why:
                self.tell(f"{sump}: the page did not take it: {why}")
                if tries > 1:
                    self._speak(now_s + AGAIN_S, words, sump, tries - 1)

        heapq.heappush(self._later, (due_s, next(self._order), now))


def asked(instruction: dict[str, Any]) -> tuple[float, float]:
    """Litres and % of what is to be poured: as the reviewer changed it, else as it was advised."""
    advice = instruction["advice"]
    litres, pct = advice["volume_l"], advice["makeup_pct"]
    for review in instruction["reviews"]:
        litres = review.get("volume_l") or litres
        pct = review["makeup_pct"] if review.get("makeup_pct") is not None else pct
    return float(litres or 0.0), float(pct or 0.0)
