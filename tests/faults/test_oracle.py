"""Numbered readings through the real agent to a real broker and a real store, behind faults drawn at random.

The oracle is the journal and the list of numbers that were sent: nothing of the one may be missing in the far ends,
nothing may be there that was not sent, and every value must stand at its own time. What the store has beyond the
journal was shown live and lost with the open block of a killed agent: only there, and in order, is it no invention.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from agent.io.journal import JournalReader
from agent.site import Agent
from tests.faults.harness import Transmitter, Works, spread
from tests.faults.proxy import FAULTS, FaultProxy
from tests.services import Listener, Mosquitto, VictoriaMetrics

TOPIC = "sumpside/harrow-lane-gearworks/mill-1"
SERIES = 'sump_level_raw{site="harrow-lane-gearworks"}'
FRESH_S = 60.0  # a deadline for a busy machine; the figure is printed, and must be 10 s on a quiet one

USUAL_BLOCK_S = Agent().block_s

Points = dict[int, int]  # epoch ms → number


class Oracle:
    """Agent, broker and store with a faulty way to each, and somebody who listens at the broker itself."""

    def __init__(self, folder: Path, block_s: float) -> None:
        self.broker = Mosquitto(folder / "broker").start()
        self.store = VictoriaMetrics(folder / "store").start()
        self.listener = Listener(self.broker.port, "sumpside/#")
        self.ways = {"mqtt": FaultProxy(self.broker.port), "timeseries": FaultProxy(self.store.port)}
        more = f'[mqtt]\nhost = "127.0.0.1"\nport = {self.ways["mqtt"].port}\n'
        more += f'[timeseries]\nurl = "http://127.0.0.1:{self.ways["timeseries"].port}"\nbucket = "sumps"\n'
        (folder / "works").mkdir()
        self.works = Works(folder / "works", block_s=block_s, more=more)
        self.block_s = block_s
        self.lost: list[range] = []  # numbers of open blocks that were lost with a killed agent
        self.words = 0
        self.sender = Transmitter(self.works.plugs["mill-1"])
        self.told_s: list[float] = []  # from the beginning of each hang until it is told of
        self.fresh_s: list[tuple[float, str]] = []  # from each fault's end to a reading taken after it at both far ends
        self.first = self.sender.number + 1
        self.works.start()
        self.sender.start()

    # -- what each holds ------------------------------------------------------------------------------------------

    def kept(self) -> Points:
        """In the journal."""
        reader = JournalReader(self.works.journal_path)
        found = {round(s.time * 1000): int(s.raw) for s in reader.samples("mill-1", "level", 0.0, 9e9)}
        reader.close()
        return found

    def heard(self) -> Points:
        """By MQTT, as history; a number heard twice must say the same."""
        found: Points = {}
        for body in [heard.body() for heard in self.listener.on(f"{TOPIC}/past")]:
            for at, raw, _, _ in body["signals"]["level"]["samples"] if body["type"] == "samples" else ():
                assert found.setdefault(round(at * 1000), int(raw)) == int(raw)
        return found

    def stored(self) -> Points:
        """In the store, read back from it."""
        return {at: int(value) for at, value in self.store.points(SERIES)}

    def fresh(self) -> int:
        """The newest number heard by MQTT, live or as history."""
        live = [int(heard.body()["raw"]) for heard in self.listener.on(f"{TOPIC}/now/level")]
        return max([*live, *self.heard().values()], default=0)

    def commit(self) -> None:
        """What is in the open block goes with a person's word, at once."""
        self.words += 1
        number = int(self.works.shown())
        self.works.say(f"reading {self.words}", "record", {"signal": "hand_reading", "value": 4.6})
        self.works.wait(lambda: number in self.kept().values(), "a word to be kept with the open block", 30.0)

    def said(self, sink: str) -> dict[str, Any]:
        """What the live picture says of a publisher."""
        found: dict[str, Any] = self.works.live()["agent"]["sinks"][sink]
        return found

    # -- faults ---------------------------------------------------------------------------------------------------

    def go_on(self, blocks: int = 2) -> None:
        """Until so many more readings were heard from the line, whatever the far ends do."""
        number = self.sender.number
        self.works.wait(lambda: self.works.shown() > number + 10 * blocks, "the line to be read on", 60.0)

    def fault(self, kind: str, sink: str) -> None:
        """One fault from beginning to end, then a fresh reading at both far ends."""
        if kind == "kill agent":
            self.works.kill()
            self.lost.append(range(max(self.kept().values(), default=self.first - 1) + 1, self.sender.number + 1))
            self.works.start()
        elif kind == "kill server":
            self.kill_server(sink)
        else:
            began = time.monotonic()
            self.ways[sink].play(kind)
            self.go_on()
            if kind == "hang":
                self.works.wait(lambda: not self.said(sink)["connected"], "the hang to be told of", FRESH_S)
                self.told_s.append(time.monotonic() - began)
            if (kind, sink) == ("401", "timeseries"):
                self.works.wait(
                    lambda: "credentials" in self.said(sink)["text"], "the refused password to be told of", 60.0
                )
            self.ways[sink].play(None)
        began = time.monotonic()
        number = self.sender.number
        self.works.wait(lambda: number < self.fresh(), f"{kind}: a fresh one heard", FRESH_S)
        self.works.wait(lambda: number < max(self.stored().values(), default=0), f"{kind}: one stored", FRESH_S)
        self.fresh_s.append((time.monotonic() - began, f"{kind} ({sink})"))

    def kill_server(self, sink: str) -> None:
        """kill -9 of broker or store, and its start a while later; nobody is let through before we listen again."""
        server = self.broker if sink == "mqtt" else self.store
        server.kill()
        self.go_on(1)
        self.ways[sink].play("refuse")
        server.start()
        if sink == "mqtt":
            self.listener.wait_for_subscription()
        self.ways[sink].play(None)

    def kill_store_on_its_word(self) -> bool:
        """kill -9 right after the store has acknowledged a block: it may not have it on its disk yet.

        False where this busy box took longer than a second to get to it: that was no such kill.
        """
        way, words = self.ways["timeseries"], [0.0]
        way.answered = lambda data: words.append(time.monotonic()) if data.startswith(b"HTTP/1.1 204") else None
        self.commit()
        began = time.monotonic()  # what is acknowledged from here on is the block, or comes behind it
        self.works.wait(lambda: words[-1] > began, "an acknowledgement of the store", 30.0)
        last = words[-1]
        self.store.kill()
        in_time = time.monotonic() - last < 1.0
        way.answered = lambda data: None
        self.kill_server("timeseries")
        return in_time

    # -- the end --------------------------------------------------------------------------------------------------

    def settle(self) -> None:
        """The sensor stops; all that was read is everywhere."""
        self.sender.end()
        last = self.sender.number
        self.works.wait(lambda: last == self.works.shown(), "the last reading to be heard", 30.0)
        self.commit()
        self.works.wait(lambda: self.kept().keys() <= self.heard().keys(), "all of it heard", FRESH_S)
        self.works.wait(lambda: self.kept().keys() <= self.stored().keys(), "all of it stored", FRESH_S)

    def judge(self) -> dict[str, int]:
        """What is missing, invented, or not what it was, at both far ends together."""
        kept, faults = self.kept(), {"missing": 0, "invented": 0, "mismatch": 0}
        assert list(kept.values()) == sorted(set(kept.values()))  # the journal itself: each number once, in order
        assert set(kept.values()) <= set(range(self.first, self.sender.number + 1))  # and none that was never sent
        for far in (self.heard(), self.stored()):
            faults["missing"] += len(kept.keys() - far.keys())
            faults["mismatch"] += sum(far[at] != kept[at] for at in kept.keys() & far.keys())
        faults["invented"] += len(self.heard().keys() - kept.keys()) + len(self.stored().keys() - kept.keys())
        faults["invented"] -= len(self.outlived())
        return faults

    def outlived(self) -> Points:
        """Live readings in the store whose block was lost: among the numbers lost, and between their neighbours."""
        kept, stored = self.kept(), self.stored()
        beyond = {at: n for at, n in stored.items() if at not in kept and any(n in lost for lost in self.lost)}
        assert not set(beyond.values()) & set(kept.values())
        whole = [n for _, n in sorted({**beyond, **kept}.items())]
        assert whole == sorted(set(whole))
        return beyond

    def end(self) -> None:
        self.sender.end()
        self.works.end()
        for way in self.ways.values():
            way.close()
        self.listener.close()
        self.broker.stop()
        self.store.stop()


