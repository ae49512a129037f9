"""Forwarding to a real time-series store: killed, restarted, busy, wrong, and refusing single points."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from agent.io import timeseries
from agent.io.blocks import Sample
from agent.io.timeseries import Store, TimeseriesOutlet, TimeseriesSink
from tests.contract.sink_rig import FAST, START_S, Rig, TimeseriesEnd, slug_of
from tests.services import Door, Request, VictoriaMetrics, free_port, wait_until


class Behind:
    """A rig whose sink goes through a door with a rule of the test's own, to a store of its own or the shared one."""

    def __init__(self, folder: Path, slug: str, store: VictoriaMetrics, confirm_s: float = 0.2) -> None:
        self.end = TimeseriesEnd(folder, slug, store)
        self.rig = Rig(folder, self.end)
        self.confirm_s = confirm_s

    @property
    def door(self) -> Door:
        return self.end.door

    def close(self) -> None:
        self.rig.close()
        self.end.close()

    @contextmanager
    def running(self, timeout_s: float = 5.0) -> Iterator[TimeseriesSink]:
        store = Store(f"http://127.0.0.1:{self.end.cable.port}/", "works", "sumps", self.end.secret, timeout_s)
        outlet = TimeseriesOutlet(store, self.end.slug, frozenset({"mill-2"}), self.confirm_s)
        self.end.make = lambda folder: lambda **side: TimeseriesSink(outlet, pace=FAST, **side)  # type: ignore[method-assign]
        with self.rig.running() as sink:
            yield sink


@pytest.fixture
def behind(request: pytest.FixtureRequest, tmp_path: Path, timeseries_store: VictoriaMetrics) -> Iterator[Behind]:
    found = Behind(tmp_path, slug_of(request), timeseries_store)
    yield found
    found.close()


@pytest.fixture
def own_store(tmp_path: Path) -> Iterator[VictoriaMetrics]:
    with VictoriaMetrics(tmp_path / "store") as store:
        yield store


def values(store: VictoriaMetrics, site: str, name: str) -> list[float]:
    return [value for _, value in store.points(f'{{__name__="{name}",site="{site}"}}')]


def is_write(request: Request) -> bool:
    return request.method == "POST"


def test_every_kind_of_row_can_be_read_back_from_the_store(behind: Behind, timeseries_store: VictoriaMetrics) -> None:
    journal, site = behind.rig.journal, behind.end.slug
    behind.rig.write(1)
    belief = {"type": "belief", "time": START_S, "sump": "mill-2", "volume_l": 301.5, "status": "settled"}
    journal.belief(belief | {"hours_to_low": None})
    found = {"kind": "top_off", "volume_l": 20.5, "makeup_pct": 2.4, "start": START_S - 60, "revision": 1}
    journal.event("finding", START_S, "mill-2", "f-1", found)
    journal.event("advice", START_S, "mill-2", "a-1", {"kind": "top_off", "volume_l": 40.0, "makeup_pct": 2.5})
    journal.event("word", START_S, "mill-2", None, {"signal": "hand_reading", "value": 4.7, "by": "Alex"})
    with behind.running():
        behind.rig.wait_for_bookmark()
    assert values(timeseries_store, site, "sump_level_litres") == [reading[3] for reading in behind.rig.written]
    assert values(timeseries_store, site, "sump_belief_volume_l") == [301.5]
    assert values(timeseries_store, site, "sump_belief_status") == [1.0]
    assert values(timeseries_store, site, "sump_addition_makeup_pct") == [2.4]
    assert values(timeseries_store, site, "sump_advice_open") == [1.0]
    assert values(timeseries_store, site, "sump_reading_brix") == [4.7]
    labels = timeseries_store.series(f'{{__name__="sump_level_litres",site="{site}"}}')[0].labels
    assert labels["simulated"] == "true"
    assert labels["source"] == "sensor"


