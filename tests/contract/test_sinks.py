"""Every sink keeps the same promises, shown against real servers."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.contract.sink_rig import RIGHT, WRONG, MqttEnd, Reading, Rig, TimeseriesEnd, slug_of
from tests.services import VictoriaMetrics, wait_until


@pytest.fixture(params=["mqtt", "timeseries"])
def rig(request: pytest.FixtureRequest, tmp_path: Path, timeseries_store: VictoriaMetrics) -> Iterator[Rig]:
    slug = slug_of(request)
    far_end = MqttEnd(tmp_path, slug) if request.param == "mqtt" else TimeseriesEnd(tmp_path, slug, timeseries_store)
    rig = Rig(tmp_path, far_end)
    yield rig
    rig.close()
    far_end.close()


def first_of_each(readings: list[Reading]) -> list[Reading]:
    return list(dict.fromkeys(readings))


def test_rows_arrive_once_and_in_order_and_the_bookmark_follows(rig: Rig) -> None:
    rig.write(300)  # more than one batch
    with rig.running():
        rig.wait_for_bookmark()
        rig.write(5)
        rig.wait_for_bookmark()
    assert rig.received() == rig.written
    assert rig.far_end.kept() == set(rig.written)


def test_the_bookmark_moves_only_on_acknowledgement(rig: Rig) -> None:
    rig.write(2)
    with rig.running():
        rig.wait_for_bookmark()
        rig.far_end.hold_answers()
        before = rig.bookmark
        more = rig.write(1)
        rig.wait_for_arrival(more)
        assert rig.bookmark == before
        rig.far_end.break_connections()
        rig.far_end.plug_in()
        rig.wait_for_bookmark()
    wait_until(lambda: rig.received().count(more[0]) >= 2, "what was not acknowledged to come again")
    assert rig.far_end.kept() == set(rig.written), "as the same readings"


def test_a_restart_resumes_after_the_bookmark(rig: Rig) -> None:
    first = rig.write(3)
    with rig.running():
        rig.wait_for_bookmark()
    rig.write(3)
    with rig.running():
        rig.wait_for_bookmark()
    assert rig.received() == rig.written
    assert rig.received().count(first[0]) == 1


def test_what_was_not_acknowledged_before_a_restart_is_sent_again(rig: Rig) -> None:
    rig.write(1)
    with rig.running():
        rig.wait_for_bookmark()
        rig.far_end.hold_answers()
        lost = rig.write(2)
        rig.wait_for_arrival(lost[:1])
        rig.far_end.cut()
    rig.far_end.plug_in()
    with rig.running():
        rig.wait_for_bookmark()
    wait_until(lambda: rig.received().count(lost[0]) >= 2, "what was not acknowledged to come again")
    assert rig.far_end.kept() == set(rig.written)


def test_a_refused_point_is_dead_lettered_while_the_rest_goes_on(rig: Rig) -> None:
    rig.write(20)
    seq = rig.far_end.poison(rig.journal)
    rig.write(20)
    with rig.running() as sink:
        rig.wait_for_bookmark()
        rig.wait_for_status(sink, True, "up to date")
    assert [(letter[0], letter[1]) for letter in rig.dead] == [(seq, sink.name)]
    assert rig.far_end.poison_words in rig.dead[0][2]
    assert rig.dead[0][3], "what was refused can be read"
    assert first_of_each(rig.received()) == rig.written


def test_offline_then_back_loses_nothing(rig: Rig) -> None:
    rig.write(2)
    with rig.running() as sink:
        rig.wait_for_bookmark()
        rig.far_end.cut()
        rig.write(4)
        rig.wait_for_status(sink, False)
        wait_until(lambda: sink.status()["behind_rows"] == 4, "the backlog to be counted")
        rig.far_end.plug_in()
        rig.wait_for_bookmark()
        rig.wait_for_status(sink, True, "up to date")
        assert sink.status()["behind_rows"] == 0
    assert first_of_each(rig.received()) == rig.written
    assert rig.far_end.kept() == set(rig.written)


def test_the_far_end_may_come_later_than_the_agent(rig: Rig) -> None:
    rig.far_end.cut()
    rig.write(2)
    with rig.running() as sink:
        rig.wait_for_status(sink, False, "refused")
        rig.far_end.plug_in()
        rig.wait_for_bookmark()
    assert rig.received() == rig.written


def test_a_stop_does_not_wait_for_a_deaf_far_end(rig: Rig) -> None:
    rig.write(1)
    with rig.running() as sink:
        rig.wait_for_bookmark()
        rig.far_end.hold_answers()
        rig.wait_for_arrival(rig.write(1))
        sink.stop(0.5)
        before = rig.bookmark
        rig.far_end.cut()
    assert rig.bookmark == before


def test_refused_credentials_are_said_at_once_and_healed_without_a_restart(rig: Rig) -> None:
    rig.far_end.secret.write_text(WRONG)
    rig.write(2)
    with rig.running() as sink:
        rig.wait_for_status(sink, False, "credentials")
        assert rig.bookmark == 0
        assert not rig.dead
        rig.far_end.secret.write_text(RIGHT)
        rig.wait_for_bookmark()
    assert rig.received() == rig.written
    assert not [s for s in rig.statuses if WRONG in s["text"] or RIGHT in s["text"]], "no secret is ever told"


def test_a_missing_secret_file_is_a_matter_of_credentials(rig: Rig) -> None:
    rig.far_end.secret.unlink()
    rig.write(1)
    with rig.running() as sink:
        rig.wait_for_status(sink, False, f"credentials: {'password' if sink.name == 'mqtt' else 'token'} file")
        rig.far_end.secret.write_text(RIGHT)
        rig.wait_for_bookmark()


def test_status_changes_are_told_and_not_repeated(rig: Rig) -> None:
    rig.write(1)
    with rig.running() as sink:
        rig.wait_for_status(sink, True, "up to date")
        rig.far_end.cut()
        rig.wait_for_status(sink, False) if sink.name == "mqtt" else rig.write(1)
        rig.wait_for_status(sink, False)
        rig.far_end.plug_in()
        rig.wait_for_status(sink, True, "up to date")
    said = [(s["connected"], s["text"]) for s in rig.statuses]
    assert all(a != b for a, b in zip(said, said[1:], strict=False))
    assert [connected for connected, _ in said][0] is True
    assert not all(connected for connected, _ in said)
