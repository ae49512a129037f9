"""Topics and bodies of what goes out over MQTT."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest

from agent.io.blocks import Sample, pack
from agent.io.chain import LogRow
from agent.io.mqtt_messages import advice_message, encode, messages, now_body, now_message, topic

NOW_S = 1_790_000_000.25
SIMULATED = frozenset({"mill-2"})


def row(kind: str, body: dict[str, Any] | bytes, sump: str | None = "mill-2") -> LogRow:
    data = body if isinstance(body, bytes) else json.dumps(body).encode()
    return LogRow(5, NOW_S, 1, kind, sump, "x-1", data, None)


def test_a_live_value_has_its_unit_time_quality_and_says_whether_it_is_simulated() -> None:
    sample = Sample(NOW_S, "mill-2", "level", 120.5, 118.0, 0, True)
    message = now_message("harrow-lane", "mill-2", "level", now_body(sample))
    assert (message.topic, message.retain) == ("sumpside/harrow-lane/mill-2/now/level", True)
    assert json.loads(message.payload) == {
        "site": "harrow-lane", "sump": "mill-2", "signal": "level", "time": NOW_S, "value": 118.0, "unit": "L",
        "raw": 120.5, "quality": "good", "flags": 0, "simulated": True,
    }  # fmt: skip


def test_a_sample_that_failed_a_gate_is_doubtful() -> None:
    body = now_body(Sample(NOW_S, "mill-2", "brix", 4.7, 4.7, 2))
    assert (body["quality"], body["flags"], body["unit"]) == ("doubtful", 2, "Brix")


def test_a_block_becomes_a_message_a_sump_with_each_reading_s_own_time() -> None:
    samples = [
        Sample(NOW_S, "mill-2", "level", 120.5, 118.0, 0, True),
        Sample(NOW_S + 0.5, "mill-1", "brix", 4.7, 4.7),
        Sample(NOW_S + 1, "mill-2", "level", 121.0, 118.5, 4, True),
    ]
    mill_2, mill_1 = messages(row("block", pack(samples), None), "harrow-lane", SIMULATED)
    assert (mill_2.topic, mill_2.retain) == ("sumpside/harrow-lane/mill-2/past", False)
    body = json.loads(mill_2.payload)
    assert (body["type"], body["seq"], body["simulated"]) == ("samples", 5, True)
    assert body["columns"] == ["time", "raw", "value", "flags"]
    assert body["signals"] == {
        "level": {"unit": "L", "samples": [[NOW_S, 120.5, 118.0, 0], [NOW_S + 1, 121.0, 118.5, 4]]}
    }
    assert json.loads(mill_1.payload)["simulated"] is False


@pytest.mark.parametrize("kind", ["belief", "finding", "advice", "word", "review"])
def test_what_was_said_goes_to_past_whole(kind: str) -> None:
    (message,) = messages(row(kind, {"volume_l": 3.5, "note": "über"}), "harrow-lane", SIMULATED)
    body = json.loads(message.payload)
    assert message.topic == "sumpside/harrow-lane/mill-2/past"
    assert (body["type"], body["id"], body["simulated"]) == (kind, "x-1", True)
    assert body["body"] == {"volume_l": 3.5, "note": "über"}


def test_an_alert_has_a_topic_of_its_own_and_the_agent_s_notes_stay_at_home() -> None:
    (of_a_sump,) = messages(row("alert", {"text": "low"}), "harrow-lane", SIMULATED)
    (of_the_site,) = messages(row("alert", {"text": "disk"}, None), "harrow-lane", SIMULATED)
    assert of_a_sump.topic == "sumpside/harrow-lane/mill-2/alert"
    assert of_the_site.topic == "sumpside/harrow-lane/alert"
    assert messages(row("agent", {"event": "start"}, None), "harrow-lane", SIMULATED) == []


def test_no_open_instruction_clears_the_topic() -> None:
    message = advice_message("harrow-lane", "mill-2", None, True)
    assert (message.topic, message.payload, message.retain) == ("sumpside/harrow-lane/mill-2/advice", b"", True)


@pytest.mark.parametrize("name", ["", "mill/2", "mill+", "#", "mill\0"])
def test_no_name_changes_the_tree(name: str) -> None:
    with pytest.raises(ValueError, match="no name for a topic"):
        topic("harrow-lane", name, "past")


def test_what_is_no_number_becomes_null() -> None:
    assert json.loads(encode({"value": math.nan, "list": [math.inf, 1.5], "deep": {"x": -math.inf}})) == {
        "value": None, "list": [None, 1.5], "deep": {"x": None},
    }  # fmt: skip
