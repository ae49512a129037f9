"""The real agent raises an alert once, hears who has seen it, keeps it through a kill, and ends it with its cause."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from agent.io.journal import JournalReader
from tests.faults.harness import Transmitter, Works

OPENING = 1_790_000_000.0
LATER = OPENING + 7 * 86_400.0  # later than the first run can have come, however slow the machine
LOW, FULL = 50_000, 80_000  # 200 L and 320 L in the tank; the low mark is 240 L


@pytest.fixture
def works(tmp_path: Path) -> Iterator[Works]:
    opened = Works(tmp_path)
    opened.site.write_text(opened.site.read_text().replace("belief_every_s = 1.0", "belief_every_s = 600.0"))
    yield opened
    opened.end()


def low_marks(works: Works) -> list[dict[str, Any]]:
    return [alert for alert in works.live().get("alerts", []) if alert["kind"] == "low_mark"]


def steps(works: Works, id: str) -> list[tuple[str, str]]:
    return [(row["event"], row["by"]) for row in works.events("alert") if row["id"] == id]


def test_an_alert_lives_through_a_kill_and_ends_with_its_cause(works: Works) -> None:
    sender = Transmitter(works.plugs["mill-1"], LOW)
    sender.start()
    works.start("--clock-speed", "600", "--clock-start", str(OPENING))
    works.wait(lambda: low_marks(works), "the alert", 30.0)
    (alert,) = low_marks(works)
    assert (alert["state"], alert["severity"], alert["sump"]) == ("raised", "act soon", "mill-1")
    assert works.live()["alert_rate"]["last_hour"] >= 1
    works.say("seen", "alert", {"alert": alert["id"], "action": "acknowledge"})
    works.wait(lambda: low_marks(works)[0]["state"] == "acknowledged", "the acknowledgement")
    works.kill()
    works.start("--clock-speed", "600", "--clock-start", str(LATER))
    works.wait(lambda: low_marks(works) and works.shown() > 0.0, "the alert after the restart", 30.0)
    assert [(one["id"], one["state"]) for one in low_marks(works)] == [(alert["id"], "acknowledged")]
    sender.end()
    sender = Transmitter(works.plugs["mill-1"], FULL)
    sender.start()
    works.wait(lambda: not low_marks(works), "its end", 30.0)
    life = [("raise", "agent"), ("acknowledge", "Ana"), ("clear", "agent")]
    works.wait(lambda: len(steps(works, alert["id"])) >= len(life), "its end in the journal")
    sender.end()
    assert steps(works, alert["id"]) == life
    reader = JournalReader(works.journal_path)
    assert reader.verify_chain().ok
    reader.close()