@pytest.fixture(params=[0.5, USUAL_BLOCK_S], ids=["short-blocks", "usual-blocks"])
def oracle(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Oracle]:
    opened = Oracle(tmp_path, request.param)
    yield opened
    opened.end()


def draw(rng: random.Random, count: int) -> list[tuple[str, str]]:
    """So many faults: every kind comes before one comes again."""
    kinds = [*FAULTS, "kill server", "kill agent"]
    drawn: list[str] = []
    while len(drawn) < count:
        drawn += rng.sample(kinds, len(kinds))
    return [(kind, rng.choice(("mqtt", "timeseries"))) for kind in drawn[:count]]


@pytest.mark.timeout(3600)
def test_behind_any_faults_nothing_is_missing_invented_or_changed(
    oracle: Oracle, long_run: bool, say: Callable[[str], None], request: pytest.FixtureRequest
) -> None:
    usual = "usual" in request.node.name
    seed = random.randrange(10_000)
    faults = draw(random.Random(seed), 50 if long_run else 3 if usual else 5)
    for done, (kind, sink) in enumerate(faults):
        if done % 10 == 9:
            say(f"{done + 1} of {len(faults)} faults")
        oracle.fault(kind, sink)
    kills = 0
    while kills < (10 if long_run else 1 if usual else 2):
        kills += oracle.kill_store_on_its_word()
    oracle.settle()
    found = oracle.judge()
    alone = len(oracle.outlived())
    say(
        f"blocks of {oracle.block_s:g} s: {len(faults)} faults, {kills} kills on its word (seed {seed}), "
        f"{len(oracle.kept())} readings: {found}, {alone} in the store alone, of blocks lost with a killed agent; from "
        f"a fault's end to a fresh reading in both {spread([s for s, _ in oracle.fresh_s])}, "
        f"that one after {max(oracle.fresh_s)[1]}"
    )
    if oracle.told_s:
        say(f"from the beginning of a hang until it is told of {spread(oracle.told_s)}")
    assert found == {"missing": 0, "invented": 0, "mismatch": 0}, f"seed {seed}: {faults}"


def test_the_proxy_plays_what_it_says(tmp_path: Path) -> None:
    """The test of the test: through each fault the store is really not reached."""
    import http.client

    with VictoriaMetrics(tmp_path) as store:
        way = FaultProxy(store.port)

        def ask() -> int:
            line = http.client.HTTPConnection("127.0.0.1", way.port, timeout=0.3)
            try:
                line.request("GET", "/health")
                return line.getresponse().status
            except (OSError, http.client.HTTPException):
                return 0
            finally:
                line.close()

        found = []
        for fault in (None, *FAULTS, None):
            way.play(fault)
            found.append(ask())
        way.close()
    assert found == [200, 0, 0, 500, 401, 0, 200]
