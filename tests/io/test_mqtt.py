"""Publishing to a real mosquitto: live state, will and birth, instructions, messages that break the connection."""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from agent.io import mqtt
from agent.io.blocks import Sample
from agent.io.mqtt import MqttOutlet, MqttSink
from agent.io.mqtt_link import Address
from agent.io.mqtt_messages import now_body
from tests.contract.sink_rig import FAST, START_S, MqttEnd, Rig
from tests.services import Cable, Listener, Mosquitto, wait_until

SITE = "harrow-lane"
AGENT = f"sumpside/{SITE}/agent"
MILL = f"sumpside/{SITE}/mill-2"


class Works(MqttEnd):
    """A broker with settings of the test's own, open to everybody, behind a cable."""

    def __init__(self, folder: Path, lines: tuple[str, ...] = (), users: dict[str, str] | None = None) -> None:
        self.slug = SITE
        self.folder = folder
        self.secret = folder / "password"
        self.broker = Mosquitto(folder / "broker", lines, users)
        self.broker.start()
        self.cable = Cable(self.broker.port)
        self.rig = Rig(folder, self)
        self._listening = ExitStack()
        self.listener = self.listen()

    def listen(self, pattern: str = "sumpside/#") -> Listener:
        user = ("reader", "reads") if self.broker.users else (None, None)
        return self._listening.enter_context(Listener(self.broker.port, pattern, *user))

    @contextmanager
    def running(self, timeout_s: float = 5.0) -> Iterator[MqttSink]:
        user, secret = ("agent", self.secret) if self.broker.users else (None, None)
        patience = {"connect_timeout_s": timeout_s, "ack_timeout_s": timeout_s}
        address = Address("127.0.0.1", self.cable.port, "sumpside-test", 30, user, secret, **patience)
        outlet = MqttOutlet(address, SITE, ["mill-2"], frozenset({"mill-2"}))
        self.make = lambda folder: lambda **side: MqttSink(outlet, pace=FAST, **side)  # type: ignore[method-assign]
        with self.rig.running() as sink:
            assert isinstance(sink, MqttSink)
            yield sink

    def close(self) -> None:
        self._listening.close()
        self.rig.close()
        self.cable.cut()
        self.broker.stop()


@contextmanager
def made(folder: Path, *lines: str, users: dict[str, str] | None = None) -> Iterator[Works]:
    works = Works(folder, lines, users)
    try:
        yield works
    finally:
        works.close()


@pytest.fixture
def works(tmp_path: Path) -> Iterator[Works]:
    with made(tmp_path) as found:
        yield found


def level(litres: float) -> dict[str, object]:
    return now_body(Sample(START_S, "mill-2", "level", litres / 2, litres, 0, True))


def litres(listener: Listener, topic: str = f"{MILL}/now/level") -> list[float]:
    return [heard.body()["value"] for heard in listener.on(topic)]


def states(works: Works) -> list[bytes]:
    return [heard.payload for heard in works.listener.on(AGENT)]


# -- birth and death ------------------------------------------------------------------------------------------------


def test_birth_and_a_stop_in_good_order_are_told(works: Works) -> None:
    with works.running():
        works.listener.wait_for(AGENT, lambda heard: heard.payload == b"online")
    wait_until(lambda: states(works) == [b"online", b"offline"], "birth and good-bye")
    late = works.listen().wait_for(AGENT)
    assert (late.payload, late.retained) == (b"offline", True)


def test_the_broker_tells_the_death_of_a_connection_and_the_rebirth_follows(works: Works) -> None:
    with works.running():
        works.listener.wait_for(AGENT, lambda heard: heard.payload == b"online")
        works.cable.break_connections()
        wait_until(lambda: states(works) == [b"online", b"offline", b"online"], "will and rebirth")


# -- what is true now -----------------------------------------------------------------------------------------------


def test_live_values_are_retained_for_those_who_come_late(works: Works) -> None:
    with works.running() as sink:
        sink.publish_now("mill-2", "level", level(200.0))
        sink.publish_now("mill-2", "belief", {"time": START_S, "volume_l": 201.5, "volume_sd": 2.0})
        works.listener.wait_for(f"{MILL}/now/level")
        works.listener.wait_for(f"{MILL}/now/belief")
        late = works.listen(f"{MILL}/now/#")
        heard = late.wait_for(f"{MILL}/now/level")
        assert heard.retained
        assert heard.body()["unit"] == "L"
        assert heard.body()["simulated"] is True
        belief = late.wait_for(f"{MILL}/now/belief").body()
        assert (belief["volume_l"], belief["simulated"]) == (201.5, True)


def test_a_live_value_does_not_wait_for_the_backlog(works: Works) -> None:
    for second in range(2000):
        works.rig.journal.belief({"type": "belief", "time": START_S + second, "sump": "mill-2", "volume_l": 300.0})
    works.rig.journal.commit()
    with works.running() as sink:
        works.listener.wait_for(f"{MILL}/past")
        sink.publish_now("mill-2", "level", level(123.0))
        works.rig.wait_for_bookmark()
        wait_until(lambda: len(works.listener.on(f"{MILL}/past")) == 2000, "all of the backlog")
    topics = [heard.topic for heard in works.listener.heard]
    assert topics.index(f"{MILL}/now/level") < len(topics) - 1 - topics[::-1].index(f"{MILL}/past")


