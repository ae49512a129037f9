"""The agent's small parts: clocks, a bus's queue, its news, the outbox, the live file, the word to systemd."""

from __future__ import annotations

import json
import os
import socket
import sqlite3
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from agent.bus_watch import AGAIN_S, SETTLED_S, BusWatch
from agent.io import systemd
from agent.io.clock import Clock, boot_id, boot_number
from agent.io.intake import Intake, Reading
from agent.io.journal import Journal, JournalReader, Sample
from agent.io.live import EXPLAIN_NAME, LEAST_PERIOD_S, LiveFile
from agent.outbox import DeadLetter, Outbox
from agent.picture import Picture, status_line
from agent.reviews import Row

T0 = 1_790_000_000.0

# -- clock ------------------------------------------------------------------------------------------------------------


def test_record_time_is_the_systems_in_whole_milliseconds() -> None:
    before = time.time()
    told = Clock().time()
    assert before - 0.001 <= told <= time.time() + 0.001
    assert told == round(told * 1000) / 1000


class HandClock(Clock):
    """A clock whose unstepped time is moved by hand."""

    now = 50.0

    def monotonic(self) -> float:
        return self.now


def test_a_simulated_works_clock_starts_where_it_is_told_and_runs_faster() -> None:
    clock = HandClock(speed=60.0, start=T0)
    assert clock.time() == T0
    clock.now += 1.5
    assert clock.time() == T0 + 90.0


@pytest.mark.parametrize("speed", [0.0, -1.0, float("nan")])
def test_a_clock_that_stands_or_runs_backwards_is_refused(speed: float) -> None:
    with pytest.raises(ValueError, match="positive"):
        Clock(speed)


def test_a_boots_number_is_its_own_and_fits_sqlite_and_json() -> None:
    assert boot_number(boot_id()) == boot_number(boot_id())
    assert boot_number("a") != boot_number("b")
    assert 0 <= boot_number(boot_id()) < 2**53


# -- intake -----------------------------------------------------------------------------------------------------------


def test_a_full_queue_drops_its_oldest_and_counts_them() -> None:
    intake = Intake(most=3)
    for i in range(5):
        intake.put(Reading(T0 + i, "mill-1", "level", float(i)))
    assert [r.value for r in intake.take()] == [2.0, 3.0, 4.0]
    assert intake.dropped == 2
    assert intake.take() == []


def test_readings_of_several_threads_are_all_there() -> None:
    intake = Intake()
    threads = [
        threading.Thread(target=lambda: [intake.put(Reading(T0, "mill-1", "level", 1.0)) for _ in range(100)])
        for _ in range(8)
    ]
    for thread in threads:
        thread.start()
    taken = 0
    while any(thread.is_alive() for thread in threads):
        taken += len(intake.take())
    assert taken + len(intake.take()) == 800


# -- news of a bus ----------------------------------------------------------------------------------------------------


def status(ok: bool, text: str = "reading") -> dict[str, dict[str, Any]]:
    return {"rs485": {"ok": ok, "text": text, "last_s": None, "dropped": 0}}


def test_a_bus_is_news_once_its_state_has_settled() -> None:
    watch = BusWatch()
    assert watch.news(status(True), 0.0) == []
    (news,) = watch.news(status(True), SETTLED_S)
    assert (news["event"], news["bus"], news["ok"]) == ("bus", "rs485", True)
    assert watch.news(status(True), SETTLED_S + 1) == []
    assert watch.news(status(False, "no answer"), 200.0) == []
    (news,) = watch.news(status(False, "no answer"), 200.0 + SETTLED_S)
    assert (news["ok"], news["text"]) == (False, "no answer")


def test_a_bus_that_flickers_is_no_news() -> None:
    watch = BusWatch()
    watch.news(status(True), 0.0)
    watch.news(status(True), SETTLED_S)
    told = [watch.news(status(second % 4 < 2), 100.0 + second) for second in range(int(10 * AGAIN_S))]
    assert not any(told)


# -- outbox -----------------------------------------------------------------------------------------------------------


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    opened = Journal.open(tmp_path / "journal.sqlite", 1)
    yield opened
    opened.close()


@pytest.fixture
def reader(journal: Journal, tmp_path: Path) -> Iterator[JournalReader]:
    opened = JournalReader(tmp_path / "journal.sqlite")
    yield opened
    opened.close()


def word(id: str, note: str = "") -> Row:
    return Row("word", T0, "mill-1", id, {"note": note})


class Stuck:
    """The write lock in other hands, as long as the test holds it."""

    def __init__(self, path: Path) -> None:
        self._db = sqlite3.connect(path, isolation_level=None)

    def __enter__(self) -> None:
        self._db.execute("BEGIN IMMEDIATE")

    def __exit__(self, *_: object) -> None:
        self._db.execute("ROLLBACK")
        self._db.close()


def test_one_flush_writes_rows_bookmarks_dead_letters_and_the_block(journal: Journal, reader: JournalReader) -> None:
    outbox = Outbox(journal)
    assert not outbox.urgent
    journal.sample("mill-1", "level", T0, 1.0, 2.0, 0)
    outbox.add(word("w1"))
    outbox.bookmark("mqtt", 7)
    outbox.dead_letter(DeadLetter(5, "timeseries", "no", "body", T0))
    assert outbox.urgent
    assert outbox.flush()
    assert [row.kind for row in reader.rows_after(0, 9)] == ["block", "word"]
    assert reader.bookmark("mqtt") == 7
    assert [letter["reason"] for letter in reader.dead_letters()] == ["no"]
    assert (outbox.urgent, outbox.commits, outbox.fault) == (False, 1, None)
    assert outbox.flush()
    assert reader.last_seq() == 2
    assert len(reader.dead_letters()) == 1


