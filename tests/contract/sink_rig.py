"""What the tests of sinks share: a journal that grows, far ends that can be broken, and a sink between them."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol

import pytest

from agent.io import mqtt, timeseries
from agent.io.journal import Journal, JournalReader
from agent.io.sink import Forwarder, Pace, Status
from agent.site import Site, load_site
from tests import sites
from tests.services import Cable, Door, Listener, Mosquitto, Request, VictoriaMetrics, wait_until

START_S = 1_790_000_000.0
SAMPLES_A_BLOCK = 6
FAST = Pace(poll_s=0.05, first_retry_s=0.05, last_retry_s=0.1, credentials_retry_s=0.1)
CONFIRM_S = 0.2
POISON_RAW = 666.0  # the reading that the door before the store refuses
LARGEST_PACKET = 20_000  # what the broker takes
RIGHT, WRONG = "right-horse", "wrong-battery"

Reading = tuple[str, str, int, float]  # sump, signal, epoch ms, calibrated value

BUS = """
[[bus]]
id = "rs485"
driver = "modbus_rtu"
port = "/dev/null"
simulated = true
[[bus.sensor]]
sump = "mill-2"
signal = "level"
unit = 1
register = 0

"""


def site_with(folder: Path, slug: str, tables: str) -> Site:
    """A site of one simulated sump, with further tables of the site file."""
    path = folder / "site.toml"
    path.write_text(sites.head(f'id = "{slug}"', 'units = "litre"') + sites.sump() + BUS + tables)
    return load_site(path)


def slug_of(request: pytest.FixtureRequest) -> str:
    """A site of its own for every test, for they share a store."""
    return re.sub(r"[^a-z0-9]+", "-", request.node.name.lower()).strip("-")[:64]


class FarEnd(Protocol):
    """A real server and the way to it. `received` is in order of arrival, with repeats; `kept` is what it holds."""

    secret: Path
    poison_words: str

    def make(self, folder: Path) -> Any: ...
    def cut(self) -> None: ...
    def plug_in(self) -> None: ...
    def hold_answers(self) -> None: ...
    def break_connections(self) -> None: ...
    def received(self) -> list[Reading]: ...
    def kept(self) -> set[Reading]: ...
    def poison(self, journal: Journal) -> int: ...


class Rig:
    """A journal, and a sink of one kind that is started and stopped over it; plays the agent's main thread."""

    def __init__(self, folder: Path, far_end: FarEnd) -> None:
        self.folder = folder
        self.far_end = far_end
        self.path = folder / "journal.sqlite"
        self.journal = Journal.open(self.path)
        self.bookmark = 0
        self.bookmarks: list[int] = []
        self.statuses: list[Status] = []
        self.dead: list[tuple[int, str, str, str]] = []
        self.written: list[Reading] = []
        self._samples = 0

    def write(self, blocks: int) -> list[Reading]:
        """More readings, a block each, at 1 Hz; returns them."""
        before = len(self.written)
        for _ in range(blocks):
            for _ in range(SAMPLES_A_BLOCK):
                self._sample()
            self.journal.commit()
        return self.written[before:]

    def _sample(self) -> None:
        time, value = START_S + self._samples, 200.0 + self._samples % 97 / 8
        self.journal.sample("mill-2", "level", time, value / 2, value, 0, simulated=True)
        self.written.append(("mill-2", "level", round(time * 1000), value))
        self._samples += 1

    @contextmanager
    def running(self) -> Iterator[Forwarder]:
        """The sink, from the bookmark on; stopped at the end. A sink that ended by a bug fails the test."""
        sink: Forwarder = self.far_end.make(self.folder)(
            journal_path=self.path,
            bookmark_seq=self.bookmark,
            acknowledged=self._acknowledged,
            on_status=lambda name, status: self.statuses.append(status),
            dead_letter=lambda *letter: self.dead.append(letter),
        )
        sink.start()
        try:
            yield sink
        finally:
            sink.stop(10.0)
            assert not sink.status()["failed"], sink.status()["text"]

    def _acknowledged(self, name: str, seq: int) -> None:
        assert seq > self.bookmark, "a bookmark never goes back"
        self.bookmark = seq
        self.bookmarks.append(seq)

    def wait_for_bookmark(self) -> None:
        """Until all that was written is acknowledged."""
        wait_until(lambda: self.bookmark == self.journal.last_seq, f"bookmark {self.journal.last_seq}")

    def wait_for_arrival(self, readings: list[Reading]) -> None:
        """Until the far end has got readings, acknowledged or not."""
        wait_until(lambda: set(readings) <= set(self.far_end.received()), "the readings to arrive")

    def received(self) -> list[Reading]:
        """What the far end got, in order, with repeats, once all that was written has come."""
        self.wait_for_arrival(self.written)
        return self.far_end.received()

    def wait_for_status(self, sink: Forwarder, connected: bool, text: str = "") -> Status:
        """Until the sink says so."""

        def said() -> Status | None:
            status = sink.status()
            return status if status["connected"] == connected and text in status["text"] else None

        found: Status = wait_until(said, f"status {connected}, {text!r}")
        return found

    def close(self) -> None:
        """Let go of the journal."""
        self.journal.close()

    def reader(self) -> JournalReader:
        """A reader of this journal."""
        return JournalReader(self.path)