def test_values_that_come_while_the_broker_is_away_are_not_queued(works: Works) -> None:
    works.cable.cut()
    with works.running() as sink:
        works.rig.wait_for_status(sink, False)
        for value in range(1000):
            sink.publish_now("mill-2", "level", level(float(value)))
        works.cable.plug_in()
        works.listener.wait_for(f"{MILL}/now/level")
        works.rig.wait_for_status(sink, True)
        works.rig.write(1)
        works.rig.wait_for_bookmark()
        works.rig.wait_for_arrival(works.rig.written)
    assert litres(works.listener) == [999.0], "the newest, once"


def test_after_a_reconnection_old_values_do_not_come_again_as_live(
    works: Works, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt, "LIVE_FRESH_S", 0.0)
    with works.running() as sink:
        works.rig.wait_for_status(sink, True)
        sink.publish_now("mill-2", "level", level(200.0))
        sink.publish_now("mill-2", "belief", {"time": START_S, "volume_l": 201.5})
        works.listener.wait_for(f"{MILL}/now/level")
        works.listener.wait_for(f"{MILL}/now/belief")
        works.cable.break_connections()
        wait_until(lambda: len(works.listener.on(f"{MILL}/now/belief")) == 2, "the belief again")
        works.rig.write(1)
        works.rig.wait_for_bookmark()
        works.rig.wait_for_arrival(works.rig.written)
    assert litres(works.listener) == [200.0]


def test_a_broker_that_lost_its_memory_is_told_again(works: Works) -> None:
    with works.running() as sink:
        sink.publish_now("mill-2", "level", level(200.0))
        works.listener.wait_for(f"{MILL}/now/level")
        works.broker.kill()
        works.broker.start()
        works.rig.wait_for_status(sink, False)
        works.rig.wait_for_status(sink, True)
        heard = works.listen().wait_for(f"{MILL}/now/level")
        assert heard.body()["value"] == 200.0


# -- instructions ---------------------------------------------------------------------------------------------------


def post(rig: Rig, id: str, state: str) -> None:
    advice = {"id": id, "kind": "top_off", "volume_l": 40.0, "makeup_pct": 2.5}
    rig.journal.event("advice", START_S, "mill-2", id, advice)
    review(rig, id, state)


def review(rig: Rig, id: str, state: str) -> None:
    rig.journal.event("review", START_S, "mill-2", id, {"advice": id, "event": "x", "to": state, "by": "policy"})


def test_the_open_instruction_is_retained_until_it_is_done(works: Works) -> None:
    with works.running():
        post(works.rig, "a-1", "approved")
        told = works.listener.wait_for(f"{MILL}/advice", lambda heard: bool(heard.payload)).body()
        assert (told["id"], told["state"], told["advice"]["volume_l"], told["simulated"]) == (
            "a-1", "approved", 40.0, True,
        )  # fmt: skip
        review(works.rig, "a-1", "done")
        wait_until(lambda: works.listener.on(f"{MILL}/advice")[-1].payload == b"", "the instruction to be cleared")


def test_a_backlog_of_instructions_does_not_pass_over_the_live_topic(works: Works) -> None:
    for number in range(20):
        post(works.rig, f"a-{number}", "approved")
        review(works.rig, f"a-{number}", "done")
    post(works.rig, "a-20", "approved")
    with works.running():
        works.rig.wait_for_bookmark()
        works.listener.wait_for(f"{MILL}/advice", lambda heard: bool(heard.payload))
        wait_until(lambda: len(works.listener.on(f"{MILL}/past")) == 62, "all of the backlog")
    assert [heard.body()["id"] for heard in works.listener.on(f"{MILL}/advice")] == ["a-20"]


def test_an_instruction_that_ended_while_we_were_away_is_cleared(works: Works) -> None:
    with works.running():
        post(works.rig, "a-1", "approved")
        works.listener.wait_for(f"{MILL}/advice", lambda heard: bool(heard.payload))
    review(works.rig, "a-1", "done")
    with works.running():
        wait_until(lambda: works.listener.on(f"{MILL}/advice")[-1].payload == b"", "the instruction to be cleared")


# -- what was -------------------------------------------------------------------------------------------------------


