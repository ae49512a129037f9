"""Whatever stands still is shown, and goes on when it can; memory, files and threads stay what they are."""

from __future__ import annotations

import ast
import os
import re
import sqlite3
import statistics
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from pathlib import Path

import pytest

from agent.io import bus as buses
from agent.io import sink as sinks
from agent.io.bus import BusThread, Emit
from agent.io.chain import LogRow
from agent.io.clock import Clock
from agent.io.inbox import Inbox
from agent.io.journal import Journal, JournalReader
from agent.io.sink import Forwarder, Refusal
from agent.service import BusFailed
from agent.site_buses import Sensor
from tests.costs.byhand import DAY_S, T0, ByHand
from tests.costs.proc import Account, account
from tests.faults.harness import Transmitter, Works
from tests.io.buses import ascii_bus
from tests.io.lines import wait_for
from tests.services import Mosquitto, VictoriaMetrics

SUMP = "lathe-1"


@pytest.fixture
def works(tmp_path: Path) -> Iterator[Works]:
    opened = Works(tmp_path)
    yield opened
    opened.end()


class Wedge:
    """An outlet that hangs inside a delivery until it is let go: what a library without a deadline would do."""

    name = "wedge"
    confirm_s = 0.0

    def __init__(self) -> None:
        self.go = threading.Event()
        self.inside = threading.Event()
        self._woken = threading.Event()

    def open(self) -> None:
        """Always there."""

    def deliver(self, rows: Sequence[LogRow]) -> Iterator[tuple[int, list[Refusal]]]:
        """Stands still in the middle."""
        self.inside.set()
        self.go.wait()
        yield rows[-1].seq, []

    def started(self) -> float | None:
        """Does not tell."""
        return None

    def tend(self, reader: JournalReader, timeout_s: float) -> None:
        """Waits."""
        self._woken.wait(timeout_s)
        self._woken.clear()

    def wake(self) -> None:
        """Ends the wait."""
        self._woken.set()

    def close(self) -> None:
        """Nothing to close."""


def test_a_sink_that_is_wedged_says_so_and_goes_on_when_it_can(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sinks, "STUCK_S", 0.2)
    journal = Journal.open(tmp_path / "journal.sqlite")
    seq = journal.event("word", T0, SUMP, "w1", {})
    outlet, acknowledged = Wedge(), list[int]()
    told = (lambda name, seq: acknowledged.append(seq), lambda *_: None, lambda *_: None)
    forwarder = Forwarder(outlet, tmp_path / "journal.sqlite", 0, *told)
    forwarder.start()
    assert outlet.inside.wait(30.0)
    wait_for(lambda: forwarder.status()["text"].startswith("stuck for"), "the wedge to be shown")
    assert not forwarder.status()["connected"] and not forwarder.status()["failed"]
    monkeypatch.setattr(sinks, "STUCK_FOR_GOOD_S", 0.2)
    assert forwarder.status()["failed"]  # the agent ends by this, and is started anew
    monkeypatch.setattr(sinks, "STUCK_S", 60.0)
    outlet.go.set()
    wait_for(lambda: acknowledged == [seq], "the row to be delivered after all", 30.0)
    wait_for(lambda: forwarder.status()["connected"], "it to be well")
    forwarder.stop(10.0)
    journal.close()


class Hung:
    """A driver that hangs in its port until it is let go: what a kernel driver without a deadline would do."""

    def __init__(self) -> None:
        self.go = threading.Event()

    def open(self) -> AbstractContextManager[None]:
        """At once."""
        return nullcontext()

    def turn(self, port: None, emit: Emit, stopping: Callable[[], bool]) -> None:
        """Never, without asking whether to stop; once it is let go, a reading a turn."""
        self.go.wait()
        emit.reading(self.sensor, 250.0)
        stopping()

    sensor: Sensor


def hung(folder: Path) -> tuple[Hung, BusThread]:
    driver, bus = Hung(), ascii_bus(folder / "port", {"sump": SUMP})
    driver.sensor = bus.sensor[0]
    return driver, BusThread(bus, driver, Clock())