def test_what_cannot_be_written_waits_in_order_and_says_so(
    journal: Journal, reader: JournalReader, tmp_path: Path
) -> None:
    journal._db.execute("PRAGMA busy_timeout = 10")
    outbox = Outbox(journal)
    outbox.add(word("w1"))
    with Stuck(tmp_path / "journal.sqlite"):
        assert not outbox.flush()
        assert "cannot be written" in str(outbox.fault)
        assert not outbox.full
        outbox.add(word("w2"))
        assert not outbox.flush()
    assert outbox.flush()
    assert [row.id for row in reader.rows_after(0, 9)] == ["w1", "w2"]
    assert outbox.fault is None
    assert reader.verify_chain().ok


def test_a_full_disk_is_told_apart(journal: Journal) -> None:
    pages = journal._db.execute("PRAGMA page_count").fetchone()[0]
    journal._db.execute(f"PRAGMA max_page_count = {pages}")
    outbox = Outbox(journal)
    outbox.add(word("w1", "x" * 100_000))
    assert not outbox.flush()
    assert outbox.full
    journal._db.execute("PRAGMA max_page_count = 100000")
    assert outbox.flush()
    assert not outbox.full


def test_a_word_is_written_with_its_bookmark_or_waits_in_the_inbox(
    journal: Journal, reader: JournalReader, tmp_path: Path
) -> None:
    journal._db.execute("PRAGMA busy_timeout = 10")
    outbox = Outbox(journal)
    outbox.add(word("before"))
    outbox.bookmark("inbox", 3)
    with Stuck(tmp_path / "journal.sqlite"):
        assert not outbox.write_now([word("w4")], "inbox", 4, {"hearing": "w4"})
    assert outbox.flush()
    assert journal.meta("hearing") is None
    assert ([row.id for row in reader.rows_after(0, 9)], reader.bookmark("inbox")) == (["before"], 3)
    assert outbox.write_now([word("w4")], "inbox", 4, {"hearing": "w4"})
    assert journal.meta("hearing") == "w4"
    assert ([row.id for row in reader.rows_after(0, 9)], reader.bookmark("inbox")) == (["before", "w4"], 4)


# -- live file and picture --------------------------------------------------------------------------------------------


def test_the_live_file_is_replaced_whole_and_not_too_often(tmp_path: Path) -> None:
    live = LiveFile(tmp_path / "run")
    assert live.due(100.0)
    live.write({"time": T0, "note": "Öl"}, 100.0)
    first = os.stat(tmp_path / "run" / "live.json").st_ino
    assert not live.due(100.0 + 0.9 * LEAST_PERIOD_S)
    assert live.due(100.0 + LEAST_PERIOD_S)
    live.write({"time": T0 + 1}, 101.0)
    assert json.loads((tmp_path / "run" / "live.json").read_text()) == {"time": T0 + 1}
    assert os.stat(tmp_path / "run" / "live.json").st_ino != first
    assert [p.name for p in (tmp_path / "run").iterdir()] == ["live.json"]
    words = LiveFile(tmp_path / "run", EXPLAIN_NAME, 60.0)
    words.write({"time": T0, "sumps": {}}, 100.0)
    assert not words.due(159.9) and words.due(160.0)
    assert json.loads((tmp_path / "run" / "explain.json").read_text())["time"] == T0


def test_the_picture_shows_the_newest_of_each_signal_and_labels_the_simulated() -> None:
    picture = Picture(simulated=True)
    picture.show(Sample(T0, "mill-1", "level", 120.5, 118.0, 0, True))
    picture.show(Sample(T0 + 1, "mill-1", "level", 121.5, 119.0, 0, True))
    picture.show(Sample(T0 + 1, "mill-1", "brix", 4.7, 4.7, 0, False))
    body = picture.body(T0 + 2, 7, {"version": "0"}, {"mill-1": {"volume_l": 119.0}, "mill-2": {"volume_l": 1.0}})
    level = body["sumps"]["mill-1"]["signals"]["level"]
    assert level == {"time": T0 + 1, "raw": 121.5, "litres": 119.0, "flags": 0, "text": "", "simulated": True}
    assert "litres" not in body["sumps"]["mill-1"]["signals"]["brix"]
    assert body["sumps"]["mill-2"] == {"signals": {}, "belief": {"volume_l": 1.0}, "filling": None}
    assert (body["simulated"], body["boot"], body["time"]) == (True, 7, T0 + 2)


def test_the_status_line_names_what_is_not_well() -> None:
    buses = {**status(False, "no answer"), "line": {"ok": True, "text": "reading", "last_s": T0, "dropped": 0}}
    line = status_line(buses, {"mqtt": {"text": "up to date"}}, "the disk is full")
    assert line == "1 of 2 buses read; rs485: no answer; mqtt: up to date; the disk is full"


# -- systemd ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("abstract", [False, True])
def test_systemd_hears_every_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, abstract: bool) -> None:
    name = f"sumpside-test-{os.getpid()}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind("\0" + name if abstract else name)
        heard.settimeout(5.0)
        monkeypatch.setenv("NOTIFY_SOCKET", "@" + name if abstract else name)
        assert systemd.notify("READY=1", "STATUS=all well")
        assert heard.recv(1000) == b"READY=1\nSTATUS=all well"


def test_without_systemd_nothing_is_said_and_nothing_fails(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not systemd.notify("READY=1")
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "gone"))
    assert not systemd.notify("READY=1")
