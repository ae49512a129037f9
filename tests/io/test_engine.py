"""After a restart the core knows what it knew, and what it had said is said once."""

from __future__ import annotations

import random
import zlib
from collections.abc import Iterator
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import pytest

from agent.core import step as core
from agent.core.outputs import Advice, Belief, Finding
from agent.engine import HEARING, Engine, key_of, keys_in
from agent.io.journal import Journal, JournalReader
from agent.records import Record
from agent.reviews import Row
from tests.io.test_reviews import SITE

T0 = 1_790_000_000.0
EVERY_S = 600.0


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    opened = Journal.open(tmp_path / "journal.sqlite", 1)
    yield opened
    opened.close()


def day(hours: float) -> Iterator[Record]:
    """A level that falls slowly with the noise of a sensor, top-offs of five minutes, a hand reading now and then."""
    rng = random.Random(1)
    level_mm = 250.0
    for minute in range(int(hours * 60)):
        time = T0 + 60.0 * minute
        level_mm += 9.0 if 200 <= minute % 480 < 205 else -0.09
        yield Record(time, "mill-1", "level", round(level_mm + rng.gauss(0.0, 0.3), 1))
        if minute % 180 == 90:
            yield Record(time + 5, "mill-1", "hand_reading", 4.6, by="Ana")


class Live:
    """What the service does with a record, without its threads."""

    def __init__(self, journal: Journal) -> None:
        self.journal = journal
        self.engine = Engine(journal, SITE, EVERY_S)
        self.said: list[dict[str, Any]] = []

    def take(self, record: Record) -> None:
        if record.signal == "level":
            value = self.engine.calibrated(record.sump, "level", float(record.value))  # type: ignore[arg-type]
            self.journal.sample(record.sump, "level", record.time, float(record.value), value, 0)  # type: ignore[arg-type]
        else:
            body = {name: getattr(record, name) for name in ("time", "sump", "signal", "value", "by")}
            self.journal.event("word", record.time, record.sump, "w", body)
        self.keep(self.engine.step(record))

    def keep(self, outputs: list[Any]) -> None:
        for output in outputs:
            self.said.append(output.row())
            if isinstance(output, Belief):
                self.journal.belief(output.row())
            else:
                row = Row(output.TYPE, output.time, output.sump, output.id, output.row())
                self.journal.event(row.kind, row.time, row.sump, row.id, row.body)


def believed(engine: Engine) -> dict[str, Any]:
    return engine.belief("mill-1", T0 + 86_400.0).row()


def test_a_restart_in_the_middle_changes_nothing_that_is_believed_or_said(tmp_path: Path) -> None:
    """One agent runs a day through; another is killed twice. Both believe and have said the same."""
    steady = Live(Journal.open(tmp_path / "steady.sqlite"))
    for record in day(20):
        steady.take(record)
    fallible = Live(Journal.open(tmp_path / "fallible.sqlite"))
    for number, record in enumerate(day(20)):
        if number in (400, 401, 900):
            fallible.journal.commit()
            fallible.journal.close()
            again = Live(Journal.open(tmp_path / "fallible.sqlite"))
            again.said = fallible.said
            again.keep(again.engine.restore())
            fallible = again
        if number in (0, 700):
            fallible.journal.commit()
            fallible.engine.snapshot(record.time)
        fallible.take(record)
    assert believed(fallible.engine) == believed(steady.engine)
    assert fallible.said == steady.said
    steady.journal.close()
    fallible.journal.close()


def test_what_the_core_said_before_a_kill_and_nobody_wrote_is_said_after_it(journal: Journal) -> None:
    live = Live(journal)
    journal.snapshot(T0, "0", zlib.compress(b"nonsense"))
    live.engine.snapshot(T0)
    for record in day(3):
        if record.signal != "level":
            continue
        journal.sample("mill-1", "level", record.time, float(record.value), 0.0, 0)  # type: ignore[arg-type]
        live.said += [output.row() for output in live.engine.step(record)]
    journal.commit()  # the samples are kept, nothing that was said is
    assert live.said
    again = Engine(journal, SITE, EVERY_S)
    assert [output.row() for output in again.restore()] == live.said
    assert "snapshot at row 0 and 180 records after it" in again.restored


