"""The forwarding loop itself, over a far end in memory that loses what a real one may lose."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from threading import Event

import pytest

from agent.errors import NetworkError
from agent.io.chain import LogRow
from agent.io.journal import Journal, JournalReader
from agent.io.sink import BATCH_ROWS, BusyError, Forwarder, Refusal, Status
from tests.contract.sink_rig import FAST, START_S
from tests.services import wait_until


class Memory:
    """A far end that keeps row numbers; told what to refuse, and when to fail."""

    name = "memory"

    def __init__(self, confirm_s: float = 0.0) -> None:
        self.confirm_s = confirm_s
        self.got: list[int] = []
        self.refuse: set[int] = set()
        self.failures: list[Exception] = []
        self.starts = [1000.0]  # told one after the other, the last one for ever
        self.opened = self.closed = 0
        self._woken = Event()

    def open(self) -> None:
        self.opened += 1
        if self.failures:
            raise self.failures.pop(0)

    def deliver(self, rows: Sequence[LogRow]) -> Iterator[tuple[int, list[Refusal]]]:
        assert len(rows) <= BATCH_ROWS
        for row in rows:
            self.got.append(row.seq)
            yield row.seq, [Refusal(row.seq, "no", "it")] if row.seq in self.refuse else []

    def started(self) -> float | None:
        return self.starts.pop(0) if len(self.starts) > 1 else self.starts[0]

    def tend(self, reader: JournalReader, timeout_s: float) -> None:
        self._woken.wait(timeout_s)
        self._woken.clear()

    def wake(self) -> None:
        self._woken.set()

    def close(self) -> None:
        self.closed += 1


class Main:
    """Plays the agent's main thread over one journal."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "journal.sqlite"
        self.acknowledged: list[int] = []
        self.dead: list[int] = []
        self.statuses: list[Status] = []

    def write(self, journal: Journal, count: int) -> None:
        for number in range(count):
            journal.belief({"type": "belief", "time": START_S + number, "sump": "mill-2"})
        journal.commit()

    def sink(self, outlet: Memory, bookmark_seq: int = 0) -> Forwarder:
        return Forwarder(
            outlet,
            self.path,
            bookmark_seq,
            lambda name, seq: self.acknowledged.append(seq),
            lambda name, status: self.statuses.append(status),
            lambda seq, name, reason, body: self.dead.append(seq),
            FAST,
        )


@pytest.fixture
def main(tmp_path: Path) -> Main:
    return Main(tmp_path)


@pytest.fixture
def journal(main: Main) -> Iterator[Journal]:
    journal = Journal.open(main.path)
    yield journal
    journal.close()


def test_failures_of_every_kind_are_waited_out_and_told_once_each(main: Main, journal: Journal) -> None:
    main.write(journal, 3)
    outlet = Memory()
    outlet.failures = [NetworkError("away"), NetworkError("away"), BusyError("busy", 0.0), NetworkError("away")]
    sink = main.sink(outlet)
    sink.start()
    wait_until(lambda: main.acknowledged and main.acknowledged[-1] == 3, "the rows")
    sink.stop(5)
    assert [s["text"] for s in main.statuses] == ["away", "busy", "away", "up to date"]
    assert outlet.opened == 5
    assert outlet.closed == 5, "four failures and the end"


def test_a_row_refused_before_and_after_a_restart_of_the_store_is_dead_lettered_once(
    main: Main, journal: Journal
) -> None:
    main.write(journal, 5)
    outlet = Memory(confirm_s=0.05)
    outlet.refuse = {2}
    outlet.starts = [1000.0, 1001.0]
    sink = main.sink(outlet)
    sink.start()
    wait_until(lambda: main.acknowledged and main.acknowledged[-1] == 5, "all confirmed")
    sink.stop(5)
    assert outlet.got == [1, 2, 3, 4, 5] * 2
    assert main.dead == [2]


def test_the_bookmark_s_own_row_is_not_sent_again(main: Main, journal: Journal) -> None:
    main.write(journal, 5)
    outlet = Memory()
    sink = main.sink(outlet, bookmark_seq=3)
    sink.start()
    wait_until(lambda: main.acknowledged and main.acknowledged[-1] == 5, "the rest")
    sink.stop(5)
    assert outlet.got == [4, 5]


def test_what_is_committed_just_before_a_stop_still_goes_out(main: Main, journal: Journal) -> None:
    outlet = Memory()
    sink = Forwarder(outlet, main.path, 0, lambda *_: None, lambda *_: None, lambda *_: None)  # polls every second
    sink.start()
    wait_until(lambda: sink.status()["connected"], "the sink to rest")
    main.write(journal, 2)
    sink.stop(5)
    assert outlet.got == [1, 2]


def test_a_wake_up_is_not_waited_for(main: Main, journal: Journal) -> None:
    outlet = Memory()
    sink = Forwarder(outlet, main.path, 0, lambda *_: None, lambda *_: None, lambda *_: None)  # polls every second
    sink.start()
    wait_until(lambda: sink.status()["connected"], "the sink to rest")
    main.write(journal, 1)
    sink.wake()
    wait_until(lambda: outlet.got == [1], "the row")
    sink.stop(5)


def test_a_journal_that_is_not_there_yet_is_waited_for(main: Main) -> None:
    outlet = Memory()
    sink = main.sink(outlet)
    sink.start()
    wait_until(lambda: "cannot read the journal" in sink.status()["text"], "the sink to say so")
    journal = Journal.open(main.path)
    main.write(journal, 2)
    wait_until(lambda: outlet.got == [1, 2], "the rows")
    sink.stop(5)
    journal.close()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_bug_ends_the_sink_and_says_that_the_agent_should_end_too(main: Main, journal: Journal) -> None:
    outlet = Memory()
    outlet.failures = [ZeroDivisionError("a bug")]
    sink = main.sink(outlet)
    sink.start()
    wait_until(lambda: main.statuses and main.statuses[-1]["failed"], "the sink to say so")
    assert "a bug" in sink.status()["text"]
    sink.stop(5)
    assert outlet.closed == 1


def test_a_sink_that_was_never_started_can_be_stopped(main: Main) -> None:
    main.sink(Memory()).stop(1)