def test_a_bus_thread_that_hangs_is_shown_and_read_again_when_it_can(tmp_path: Path) -> None:
    driver, bus = hung(tmp_path)
    bus.start()
    wait_for(lambda: "nothing for" in bus.status()["text"], "the silence to be shown")
    assert not bus.status()["ok"] and bus.failed is None
    driver.go.set()
    wait_for(lambda: bus.status()["ok"] and bus.intake.take(), "it to be read again")
    bus.stop()
    assert bus.join(10.0)


def test_a_bus_thread_that_hangs_for_good_or_has_ended_ends_the_agent_for_a_new_start(
    in_memory: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The agent ends with an error and everything written; systemd starts it anew."""
    shop = ByHand(in_memory, 1, "block_s = 10")
    shop.run(5)
    driver, bus = hung(in_memory)
    shop.agent.buses.append(bus)  # type: ignore[arg-type]
    bus.start()
    shop.run(5)
    monkeypatch.setattr(buses, "STUCK_S", 0.2)
    wait_for(lambda: bus.failed, "it to be given up")
    with pytest.raises(BusFailed, match="nothing has moved for"):
        shop.run(1)
    shop.stop()
    kept = JournalReader(shop.journal_path)
    assert len(kept.samples(SUMP, "level", 0.0, 9e9)) == 11
    kept.close()
    shop.start()
    shop.run(1)
    shop.bus.failed = OSError("the thread has ended")
    with pytest.raises(BusFailed, match="the thread has ended"):
        shop.run(1)
    shop.stop()
    driver.go.set()
    bus.join(10.0)


def test_a_line_that_falls_silent_is_shown_within_three_periods_and_found_again(works: Works) -> None:
    """The port is open and nothing comes: the thread waits in its read, in slices."""
    works.start()
    sender = Transmitter(works.plugs["mill-1"])
    sender.start()
    works.wait(lambda: works.shown() > 70_003, "the line")
    sender.end()
    bus = lambda: works.live()["agent"]["buses"]["line-mill-1"]  # noqa: E731
    works.wait(lambda: not bus()["ok"] and "nothing for" in bus()["text"], "the silence to be shown", 30.0)
    again = Transmitter(works.plugs["mill-1"], first=80_000)
    again.start()
    works.wait(lambda: works.shown() > 80_000 and bus()["ok"], "the line to be found again", 30.0)
    again.end()
    assert works.terminate(within_s=30.0) == 0


def test_a_locked_inbox_is_shown_holds_nothing_up_and_is_read_when_it_opens(in_memory: Path) -> None:
    shop = ByHand(in_memory, 1, "block_s = 10")
    box = Inbox.open(in_memory / "inbox" / "inbox.sqlite")
    box.put(time=T0, person="Ana", role="operator", sump=SUMP, kind="record", token="before",
            body={"signal": "hand_reading", "value": 4.6})  # fmt: skip
    box.close()
    shop.run(2)
    shop.agent.inbox.close()  # else nobody could lock it; the next look opens it again
    intruder = sqlite3.connect(in_memory / "inbox" / "inbox.sqlite", isolation_level=None)
    intruder.execute("PRAGMA locking_mode = EXCLUSIVE")
    intruder.execute("BEGIN EXCLUSIVE")
    intruder.execute(
        "INSERT INTO word (time, person, role, sump, kind, body, token) "
        "VALUES (?, 'Ana', 'operator', ?, 'record', '{\"signal\":\"hand_reading\",\"value\":4.7}', 'after')",
        (T0 + 5, SUMP),
    )
    shop.run(3)
    assert shop.agent.fault is not None and "the inbox cannot be read" in shop.agent.fault
    reader = JournalReader(shop.journal_path)
    shop.run(10)
    assert len(reader.samples(SUMP, "level", 0.0, 9e9)) >= 10  # the journal goes on
    intruder.execute("COMMIT")
    intruder.close()
    shop.run(3)
    assert shop.agent.fault is None
    assert [row.id for row in reader.events("word")] == ["before", "after"]
    reader.close()
    shop.stop()


@contextmanager
def far_ends(folder: Path, long_run: bool) -> Iterator[tuple[str, Callable[[int], None]]]:
    """Tables of the site file and what becomes of their servers day by day; nothing of both in the short run."""
    if not long_run:
        yield "", lambda day: None
        return
    with Mosquitto(folder / "broker") as broker, VictoriaMetrics(folder / "store") as store:
        more = f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\n'
        more += f'[timeseries]\nurl = "{store.url}"\nbucket = "sumps"\n'

        def restart(day: int) -> None:
            server = {1: broker, 4: store}.get(day % 6)
            if server is not None:
                server.kill()
                server.start()

        yield more, restart


def at_rest(shop: ByHand) -> Account:
    """What the process holds while every publisher is connected and has sent what there was."""
    outlets = shop.agent.publishers

    def idle() -> bool:
        shop.agent.tick()
        return all(one["connected"] and one["text"] == "up to date" for one in outlets.statuses().values())

    wait_for(idle, "the publishers to be up to date", 300.0)
    return account(os.getpid())


@pytest.mark.timeout(7200)
def test_days_at_speed_leave_memory_files_and_threads_as_they_were(
    in_memory: Path, long_run: bool, say: Callable[[str], None]
) -> None:
    """30 days with broker and store, one killed each third, in the long run; a quarter of a day without them else.

    The first third is not counted: tables fill up once. Each "day" somebody enters a reading.
    """
    days = 30 if long_run else 6
    day_s = DAY_S if long_run else DAY_S / 24
    seen: list[Account] = []
    with far_ends(in_memory, long_run) as (more, restart):
        shop = ByHand(in_memory, 2 if long_run else 1, more=more)
        shop.period_s = 10.0
        box = Inbox.open(in_memory / "inbox" / "inbox.sqlite")
        for day in range(days):
            restart(day)
            box.put(time=shop.true_time, person="Ana", role="operator", sump=SUMP, kind="record", token=f"day {day}",
                    body={"signal": "hand_reading", "value": 4.6})  # fmt: skip
            shop.run(day_s)
            seen.append(at_rest(shop))
            if long_run and day % 5 == 4:
                say(f"day {day + 1}: {seen[-1].resident_mb:.1f} MB, {seen[-1].files} files, {seen[-1].threads} threads")
        box.close()
        shop.stop()
    counted = seen[days // 3 :]
    slope = statistics.linear_regression(range(len(counted)), [one.resident_mb for one in counted]).slope
    say(f"{days * day_s / DAY_S:g} days: {seen[0].resident_mb:.1f} → {seen[-1].resident_mb:.1f} MB; {slope:.3f} a day")
    assert len({(one.files, one.threads) for one in counted}) == 1
    assert slope < 0.1 if long_run else counted[-1].resident_mb - counted[0].resident_mb < 8.0


ENDLESS = re.compile(r"\.(?:wait|join|acquire|get)\(\)")
# A queue that was just seen not to be empty, read by nobody else; what has its deadline around it; context variables.
ALLOWED = re.compile(r"self\._told\.get\(\)|asyncio\.wait_for\(.*|_(?:units|spoken)\.get\(\)")
# What waits for another program or machine: by name, how many arguments it has when the deadline is one of them.
WAITS = {"create_connection": 2, "urlopen": 3, "run": 99, "check_output": 99, "communicate": 2, "select": 4}


def _waits_for_ever(call: ast.Call) -> bool:
    name = call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")
    owner = getattr(getattr(call.func, "value", None), "id", "")
    if name not in WAITS or name in ("run", "check_output") and owner != "subprocess":
        return False
    return len(call.args) < WAITS[name] and all(keyword.arg != "timeout" for keyword in call.keywords)


def test_every_wait_of_agent_and_pages_has_a_deadline() -> None:
    """A lock, a thread, a queue, a connection, another program: a wait without a time would be found here."""
    root = Path(__file__).resolve().parents[2]
    found = []
    for path in sorted([*(root / "agent").rglob("*.py"), *(root / "dashboards").rglob("*.py")]):
        if "simulated" in path.parts or path.name == "demo.py":
            continue  # no part of what runs on a Pi
        text = path.read_text(encoding="utf-8")
        lines = [n for n, line in enumerate(text.splitlines(), 1) if ENDLESS.search(ALLOWED.sub("", line))]
        calls = [node for node in ast.walk(ast.parse(text)) if isinstance(node, ast.Call)]
        lines += [call.lineno for call in calls if _waits_for_ever(call)]
        found += [f"{path.relative_to(root)}:{number}" for number in lines]
    assert found == []