def test_a_snapshot_that_is_refused_gives_way_to_the_one_before(journal: Journal) -> None:
    live = Live(journal)
    for record in day(2):
        live.take(record)
    journal.commit()
    live.engine.snapshot(T0)
    journal.snapshot(T0, "9.9", b"not even compressed")
    again = Engine(journal, SITE, EVERY_S)
    assert again.restore() == []
    assert "version 9.9 at row" in again.restored
    assert "refused" in again.restored
    assert believed(again) == believed(live.engine)


def test_without_any_snapshot_the_last_records_are_learned_from_and_it_is_said(journal: Journal) -> None:
    live = Live(journal)
    for record in day(2):
        live.take(record)
    journal.commit()
    again = Engine(journal, SITE, EVERY_S)
    assert again.restore() == []  # what they make the core say was said before
    assert "learning begins again from the last" in again.restored
    assert believed(again)["volume_l"] == pytest.approx(believed(live.engine)["volume_l"], rel=0.05)


def test_an_empty_journal_is_a_beginning(journal: Journal) -> None:
    engine = Engine(journal, SITE, EVERY_S)
    assert engine.restore() == []
    assert engine.restored == "nothing to restore: learning begins"


def test_words_that_were_refused_and_sumps_that_are_gone_are_not_learned_from(journal: Journal) -> None:
    live = Live(journal)
    live.engine.snapshot(T0)
    before = believed(live.engine)
    word = {"time": T0, "signal": "hand_reading", "value": 4.0}
    journal.event("word", T0, "mill-1", "w1", {**word, "sump": "mill-1", "refused": "no such thing"})
    journal.event("word", T0, "mill-9", "w2", {**word, "sump": "mill-9"})
    journal.sample("mill-9", "level", T0, 1.0, 1.0, 0)
    journal.commit()
    again = Engine(journal, SITE, EVERY_S)
    again.restore()
    assert again.replayed == 0
    assert believed(again) == before


def test_a_word_that_ends_the_agent_twice_is_passed_over_and_stays(
    journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A bug in the core must not keep the agent down; a kill at the wrong moment must not cost a word."""
    live = Live(journal)
    live.engine.snapshot(T0)
    for id, value in (("w1", 4.4), ("w2", 13.0)):
        word = {"time": T0, "sump": "mill-1", "signal": "hand_reading", "value": value}
        journal.event("word", T0, "mill-1", id, word)
        journal.set_meta(HEARING, id)
    stepped: list[float] = []
    sound = core.step

    def step(state: Any, record: Record, site: Any) -> Any:
        stepped.append(float(record.value))  # type: ignore[arg-type]
        if record.value == 13.0:
            raise ZeroDivisionError
        return sound(state, record, site)

    monkeypatch.setattr(core, "step", step)
    with pytest.raises(ZeroDivisionError):
        Engine(journal, SITE, EVERY_S).restore()
    assert stepped == [4.4, 13.0]
    again = Engine(journal, SITE, EVERY_S)
    again.restore()
    assert stepped == [4.4, 13.0, 4.4]
    assert "w2 ended the agent twice" in again.restored
    again.snapshot(T0)
    last = Engine(journal, SITE, EVERY_S)
    last.restore()
    assert "twice" not in last.restored
    assert [row.id for row in journal.words_before(10**9)] == ["w1", "w2"]


def test_an_output_and_its_row_have_one_key_and_different_outputs_have_different_ones(
    journal: Journal, tmp_path: Path
) -> None:
    belief = Engine(journal, SITE, EVERY_S).belief("mill-1", T0)
    nothing = dict.fromkeys(field.name for field in fields(Finding))
    finding = Finding(**{**nothing, "id": "f1", "revision": 1, "time": T0, "sump": "mill-1", "withdrawn": False})
    nothing = dict.fromkeys(field.name for field in fields(Advice))
    advice = Advice(**{**nothing, "id": "a1", "time": T0, "sump": "mill-1", "withdrawn": False})
    outputs = [belief, finding, advice, replace(belief, sump="mill-2"), replace(belief, time=T0 + 600.0)]
    outputs += [replace(finding, revision=2), replace(finding, withdrawn=True), replace(finding, id="f2")]
    outputs += [replace(advice, time=T0 + 600.0), replace(advice, withdrawn=True), replace(advice, id="a2")]
    Live(journal).keep(outputs)
    journal.commit()
    reader = JournalReader(tmp_path / "journal.sqlite")
    kept = [key for row in reader.rows_after(0, 100) for key in keys_in(row)]
    assert sorted(kept, key=str) == sorted(map(key_of, outputs), key=str)
    assert len(set(kept)) == len(outputs)
    reader.close()
