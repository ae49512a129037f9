"""The real agent, ended politely and killed: what it had heard is kept, and it goes on where it was."""

from __future__ import annotations

import json
import random
import shutil
import signal
import socket
import sqlite3
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from agent.io.blocks import unpack
from agent.io.journal import JournalReader
from tests.faults.harness import START_S, Transmitter, Works, filled, spread


@pytest.fixture
def open_works(tmp_path: Path) -> Iterator[Callable[..., Works]]:
    opened: list[Works] = []

    def open_one(*args: object, **more: object) -> Works:
        opened.append(Works(tmp_path, *args, **more))  # type: ignore[arg-type]
        return opened[-1]

    yield open_one
    for works in opened:
        works.end()


def chain_holds(works: Works) -> bool:
    reader = JournalReader(works.journal_path)
    report = reader.verify_chain()
    reader.close()
    return report.ok


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_asked_to_end_it_ends_within_5_s_with_everything_written(
    open_works: Callable[..., Works], number: signal.Signals
) -> None:
    works = open_works(block_s=60.0)  # nothing but the end writes the block
    works.start()
    sender = Transmitter(works.plugs["mill-1"])
    sender.start()
    works.wait(lambda: works.shown() > 70_020, "twenty readings")
    seen = int(works.shown())
    explained = json.loads((works.folder / "run" / "explain.json").read_text())
    assert explained["sumps"]["mill-1"].startswith("Mill 1: 290 ± ") and explained["time"] > 0.0
    assert works.terminate(number) == 0
    sender.end()
    assert sorted(p.name for p in works.journal_path.parent.iterdir()) == [
        "agent.lock",
        "journal.reserve",
        "journal.sqlite",
    ]
    numbers = works.numbers()
    assert numbers[-1] >= seen
    assert numbers == list(range(numbers[0], numbers[-1] + 1))
    assert [row["event"] for row in works.events("agent")][-1] == "stop"
    assert chain_holds(works)


@pytest.mark.timeout(3600)
def test_killed_it_loses_at_most_its_open_block_and_goes_on(
    open_works: Callable[..., Works], long_run: bool, say: Callable[[str], None]
) -> None:
    """Again and again at a random moment under load; what was committed stays, and no number comes twice.

    One kill in four falls into the start itself, which restores, commits and keeps a snapshot.
    """
    works = open_works()
    seed = random.randrange(10_000)
    rng = random.Random(seed)
    sender = Transmitter(works.plugs["mill-1"], every_s=0.03)
    sender.start()
    kills, waits_s = 200 if long_run else 20, []
    for kill in range(kills):
        if kill % 50 == 49:
            say(f"{kill + 1} of {kills} kills")
        committed = works.numbers() if kill else []
        began, first = time.monotonic(), sender.number
        if kill and rng.random() < 0.25:
            works.spawn()
            works.wait(lambda to=first + rng.randrange(60): sender.number > to, "a moment of the start")
            shown = 0
        else:
            works.start()
            works.wait(lambda first=first: works.shown() > first, "a new reading", START_S)
            waits_s.append(time.monotonic() - began)
            works.wait(lambda to=first + rng.randrange(40): works.shown() > to, "some load")
            committed, shown = works.numbers(), int(works.shown())
        works.kill()
        kept = works.numbers()
        assert kept[: len(committed)] == committed, f"seed {seed}, kill {kill}"
        assert kept == sorted(set(kept)), f"seed {seed}, kill {kill}"
        assert not shown or shown - kept[-1] <= 2 * longest_block(works), f"seed {seed}, kill {kill}"
        assert chain_holds(works), f"seed {seed}, kill {kill}"
    sender.end()
    works.start()
    assert works.terminate(within_s=START_S) == 0
    say(
        f"{kills} kills (seed {seed}), {len(works.numbers())} readings: 0 committed ones lost; from the start to a new "
        f"reading shown {spread(waits_s)}"
    )


def longest_block(works: Works) -> int:
    reader = JournalReader(works.journal_path)
    sizes = [len(unpack(row.body)) for row in reader.rows_after(0, 100_000) if row.kind == "block"]
    reader.close()
    return max(sizes, default=0)


