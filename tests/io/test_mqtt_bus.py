"""Sensors that others publish, through a real broker: values become readings, what is kept or old does not."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from agent.site_buses import MqttBus
from tests.io.buses import listening
from tests.io.lines import wait_for
from tests.services import Cable, Mosquitto

Say = Callable[..., None]


def mqtt_bus(port: int, *sensors: dict[str, Any], **settings: Any) -> MqttBus:
    """An mqtt bus; each sensor gets lathe-1's level at /mm of messages on `hall/level` unless it says otherwise."""
    default = {"sump": "lathe-1", "signal": "level", "topic": "hall/level", "pointer": "/mm"}
    table = {"id": "hall", "driver": "mqtt", "host": "127.0.0.1", "port": port, "period_s": 0.01}
    return MqttBus(**{**table, **settings, "sensor": [{**default, **s} for s in sensors or ({},)]})


@pytest.fixture
def say(mosquitto_broker: Mosquitto) -> Iterator[Say]:
    """Publishes, waits for the broker's acknowledgement, and clears what it let the broker keep."""
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.connect(mosquitto_broker.host, mosquitto_broker.port)
    client.loop_start()
    kept = set()

    def publish(topic: str, body: Any, retain: bool = False) -> None:
        payload = body if isinstance(body, bytes) else json.dumps(body).encode()
        client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(10.0)
        kept.update({topic} if retain else set())

    yield publish
    for topic in kept:
        client.publish(topic, b"", qos=1, retain=True).wait_for_publish(10.0)
    client.disconnect()
    client.loop_stop()


def test_a_number_in_a_message_becomes_a_reading(mosquitto_broker: Mosquitto, say: Say) -> None:
    other = {"topic": "hall/t", "pointer": "/sensors/1/t~1C", "signal": "temperature"}
    bare = {"topic": "hall/pump", "pointer": "", "signal": "running"}
    with listening(mqtt_bus(mosquitto_broker.port, {"scale": 10.0}, other, bare)) as heard:
        wait_for(lambda: heard.bus.health.port_open, "the topics to be granted")
        say("hall/level", {"mm": 12.5, "unit": "cm"})
        say("hall/t", {"sensors": [{}, {"t/C": "24.5"}]})
        for state in (b"ON", b"0", True):
            count = len(heard.values("running"))
            say("hall/pump", state)
            wait_for(lambda before=count: len(heard.values("running")) > before, "the pump's state")
        assert (heard.values("level"), heard.values("temperature")) == ([125.0], [24.5])
        assert heard.values("running") == [1.0, 0.0, 1.0]
        assert heard.bus.status()["ok"]


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({"cm": 5}, "nothing at /mm"),
        (b"\xff\xfe", "nothing at /mm"),
        (b"", "nothing at /mm"),
        ({"mm": None}, "no number there: null"),
        ({"mm": [1]}, "no number there: a list"),
        ({"mm": "high"}, "'high' is no number"),
        (b'{"mm": NaN}', "not a number"),
        (b'{"mm": 1e999}', "not a number"),
        (b'{"mm": "1_000"}', "not a number"),
        (b"[" * 50_000, "nested too deeply"),
        (b'{"mm": 1}' + b" " * 70_000, "a message of 70009 bytes"),
    ],
)
def test_a_message_without_a_number_is_told_and_no_reading(
    mosquitto_broker: Mosquitto, say: Say, body: Any, words: str
) -> None:
    with listening(mqtt_bus(mosquitto_broker.port)) as heard:
        wait_for(lambda: heard.bus.health.port_open, "the topics to be granted")
        say("hall/level", body)
        wait_for(lambda: words in heard.text, f"the fault to be told: {words}")
        assert heard.readings == []
        say("hall/level", {"mm": 7})
        wait_for(lambda: heard.values() == [7.0], "the good message")


