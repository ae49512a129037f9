"""From a serial line through the real agent into a real broker and a real store, each taken away once."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.io.journal import JournalReader
from agent.outbox import BOOKMARK_COMMITS
from tests.faults.harness import Transmitter, Works
from tests.services import Cable, Listener, Mosquitto, VictoriaMetrics

TOPIC = "sumpside/harrow-lane-gearworks/mill-1"
SERIES = 'sump_level_raw{site="harrow-lane-gearworks"}'


class Chain:
    """Agent, broker, store, and somebody who listens."""

    def __init__(self, folder: Path) -> None:
        self.broker = Mosquitto(folder / "broker").start()
        self.store = VictoriaMetrics(folder / "store").start()
        self.listener = Listener(self.broker.port, "sumpside/#")
        self.cable = Cable(self.broker.port)  # the broker itself stays, or the listener would miss what it is to hear
        more = f'[mqtt]\nhost = "127.0.0.1"\nport = {self.cable.port}\n'
        more += f'[timeseries]\nurl = "{self.store.url}"\nbucket = "sumps"\n'
        folder = folder / "works"
        folder.mkdir()
        self.works = Works(folder, more=more)

    def past(self) -> list[int]:
        """Numbered readings that came by MQTT as history."""
        bodies = [heard.body() for heard in self.listener.on(f"{TOPIC}/past")]
        samples = [body["signals"]["level"]["samples"] for body in bodies if body["type"] == "samples"]
        return [int(raw) for block in samples for _, raw, _, _ in block]

    def stored(self) -> list[int]:
        """The same, in the store."""
        return [int(value) for _, value in self.store.points(SERIES)]

    def end(self) -> None:
        self.works.end()
        self.cable.cut()
        self.listener.close()
        self.broker.stop()
        self.store.stop()


@pytest.fixture
def chain(tmp_path: Path) -> Iterator[Chain]:
    opened = Chain(tmp_path)
    yield opened
    opened.end()


def test_every_reading_that_the_journal_holds_arrives_and_none_is_invented(chain: Chain) -> None:
    works = chain.works
    works.start()
    sender = Transmitter(works.plugs["mill-1"])
    sender.start()
    works.wait(lambda: len(set(chain.past())) > 20 and len(chain.stored()) > 20, "both to get something", 30.0)
    chain.cable.cut()
    works.wait(lambda: not works.live()["agent"]["sinks"]["mqtt"]["connected"], "the broker's loss to be shown", 30.0)
    number = sender.number
    works.wait(lambda: works.numbers()[-1] > number, "the journal to go on")
    chain.cable.plug_in()
    works.wait(lambda: works.live()["agent"]["sinks"]["mqtt"]["connected"], "the broker to be found again", 30.0)
    chain.store.stop()
    number = sender.number
    works.wait(lambda: works.numbers()[-1] > number, "the journal to go on")
    chain.store.start()
    works.kill()
    lost = range(works.numbers()[-1] + 1, sender.number + 1)  # the open block, from which the store has live readings
    works.start()
    number = sender.number
    works.wait(lambda: chain.past()[-1] > number and chain.stored()[-1] > number, "fresh readings in both", 60.0)
    sender.end()
    works.wait(lambda: works.shown() == sender.number, "the last reading to be heard")
    works.wait(lambda: works.numbers()[-1] == sender.number, "the last block")
    last = sender.number
    works.wait(lambda: last in chain.past() and last in chain.stored(), "the last reading in both", 30.0)
    kept = set(works.numbers())
    assert set(chain.past()) == kept
    assert kept <= set(chain.stored()) <= kept | set(lost)
    assert len(chain.stored()) == len(set(chain.stored()))  # sent again is the same point
    assert works.terminate() == 0


def test_live_values_do_not_wait_for_the_block(tmp_path: Path) -> None:
    with Mosquitto(tmp_path / "broker") as broker, Listener(broker.port, "sumpside/#") as listener:
        (tmp_path / "works").mkdir()
        mqtt = f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\n'
        works = Works(tmp_path / "works", block_s=60.0, more=mqtt)
        try:
            works.start()
            sender = Transmitter(works.plugs["mill-1"])
            sender.start()
            heard = listener.wait_for(f"{TOPIC}/now/level", lambda heard: heard.body()["raw"] > 70_010)
            assert heard.body()["simulated"] is True
            assert heard.body()["unit"] == "L"
            blocks = [said.body() for said in listener.on(f"{TOPIC}/past")]
            kept = [
                sample for body in blocks if body["type"] == "samples" for sample in body["signals"]["level"]["samples"]
            ]
            assert heard.body()["raw"] not in [raw for _, raw, _, _ in kept]
            sender.end()
            assert works.terminate() == 0
            listener.wait_for("sumpside/harrow-lane-gearworks/agent", lambda heard: b"offline" in heard.payload)
        finally:
            works.end()


def test_the_bookmark_follows_what_the_broker_has_acknowledged(tmp_path: Path) -> None:
    with Mosquitto(tmp_path / "broker") as broker:
        (tmp_path / "works").mkdir()
        works = Works(tmp_path / "works", more=f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\n')
        try:
            works.start()
            sender = Transmitter(works.plugs["mill-1"])
            sender.start()
            reader = JournalReader(works.journal_path)
            works.wait(lambda: reader.bookmark("mqtt") > 3, "the bookmark to move")
            broker.stop()
            works.wait(lambda: not works.live()["agent"]["sinks"]["mqtt"]["connected"], "the loss to be shown", 30.0)
            seq = reader.last_seq()
            blocks = BOOKMARK_COMMITS + 1
            works.wait(lambda: reader.last_seq() > seq + blocks, "a commit with the last acknowledgements")
            stands, seq = reader.bookmark("mqtt"), reader.last_seq()
            works.wait(lambda: reader.last_seq() > seq + 3, "the journal to go on")
            assert reader.bookmark("mqtt") == stands < seq
            broker.start()
            works.wait(lambda: reader.bookmark("mqtt") > seq + 3, "the bookmark to move again", 30.0)
            reader.close()
            sender.end()
            assert works.terminate() == 0
        finally:
            works.end()