def test_every_kind_of_row_is_heard_in_the_order_of_the_journal(works: Works) -> None:
    journal = works.rig.journal
    works.rig.write(1)
    journal.belief({"type": "belief", "time": START_S, "sump": "mill-2", "volume_l": 300.0})
    journal.event("finding", START_S, "mill-2", "f-1", {"kind": "top_off"})
    journal.event("word", START_S, "mill-2", None, {"signal": "hand_reading", "value": 4.7})
    journal.event("agent", START_S, None, None, {"event": "note"})
    journal.event("alert", START_S, "mill-2", "l-1", {"text": "level low"})
    with works.running():
        works.rig.wait_for_bookmark()
        works.listener.wait_for(f"{MILL}/alert")
    told = [heard.body() for heard in works.listener.on(f"{MILL}/past")]
    assert [body["type"] for body in told] == ["samples", "belief", "finding", "word"]
    assert [body["seq"] for body in told] == [1, 2, 3, 4]
    assert works.listener.on(f"{MILL}/alert")[0].body()["body"]["text"] == "level low"


def test_a_message_that_breaks_the_connection_is_found_and_put_aside(tmp_path: Path) -> None:
    """This setting of mosquitto answers in a way that ends the client's connection, and names no message."""
    with made(tmp_path, "message_size_limit 20000") as works:
        works.rig.write(30)
        seq = works.poison(works.rig.journal)
        works.rig.write(30)
        with works.running() as sink:
            works.rig.wait_for_bookmark()
            works.rig.wait_for_status(sink, True, "up to date")
        assert [letter[:3] for letter in works.rig.dead] == [(seq, "mqtt", "broke the connection 3 times")]
        assert list(dict.fromkeys(works.rig.received())) == works.rig.written


def test_a_network_that_breaks_in_mid_delivery_puts_nothing_aside(works: Works) -> None:
    works.rig.write(400)
    with works.running():
        for _ in range(6):
            seen = len(works.listener.heard)
            wait_until(lambda seen=seen: len(works.listener.heard) > seen, "progress")
            works.cable.break_connections()
        works.rig.wait_for_bookmark()
    assert not works.rig.dead
    assert set(works.rig.received()) == set(works.rig.written)


def test_a_row_that_cannot_be_read_is_dead_lettered(works: Works) -> None:
    good = works.rig.write(1)
    with works.rig.journal._db as db:  # what a broken disk may leave behind
        db.execute("INSERT INTO log VALUES (2, 0, 0, 'block', NULL, NULL, x'00ff', NULL)")
    with works.running():
        wait_until(lambda: works.rig.bookmark == 2, "the bookmark to pass it")
    assert [(seq, name, body) for seq, name, _, body in works.rig.dead] == [(2, "mqtt", "00ff")]
    assert works.rig.received() == good


def test_a_broker_that_does_not_acknowledge_is_given_up_in_time(works: Works) -> None:
    with works.running(timeout_s=0.5) as sink:
        works.rig.wait_for_status(sink, True)
        works.cable.hold_answers()
        works.rig.write(1)
        works.rig.wait_for_status(sink, False, "no acknowledgement within 0.5 s")
        works.cable.break_connections()
        works.cable.plug_in()
        works.rig.wait_for_bookmark()


def test_a_forbidden_topic_is_a_matter_of_credentials_and_costs_nothing(tmp_path: Path) -> None:
    acl = tmp_path / "acl"
    allowed = "user reader\ntopic read #\nuser agent\ntopic write sumpside/+/agent\ntopic write sumpside/+/+/advice\n"
    acl.write_text(allowed)
    (tmp_path / "password").write_text("secret")
    with made(tmp_path, f"acl_file {acl}", users={"agent": "secret", "reader": "reads"}) as works:
        works.rig.write(2)
        with works.running() as sink:
            status = works.rig.wait_for_status(sink, False, "credentials")
            assert status["text"].endswith(f"refuses {MILL}/past: Not authorized")
            acl.write_text(allowed + "topic write sumpside/#\n")
            works.broker.stop()
            works.broker.start()
            works.rig.wait_for_bookmark()
            works.listener.wait_for_subscription()
        assert not works.rig.dead


def test_something_that_is_no_broker_is_said(works: Works) -> None:
    works.cable.hold_answers()
    with works.running(timeout_s=0.5) as sink:
        works.rig.wait_for_status(sink, False, "does not answer as an MQTT broker")
        works.cable.break_connections()
        works.cable.plug_in()
        works.rig.wait_for_status(sink, True)


def test_reconnections_leave_nothing_behind(works: Works) -> None:
    with works.running() as sink:
        works.rig.write(1)
        works.rig.wait_for_bookmark()
        before = resources()
        for _ in range(15):
            works.cable.break_connections()
            works.rig.write(1)
            works.rig.wait_for_bookmark()
            works.rig.wait_for_status(sink, True)
        wait_until(lambda: resources() <= before, f"threads and files back at {before}")


def resources() -> tuple[int, int]:
    """Our own threads and open files; the cable's threads end a moment after their connections."""
    return threading.active_count(), len(os.listdir("/proc/self/fd"))


def test_the_password_is_in_no_text(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "password").write_text("canary-7\n")
    with made(tmp_path, users={"agent": "other", "reader": "reads"}) as works:
        works.rig.write(1)
        with works.running() as sink:
            works.rig.wait_for_status(sink, False, "credentials")
    assert "canary-7" not in json.dumps(works.rig.statuses)
    assert "canary-7" not in "".join(capfd.readouterr())
