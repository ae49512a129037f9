"""What people have typed is inert in what goes out over MQTT: text in JSON, never a topic or a control."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.contract.sink_rig import START_S, MqttEnd, Rig, slug_of

HOSTILE = (
    "\x00\x07\x1b[2J\r\n\x7f",  # controls of a terminal
    "<script>alert(1)</script>\u2028\u202e",
    "sumpside/+/#",
    '{"type":"samples","seq":1}',
    "'; DROP TABLE log; --",
    "half a character: \ud800",
    "long " * 1_500,
)
NO_TOPICS = ("+", "#", "mill-2/now/level", "mill-2\0", "")


def test_hostile_text_arrives_as_text_and_as_nothing_else(request: pytest.FixtureRequest, tmp_path: Path) -> None:
    slug = slug_of(request)
    end = MqttEnd(tmp_path, slug)
    rig = Rig(tmp_path, end)
    for number, text in enumerate(HOSTILE):
        word = {"time": START_S, "sump": "mill-2", "signal": "addition", "note": text, "by": text}
        rig.journal.event("word", START_S, "mill-2", f"w{number}", word)
    for sump in NO_TOPICS:  # a row for a sump that no site file can name
        rig.journal.event("word", START_S, sump, None, {"note": "tree"})
    rig.write(1)
    with rig.running():
        rig.wait_for_bookmark()
    past = f"sumpside/{slug}/mill-2/past"
    words = [heard for heard in end.listener.on(past) if heard.body()["type"] == "word"]
    topics = {heard.topic for heard in end.listener.heard}
    rig.close()
    end.close()
    assert [word.body()["body"]["note"] for word in words] == list(HOSTILE)
    assert not any(byte < 0x20 for word in words for byte in word.payload), "controls are escaped"
    assert all(json.loads(word.payload.decode("utf-8"))["sump"] == "mill-2" for word in words)
    assert topics == {past, f"sumpside/{slug}/agent", f"sumpside/{slug}/mill-2/advice"}
    assert len(rig.dead) == len(NO_TOPICS)
    assert all("no name for a topic" in reason for _, _, reason, _ in rig.dead)
    assert rig.received() == rig.written, "and what comes behind them arrives"