def test_after_a_kill_it_restores_from_the_snapshot_and_the_tail(open_works: Callable[..., Works]) -> None:
    works = open_works()
    works.start()
    sender = Transmitter(works.plugs["mill-1"])
    sender.start()
    works.wait(lambda: len(works.numbers()) > 20, "some blocks")
    works.kill()
    works.start()
    sender.end()
    restored = [row["restored"] for row in works.events("agent") if row["event"] == "start"]
    assert restored[0] == "nothing to restore: learning begins"
    assert restored[1].startswith("snapshot at row ")
    assert "records after it" in restored[1]
    assert works.terminate() == 0


def test_a_pulled_port_does_not_stop_the_others_and_is_read_again(open_works: Callable[..., Works]) -> None:
    works = open_works(("mill-1", "mill-2"))
    works.start()
    senders = {id: Transmitter(plug) for id, plug in works.plugs.items()}
    for sender in senders.values():
        sender.start()
    works.wait(lambda: works.shown("mill-1") and works.shown("mill-2"), "both lines")
    senders["mill-1"].end()
    works.plugs["mill-1"].unplug()
    works.wait(lambda: not works.live()["agent"]["buses"]["line-mill-1"]["ok"], "the loss to be shown")
    before = works.shown("mill-2")
    works.wait(lambda: works.shown("mill-2") > before, "the other line")
    works.plugs["mill-1"].plug()
    again = Transmitter(works.plugs["mill-1"], first=80_000)
    again.start()
    works.wait(lambda: works.shown("mill-1") > 80_000, "the line that came back")
    works.wait(lambda: works.live()["agent"]["buses"]["line-mill-1"]["ok"], "all to be well")
    again.end()
    senders["mill-2"].end()
    assert works.terminate() == 0


def test_it_tells_systemd_and_feeds_the_watchdog_by_commits(open_works: Callable[..., Works]) -> None:
    works = open_works()
    works.start()
    works.wait(lambda: works.words().count("WATCHDOG=1") >= 3, "the watchdog to be fed")
    works.wait(lambda: any("0 of 1 buses read" in word for word in works.words()), "the status", 30.0)
    sender = Transmitter(works.plugs["mill-1"])
    sender.start()
    works.wait(lambda: any("1 of 1 buses read" in word for word in works.words()), "the better status", 30.0)
    sender.end()
    works.terminate()
    assert "STOPPING=1" in works.words()


def test_while_no_commit_goes_through_the_watchdog_is_not_fed(open_works: Callable[..., Works]) -> None:
    """Another program holds the write lock, as a hung disk would: the agent lives, says so, and is not fed."""
    works = open_works()
    works.start()
    sender = Transmitter(works.plugs["mill-1"])
    sender.start()
    works.wait(lambda: works.words().count("WATCHDOG=1") >= 2, "the watchdog to be fed")
    intruder = sqlite3.connect(works.journal_path, isolation_level=None)
    intruder.execute("BEGIN IMMEDIATE")
    works.wait(lambda: "cannot be written" in str(works.live()["agent"]["fault"]), "the fault to be shown", 30.0)
    works.words()
    fed = works.told.count("WATCHDOG=1")
    shown = works.shown()
    works.wait(lambda: works.shown() > shown + 20, "it to go on reading", 30.0)
    works.words()
    assert works.told.count("WATCHDOG=1") == fed
    intruder.execute("ROLLBACK")
    intruder.close()
    works.wait(lambda: works.words().count("WATCHDOG=1") > fed, "the watchdog to be fed again")
    sender.end()
    assert works.terminate() == 0
    numbers = works.numbers()
    assert numbers == list(range(numbers[0], numbers[-1] + 1))


def test_two_agents_do_not_write_one_journal(open_works: Callable[..., Works]) -> None:
    works = open_works()
    works.start()
    first, works.process = works.process, None
    with pytest.raises(AssertionError, match="another agent writes the journal"):
        works.start()
    assert works.process is not None
    assert works.process.returncode == 1  # type: ignore[unreachable]
    works.process = first
    assert works.terminate() == 0


def rubbish(path: Path) -> None:
    path.write_bytes(b"no database at all, but long enough to be taken for one" * 100)


