"""The whole way without a page: a level falls, a pour is advised, somebody pours and says so, the level proves it."""

from __future__ import annotations

import random
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from agent.io.journal import JournalReader
from agent.reviews import ADDING
from tests.faults.harness import Works
from tests.io.lines import Plug

SPEED = 600.0
OPENING = 1_790_000_000.0
LINE_EVERY_S = 0.1  # a plant's minute
LOSS_L_PER_LINE = 0.1  # 6 L/h: a thirsty machine, so that the story is short
POUR_L_PER_LINE = 9.0
PUMP = r"""
[[bus.sensor]]
sump = "mill-1"
signal = "running"
pattern = 'L \d+\.\d MM R (?P<value>[01])'
"""


class Tank(threading.Thread):
    """A sump that loses at a steady rate and is poured into when asked; its transmitter counts 250 to the litre."""

    def __init__(self, plug: Plug, volume_l: float) -> None:
        super().__init__(daemon=True)
        self.volume_l, self.to_pour_l = volume_l, 0.0
        self._plug = plug
        self._rng = random.Random(5)
        self._ended = threading.Event()

    def run(self) -> None:
        """Until ended."""
        while not self._ended.wait(LINE_EVERY_S):
            poured = min(self.to_pour_l, POUR_L_PER_LINE)
            self.to_pour_l -= poured
            self.volume_l += poured - LOSS_L_PER_LINE
            shown = 250.0 * (self.volume_l + self._rng.gauss(0.0, 0.3))
            self._plug.send(f"L {shown:.1f} MM R 0\r\n".encode())

    def end(self) -> None:
        """Stop."""
        self._ended.set()
        self.join(5.0)


@pytest.fixture
def works(tmp_path: Path) -> Iterator[Works]:
    opened = Works(tmp_path)
    site = opened.site.read_text().replace("belief_every_s = 1.0", "belief_every_s = 600.0")
    opened.site.write_text(site.replace(" MM'", " MM R 0'") + PUMP)
    yield opened
    opened.end()


def pours(reader: JournalReader) -> list[dict[str, Any]]:
    """Open instructions to pour something; which mix is best is the core's to say, and not this test's."""
    return [one for one in reader.open_instructions("mill-1") if one["advice"]["kind"] in ADDING]


def take_up(works: Works, reader: JournalReader) -> dict[str, Any]:
    """Approve what needs it, begin it; again, where the core took it back in between."""
    for attempt in range(5):
        works.wait(lambda: pours(reader), "a pour to be posted", 60.0)
        one = pours(reader)[0]
        if one["state"] == "posted":
            works.say(f"approve-{attempt}", "decision", {"advice": one["id"], "action": "approve"}, "supervisor")
        works.say(f"begin-{attempt}", "decision", {"advice": one["id"], "action": "begin"})
        works.wait(lambda at=attempt, id=one["id"]: heard(works, at + 1, id), "the beginning to be heard")
        found = reader.instruction(one["id"])
        if found is not None and found["state"] == "begun":
            return found
    raise AssertionError("no instruction stood long enough to be begun")


def heard(works: Works, times: int, id: str) -> bool:
    return sum(row["event"] == "begin" for row in works.events("review")) >= times


def test_a_pour_is_posted_done_and_proven(works: Works) -> None:
    works.start("--clock-speed", str(SPEED), "--clock-start", str(OPENING))
    tank = Tank(works.plugs["mill-1"], 250.0)
    tank.start()
    try:
        reader = JournalReader(works.journal_path)
        works.wait(lambda: works.shown() > 0.0, "the first reading")
        works.say("reading", "record", {"signal": "hand_reading", "value": 5.0})
        one = take_up(works, reader)
        advice = one["advice"]
        reviewers = {row["by"] for row in one["reviews"]}
        assert "agent" in reviewers
        assert "policy" in reviewers or advice["kind"] != "top_off"
        assert advice["kind"] == "top_off" or "policy" not in reviewers
        litres = round(advice["volume_l"])
        assert 50.0 < litres < 150.0
        tank.to_pour_l = float(litres)
        works.say("done", "decision", {"advice": one["id"], "action": "done", "volume_l": litres})
        works.wait(lambda: state(reader, one["id"]) == "proven", "the level to prove it", 60.0)
    finally:
        tank.end()
    word = works.events("word")[-1]
    assert (word["signal"], word["volume_l"], word["pct"], word["by"]) == (
        "addition",
        litres,
        advice["makeup_pct"],
        "Ana",
    )
    found = [row for row in works.events("finding") if row["kind"] == "top_off"]
    assert found[-1]["volume_l"] == pytest.approx(litres, rel=0.15)
    proof = reader.instruction(one["id"])
    assert proof is not None
    assert "as said" in proof["reviews"][-1]["reason"]
    assert len(reader.open_instructions("mill-1")) <= 1
    reader.close()
    assert works.terminate() == 0


def state(reader: JournalReader, id: str) -> str | None:
    found = reader.instruction(id)
    return found["state"] if found else None
