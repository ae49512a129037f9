"""Notes through the real agent: a check and stock are kept, closed days move the outlook at once and after a kill."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from tests.faults.harness import Transmitter, Works

RAW = 61_000  # some litres above the low mark
SHOP = """
[calendar]
[[calendar.shift]]
days = "mon-sun"
from = "00:00"
to = "24:00"
"""


@pytest.fixture
def works(tmp_path: Path) -> Iterator[Works]:
    opened = Works(tmp_path, more=SHOP)
    yield opened
    opened.end()


def hours_to_low(works: Works) -> float:
    """As the newest belief has it; 28 days where the low mark is further away than that."""
    belief: dict[str, Any] = works.live()["sumps"]["mill-1"]["belief"]
    return float(belief["hours_to_low"] or 28 * 24.0)


def test_notes_are_kept_and_closed_days_move_the_outlook(works: Works) -> None:
    works.start()
    talker = Transmitter(works.plugs["mill-1"], RAW)
    talker.start()
    try:
        works.wait(lambda: works.shown() > 0.0 and hours_to_low(works) < 28 * 24.0, "an outlook")
        before = hours_to_low(works)
        today = datetime.fromtimestamp(works.live()["time"], ZoneInfo("Europe/Vienna")).date()
        closed = {"what": "close", "first": today.isoformat(), "last": (today + timedelta(days=20)).isoformat()}
        works.say("check", "check", {"check": "ph", "value": 9.1})
        works.say("stock", "stock", {"what": "counted", "volume_l": 60.0}, sump="")
        works.say("mine", "calendar", closed, sump="")
        works.say("theirs", "calendar", closed, role="supervisor", sump="")
        works.wait(lambda: len(works.events("word")) == 4, "the words in the journal")
        works.wait(lambda: hours_to_low(works) > before + 24.0, "the outlook to follow")
        works.kill()
        works.start()
        works.wait(lambda: works.shown() > 0.0 and hours_to_low(works) > before + 24.0, "the same after a restart")
    finally:
        talker.end()
    check, stock, mine, theirs = works.events("word")
    assert (check["signal"], check["value"], check["by"]) == ("check", 9.1, "Ana")
    assert (stock["what"], stock["volume_l"]) == ("counted", 60.0)
    assert "not for operator" in mine["refused"] and "refused" not in theirs