def test_a_store_that_is_killed_right_after_its_answer_lacks_nothing_in_the_end(
    tmp_path: Path, own_store: VictoriaMetrics
) -> None:
    """It loses what it held in memory only, acknowledged or not; the tail is sent again when it is back."""
    behind = Behind(tmp_path, "killed", own_store, confirm_s=1.0)
    with behind.running():
        for _ in range(2):
            behind.rig.wait_for_arrival(behind.rig.write(3))
            own_store.kill()
            own_store.start()
        behind.rig.wait_for_bookmark()
    behind.close()
    assert behind.end.kept() == set(behind.rig.written)
    assert len(behind.end.received()) > len(behind.rig.written), "the tail was sent again"


def test_a_restart_between_two_requests_is_noticed_and_rewinds(tmp_path: Path, own_store: VictoriaMetrics) -> None:
    behind = Behind(tmp_path, "restarted", own_store, confirm_s=1.0)
    first = behind.rig.write(1)
    with behind.running():
        behind.rig.wait_for_arrival(first)
        own_store.kill()
        own_store.start()
        wait_until(lambda: behind.end.received().count(first[0]) >= 2, "the tail to be sent again")
        behind.rig.wait_for_bookmark()
    behind.close()


def newest(second: int, raw: float) -> Sample:
    """A reading as it comes: neither time nor litres are round."""
    return Sample(START_S + second + 0.123_456_5, "mill-2", "level", raw, raw * 2.000_017, 0, True)


def test_a_reading_goes_ahead_of_its_block_and_its_block_leaves_one_point(
    behind: Behind, timeseries_store: VictoriaMetrics
) -> None:
    samples = [newest(second, 100.0 + second / 8) for second in range(40)]
    with behind.running() as sink:
        behind.rig.wait_for_status(sink, True, "up to date")
        for sample in samples:
            behind.rig.journal.add(sample)
            sink.sample_now(sample)
        wait_until(lambda: behind.end.kept(), "the newest one to be there without a commit")
        assert behind.rig.journal.last_seq == 0
        assert values(timeseries_store, behind.end.slug, "sump_level_raw") == [samples[-1].raw]
        behind.rig.journal.commit()
        behind.rig.wait_for_bookmark()
    last = f"{samples[-1].raw:g}"
    twice = [line for posted in behind.door.passed for line in posted.body.decode().splitlines() if last in line]
    assert len(twice) == 2 and len(set(twice)) == 1, "the same line, with the block again"
    for name, found in (("raw", [s.raw for s in samples]), ("litres", [round(s.value, 4) for s in samples])):
        assert timeseries_store.counted(f'sump_level_{name}{{site="{behind.end.slug}"}}', START_S + 60.0) == len(
            samples
        )
        assert values(timeseries_store, behind.end.slug, f"sump_level_{name}") == found


def test_a_live_reading_that_is_refused_is_dead_lettered_once_with_its_block(behind: Behind) -> None:
    poisoned = newest(0, 666.0)
    with behind.running() as sink:
        behind.rig.wait_for_status(sink, True, "up to date")
        behind.rig.journal.add(poisoned)
        sink.sample_now(poisoned)
        wait_until(lambda: behind.door.stopped, "the store to refuse it")
        assert not behind.rig.dead
        behind.rig.journal.commit()
        behind.rig.wait_for_bookmark()
    ((_, _, _, body),) = behind.rig.dead
    assert "raw=666" in body


def test_of_a_thousand_points_one_poisoned_is_dead_lettered_and_999_are_there(behind: Behind) -> None:
    for second in range(1000):
        raw = 666.0 if second == 617 else 100.0 + second / 1024
        behind.rig.journal.sample("mill-2", "level", START_S + second, raw, 200.0, 0)
    behind.rig.journal.commit()
    with behind.running():
        behind.rig.wait_for_bookmark()
    assert len(behind.end.kept()) == 999
    ((_, name, reason, body),) = behind.rig.dead
    assert name == "timeseries"
    assert reason == '400 {"code": "invalid", "message": "partial write: field type conflict dropped=1"}'
    assert "raw=666" in body
    assert len(behind.door.stopped) <= 11, "found by halving"


def test_a_store_that_refuses_everything_gets_no_dead_letters(behind: Behind) -> None:
    rule = behind.door.rule
    behind.door.rule = lambda request: (400, "organization name not found") if is_write(request) else None
    behind.rig.write(5)
    with behind.running() as sink:
        status = behind.rig.wait_for_status(sink, False, "refuses even a plain point")
        assert "organization name not found" in status["text"]
        assert behind.rig.bookmark == 0
        behind.door.rule = rule
        behind.rig.wait_for_bookmark()
    assert not behind.rig.dead
    assert behind.rig.received() == behind.rig.written


