"""The journal that the demo opens with: a fortnight as the agent itself would have kept it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from agent.engine import Engine
from agent.io.journal import Journal, JournalReader
from agent.io.simulated import calendar, history
from agent.io.simulated.plant import Plant, new_plant
from agent.io.simulated.prefill import prefill
from agent.site import load_site

SITE = Path(history.__file__).parent / "harrow-lane.toml"
OPENING = calendar.opening(1_790_000_000.0)


@dataclass
class Kept:
    plant: Plant
    folder: Path
    reader: JournalReader


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kept]:
    folder = tmp_path_factory.mktemp("past")
    plant = new_plant(history.beginning(OPENING), 1)
    with (folder / "history.jsonl").open("w") as out:
        out.writelines(json.dumps(record) + "\n" for record in history.live_through(plant, OPENING))
    assert prefill(SITE, folder / "history.jsonl", folder, OPENING, lambda: False)
    reader = JournalReader(folder / "journal.sqlite")
    yield Kept(plant, folder, reader)
    reader.close()


def test_what_was_said_and_found_is_chained(kept: Kept) -> None:
    report = kept.reader.verify_chain()
    assert report.ok and report.rows > 50, report.text


def test_the_fortnight_is_there_for_the_graphs(kept: Kept) -> None:
    begin = history.beginning(OPENING)
    for sump in kept.plant.conditions:
        beliefs = kept.reader.beliefs(sump, begin, OPENING)
        steps = kept.reader.trace(sump, "level", begin, OPENING, 3600)
        assert len(beliefs) > 14 * 24 and len(steps) > 13 * 24
        assert beliefs[0]["time"] - begin < 7200.0 and OPENING - beliefs[-1]["time"] < 7200.0


def test_every_sample_says_that_it_is_simulated(kept: Kept) -> None:
    samples = kept.reader.samples("mill-2", "level", OPENING - 7200.0, OPENING)
    assert len(samples) > 50 and all(sample.simulated for sample in samples)


def test_the_agent_takes_up_where_it_ends(kept: Kept, tmp_path: Path) -> None:
    copy = tmp_path / "journal.sqlite"
    copy.write_bytes((kept.folder / "journal.sqlite").read_bytes())
    journal = Journal.open(copy)
    site = load_site(SITE)
    engine = Engine(journal, site.spec(), site.agent.belief_every_s)
    engine.restore(OPENING)
    assert engine.replayed == 0, engine.restored
    for sump, now in kept.plant.conditions.items():
        belief = engine.belief(sump, OPENING)
        assert abs(belief.volume_l - now.volume_l) < 4.0 * belief.volume_sd + 2.0
        assert abs(belief.strength_pct - now.strength_pct) < 4.0 * belief.strength_sd
    journal.close()


def test_the_demo_opens_with_something_to_do_and_something_to_review(kept: Kept) -> None:
    standing = {(one["sump"], one["state"]): one["advice"]["kind"] for one in kept.reader.open_instructions()}
    assert standing[("lathe-1", "approved")] == "top_off"
    assert standing[("mill-1", "posted")] == "strengthen"


def test_giving_up_leaves_a_file_that_can_be_read(tmp_path: Path, kept: Kept) -> None:
    parts = iter([False, False, True])
    assert not prefill(SITE, kept.folder / "history.jsonl", tmp_path, OPENING, lambda: next(parts))
    reader = JournalReader(tmp_path / "journal.sqlite")
    assert reader.verify_chain().ok and reader.last_seq() > 0
    reader.close()