class MqttEnd:
    """A mosquitto with a password and a size limit, behind a cable; a listener that does not use the cable."""

    poison_words = f"larger than the {LARGEST_PACKET} bytes"
    user = "agent"

    def __init__(self, folder: Path, slug: str) -> None:
        self.slug = slug
        self.secret = folder / "password"
        self.secret.write_text(RIGHT + "\n")
        self.broker = Mosquitto(
            folder / "broker", (f"max_packet_size {LARGEST_PACKET}",), {self.user: RIGHT, "reader": "reads"}
        )
        self.broker.start()
        self.cable = Cable(self.broker.port)
        self.listener = Listener(self.broker.port, f"sumpside/{slug}/#", "reader", "reads")

    def make(self, folder: Path) -> Any:
        """The sink's constructor, waiting for the journal's side."""
        table = f'[mqtt]\nhost = "127.0.0.1"\nport = {self.cable.port}\n'
        table += f'user = "{self.user}"\npassword_file = "{self.secret}"\n'
        site = site_with(folder, self.slug, table)
        return lambda **journal_side: mqtt.make(site, pace=FAST, **journal_side)

    def received(self) -> list[Reading]:
        """From `past`."""
        past = [heard.body() for heard in self.listener.on(f"sumpside/{self.slug}/mill-2/past")]
        return [
            (body["sump"], signal, round(time * 1000), value)
            for body in past
            if body["type"] == "samples"
            for signal, told in body["signals"].items()
            for time, _, value, _ in told["samples"]
        ]

    def kept(self) -> set[Reading]:
        """A broker keeps no history: what came, once."""
        return set(self.received())

    def poison(self, journal: Journal) -> int:
        """A word that is larger than the broker takes."""
        record = {"time": START_S, "sump": "mill-2", "signal": "addition", "note": "n" * LARGEST_PACKET}
        return journal.event("word", START_S, "mill-2", None, record)

    def close(self) -> None:
        """Everything ends."""
        self.listener.close()
        self.cable.cut()
        self.broker.stop()

    def cut(self) -> None:
        """See Cable."""
        self.cable.cut()

    def plug_in(self) -> None:
        """See Cable."""
        self.cable.plug_in()

    def hold_answers(self) -> None:
        """See Cable."""
        self.cable.hold_answers()

    def break_connections(self) -> None:
        """See Cable."""
        self.cable.break_connections()


class TimeseriesEnd:
    """A store behind a door that asks for a token and refuses a certain reading, behind a cable."""

    poison_words = "field type conflict"

    def __init__(self, folder: Path, slug: str, store: VictoriaMetrics) -> None:
        self.slug = slug
        self.store = store
        self.secret = folder / "token"
        self.secret.write_text(RIGHT + "\n")
        self.door = Door(store.port, self._rule).__enter__()
        self.cable = Cable(self.door.port)

    def _rule(self, request: Request) -> tuple[int, str] | None:
        if request.headers.get("Authorization") != f"Token {RIGHT}":
            return 401, json.dumps({"code": "unauthorized", "message": "unauthorized access"})
        if f"raw={POISON_RAW:g}".encode() in request.body:
            return 400, json.dumps({"code": "invalid", "message": f"partial write: {self.poison_words} dropped=1"})
        return None

    def make(self, folder: Path) -> Any:
        """The sink's constructor, waiting for the journal's side."""
        table = f'[timeseries]\nurl = "http://127.0.0.1:{self.cable.port}"\norg = "works"\nbucket = "sumps"\n'
        site = site_with(folder, self.slug, table + f'token_file = "{self.secret}"\n')
        return lambda **journal_side: timeseries.make(site, pace=FAST, confirm_s=CONFIRM_S, **journal_side)

    def received(self) -> list[Reading]:
        """From the requests that the store answered with success."""
        lines = [line for request in list(self.door.passed) for line in request.body.decode().splitlines()]
        return [self._reading(line) for line in lines if line.startswith("sump_level,")]

    def _reading(self, line: str) -> Reading:
        tags, fields, time_ms = line.split(" ")
        named = dict(pair.split("=") for pair in (*tags.split(",")[1:], *fields.split(",")))
        return named["sump"], "level", int(time_ms), float(named["litres"])

    def kept(self) -> set[Reading]:
        """Read back from the store."""
        match = f'{{__name__="sump_level_litres",site="{self.slug}"}}'
        return {(s.labels["sump"], "level", *point) for s in self.store.series(match) for point in s.points}

    def poison(self, journal: Journal) -> int:
        """A reading that the door refuses, among others of the same block."""
        for second, raw in enumerate((101.0, POISON_RAW, 103.0)):
            journal.sample("mill-2", "temperature", START_S + second, raw, raw, 0, simulated=True)
        return journal.commit()

    def close(self) -> None:
        """Everything ends, save the store."""
        self.cable.cut()
        self.door.__exit__()

    def cut(self) -> None:
        """See Cable."""
        self.cable.cut()

    def plug_in(self) -> None:
        """See Cable."""
        self.cable.plug_in()

    def hold_answers(self) -> None:
        """See Cable."""
        self.cable.hold_answers()

    def break_connections(self) -> None:
        """See Cable."""
        self.cable.break_connections()