def test_a_batch_that_is_too_large_is_halved(behind: Behind) -> None:
    rule = behind.door.rule

    def small_only(request: Request) -> tuple[int, str] | None:
        too_large = is_write(request) and len(request.body.splitlines()) > 50
        return (413, "request entity too large") if too_large else rule(request)

    behind.door.rule = small_only
    behind.rig.write(40)
    with behind.running():
        behind.rig.wait_for_bookmark()
    assert not behind.rig.dead
    assert behind.rig.received() == behind.rig.written


@pytest.mark.parametrize(("status", "says"), [(500, "500 on fire"), (503, "503 on fire"), (404, "404 on fire")])
def test_a_store_in_trouble_is_tried_again(behind: Behind, status: int, says: str) -> None:
    rule = behind.door.rule
    behind.door.rule = lambda request: (status, "on fire") if is_write(request) else None
    behind.rig.write(3)
    with behind.running() as sink:
        behind.rig.wait_for_status(sink, False, says)
        behind.door.rule = rule
        behind.rig.wait_for_bookmark()
    assert not behind.rig.dead
    assert behind.rig.received() == behind.rig.written


def test_a_store_that_hangs_is_given_up_in_time_and_less_is_sent_at_once(behind: Behind) -> None:
    behind.rig.write(1)
    with behind.running(timeout_s=0.3) as sink:
        behind.rig.wait_for_bookmark()
        behind.end.hold_answers()
        behind.rig.write(1)
        behind.rig.wait_for_status(sink, False, "timed out")
        behind.end.break_connections()
        behind.end.plug_in()
        behind.rig.wait_for_bookmark()


def test_a_reading_that_is_no_number_is_dead_lettered_by_us_and_its_neighbours_go_on(behind: Behind) -> None:
    journal = behind.rig.journal
    for second, value in enumerate((200.0, float("nan"), 201.0)):
        journal.sample("mill-2", "level", START_S + second, value, 200.0 + second, 0)
    journal.commit()
    with behind.running():
        behind.rig.wait_for_bookmark()
    ((_, _, reason, body),) = behind.rig.dead
    assert reason == "not sent: raw is nan"
    assert json.loads(body)["tags"]["sump"] == "mill-2"
    assert [reading[3] for reading in behind.end.received()] == [200.0, 202.0]


def test_a_row_that_cannot_be_read_is_dead_lettered(behind: Behind) -> None:
    seq = behind.rig.journal.event("finding", START_S, "mill-2", "f-1", {"volume_l": "a lot"})
    good = behind.rig.write(1)
    with behind.running():
        behind.rig.wait_for_bookmark()
    assert [letter[0] for letter in behind.rig.dead] == [seq]
    assert "a lot" in behind.rig.dead[0][3]
    assert behind.end.received() == good


def test_a_store_that_shuts_its_metrics_page_is_taken_at_its_word(behind: Behind) -> None:
    rule = behind.door.rule
    behind.door.rule = lambda request: (403, "no") if request.path == "/metrics" else rule(request)
    behind.rig.write(2)
    with behind.running():
        behind.rig.wait_for_bookmark()
        behind.end.break_connections()
        behind.rig.write(2)
        behind.rig.wait_for_bookmark()
    assert behind.end.kept() == set(behind.rig.written)


def test_no_store_at_that_address_is_said_in_plain_words(tmp_path: Path) -> None:
    outlet = TimeseriesOutlet(Store(f"http://127.0.0.1:{free_port()}", "", "sumps", None), "x", frozenset())
    outlet.open()
    with pytest.raises(timeseries.NetworkError, match="Connection refused") as caught:
        outlet.started()
    assert "object at 0x" not in str(caught.value)
    outlet.close()


def test_the_client_library_is_not_imported_for_mqtt_or_the_loop() -> None:
    code = "import agent.io.sink, agent.io.mqtt, sys; sys.exit('influxdb_client' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