def test_what_the_broker_has_kept_is_no_news_unless_the_site_says_so(mosquitto_broker: Mosquitto, say: Say) -> None:
    say("hall/level", {"mm": 99.0}, retain=True)
    say("hall/pump", {"on": True}, retain=True)
    contact = {"topic": "hall/pump", "pointer": "/on", "signal": "running", "retained": True}
    with listening(mqtt_bus(mosquitto_broker.port, {}, contact)) as heard:
        wait_for(lambda: heard.values("running") == [1.0], "the contact's kept state")
        wait_for(lambda: "of unknown age" in heard.text, "the kept level to be told")
        say("hall/level", {"mm": 100.0})
        wait_for(lambda: heard.values("level") == [100.0], "the fresh level")
        assert heard.bus.status()["ok"]


def test_a_message_is_judged_by_its_own_time(mosquitto_broker: Mosquitto, say: Say) -> None:
    say("hall/level", {"mm": 1.0, "at": time.time() - 500.0}, retain=True)
    with listening(mqtt_bus(mosquitto_broker.port, {"time_pointer": "/at", "stale_s": 60.0})) as heard:
        wait_for(lambda: "is no news" in heard.text, "the old one to be told")
        for wrong, words in (
            (time.time() - 61.0, "is no news"),
            (time.time() + 500.0, "ahead"),
            ("yesterday", "no RFC 3339"),
            (None, "epoch seconds"),
        ):
            say("hall/level", {"mm": 2.0, "at": wrong})
            wait_for(lambda told=words: told in heard.text, words)
        assert heard.readings == []
        say("hall/level", {"mm": 3.0, "at": time.time() - 5.0})
        wait_for(lambda: heard.values() == [3.0], "the fresh one")
        say("hall/level", {"mm": 4.0, "at": time.time()}, retain=True)
    with listening(mqtt_bus(mosquitto_broker.port, {"time_pointer": "/at"})) as heard:
        wait_for(lambda: heard.values() == [4.0], "the kept one, whose age is known")


def test_silence_is_told_by_the_sensors_own_patience(mosquitto_broker: Mosquitto, say: Say) -> None:
    with listening(mqtt_bus(mosquitto_broker.port, {"stale_s": 0.1})) as heard:
        wait_for(lambda: "lathe-1 level: nothing for" in heard.text, "the silence to be told")
    with listening(mqtt_bus(mosquitto_broker.port, {"stale_s": 3600.0})) as heard:
        wait_for(lambda: heard.bus.health.port_open, "the topics to be granted")
        assert heard.bus.status()["ok"]


def test_a_flood_gives_a_reading_a_period(mosquitto_broker: Mosquitto, say: Say) -> None:
    with listening(mqtt_bus(mosquitto_broker.port, period_s=3600.0)) as heard:
        wait_for(lambda: heard.bus.health.port_open, "the topics to be granted")
        for number in range(50):
            say("hall/level", {"mm": number})
        say("hall/level", {"end": True})
        wait_for(lambda: "nothing at /mm" in heard.text, "all of it to be heard")
        assert heard.values() == [0.0]


def test_a_broker_that_goes_and_comes_back_is_heard_again(mosquitto_broker: Mosquitto, say: Say) -> None:
    cable = Cable(mosquitto_broker.port)
    with listening(mqtt_bus(cable.port)) as heard:
        wait_for(lambda: heard.bus.health.port_open, "the topics to be granted")
        cable.cut()
        wait_for(lambda: not heard.bus.health.port_open, "the loss to be noticed")
        assert not heard.bus.status()["ok"]
        cable.plug_in()
        wait_for(lambda: heard.bus.health.port_open, "the broker again")
        say("hall/level", {"mm": 8.0})
        wait_for(lambda: heard.values() == [8.0], "a reading")
    cable.cut()


def test_a_broker_that_does_not_know_us_is_told_by_its_own_words(tmp_path: Path) -> None:
    (tmp_path / "password").write_text("wrong\n")
    with Mosquitto(tmp_path / "broker", users={"sumpside": "right"}) as broker:
        keys = {"user": "sumpside", "password_file": str(tmp_path / "password")}
        with listening(mqtt_bus(broker.port, **keys)) as heard:
            wait_for(lambda: "refuses the connection" in heard.text, "the refusal")
            (tmp_path / "password").write_text("right\n")
            wait_for(lambda: heard.bus.health.port_open, "the right password to be tried")
    with listening(mqtt_bus(1, user="x", password_file=str(tmp_path / "none"))) as heard:
        wait_for(lambda: "password file" in heard.text, "the missing file to be told")