def holes(path: Path) -> None:
    """A quarter of a day of blocks, a tenth of it zeros: in the middle, and where the last rows are found by."""
    filled(path, 720)
    size = path.stat().st_size
    with path.open("r+b") as file:
        for part in (0.5, 0.9):
            file.seek(int(part * size) // 4096 * 4096)
            file.write(bytes(size // 20))


@pytest.mark.parametrize(("spoil", "said"), [(rubbish, "nothing in it could be read"), (holes, "were taken over")])
def test_a_broken_journal_is_put_aside_and_the_agent_runs(
    open_works: Callable[..., Works],
    in_memory: Path,
    spoil: Callable[[Path], None],
    said: str,
    say: Callable[[str], None],
) -> None:
    works = open_works()
    works.journal_path.parent.mkdir()
    spoil(in_memory / "broken")
    shutil.copy(in_memory / "broken", works.journal_path)
    began = time.monotonic()
    works.start()
    say(f"broken journal ({spoil.__name__}): it runs {time.monotonic() - began:.1f} s after its start")
    (start,) = [row for row in works.events("agent") if row["event"] == "start"]
    assert "was broken" in start["note"] and said in start["note"]
    assert any("broken" in p.name for p in works.journal_path.parent.iterdir())
    assert works.terminate() == 0


def test_a_sink_that_hangs_does_not_hold_the_end_up(open_works: Callable[..., Works]) -> None:
    """A store that takes the connection and never answers."""
    with socket.create_server(("127.0.0.1", 0)) as silent:
        more = f'[timeseries]\nurl = "http://127.0.0.1:{silent.getsockname()[1]}"\nbucket = "sumps"\n'
        works = open_works(more=more)
        works.start()
        sender = Transmitter(works.plugs["mill-1"])
        sender.start()
        works.wait(lambda: len(works.numbers()) > 10, "some blocks")
        silent.settimeout(20.0)
        held, _ = silent.accept()
        sender.end()
        assert works.terminate() == 0
        held.close()


# -- people's words through the whole agent ----------------------------------------------------------------------------


def test_words_reach_the_journal_once_and_refused_ones_are_kept(open_works: Callable[..., Works]) -> None:
    works = open_works()
    works.start()
    reading = {"signal": "hand_reading", "value": 4.6}
    works.say("t1", "record", reading)
    works.say("t1", "record", reading)
    works.say("t2", "record", {"signal": "hand_reading", "value": "much"})
    works.say("t3", "record", {"signal": "setting", "field": "usual_pct", "value": 3.0})
    works.say("t4", "record", {"signal": "setting", "field": "usual_pct", "value": 3.0}, role="supervisor")
    works.say("t5", "decision", {"advice": "ghost", "action": "approve"}, role="supervisor")
    works.wait(lambda: len(works.events("word")) == 4 and len(works.events("review")) == 1, "all words")
    one, two, three, four = works.events("word")
    assert (one["signal"], one["value"], one["by"], one["role"]) == ("hand_reading", 4.6, "Ana", "operator")
    assert "value must be a number" in two["refused"]
    assert "a setting is for" in three["refused"]
    assert "refused" not in four
    assert works.events("review")[0]["refused"] == "there is no such instruction"
    assert all(works.events("agent")[0][name] == value for name, value in {"event": "start", "simulated": True}.items())
    works.kill()
    works.start()
    works.say("t6", "record", reading)
    works.wait(lambda: len(works.events("word")) == 5, "the word after the restart")
    assert works.terminate() == 0
    assert chain_holds(works)


def test_everything_that_is_simulated_says_so(open_works: Callable[..., Works]) -> None:
    works = open_works()
    works.start()
    sender = Transmitter(works.plugs["mill-1"])
    sender.start()
    works.wait(lambda: works.shown() and len(works.numbers()) > 5, "a block and the picture")
    sender.end()
    live = works.live()
    assert live["simulated"] is True
    assert live["sumps"]["mill-1"]["signals"]["level"]["simulated"] is True
    reader = JournalReader(works.journal_path)
    assert all(s.simulated for s in reader.samples("mill-1", "level", 0.0, 9e9))
    reader.close()
    assert all(row["simulated"] for row in works.events("agent"))
    assert works.terminate() == 0
