"""Whole plants through replay: what was written up to a time hangs on nothing later, and a restart leaves no mark."""

from __future__ import annotations

import json
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest

from agent import replay
from agent.core.spec import SiteSpec
from agent.core.step import dump, finish, load, start, step
from agent.site import load_site
from tests.plants.__main__ import KINDS, make
from tests.replay.small import seed_here, written

DAYS, SUMPS, CUTS = 4, 2, 3


@pytest.fixture(scope="module", params=KINDS)
def plant(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[SiteSpec, list[bytes]]:
    """A few sumps of each plant over some days, from a seed of this run's own."""
    seed = seed_here()
    print(f"{request.param} seed {seed}")
    folder: Path = tmp_path_factory.mktemp(request.param)
    make(request.param, seed, SUMPS, DAYS, folder)
    records = (folder / "records.jsonl").read_bytes().splitlines(keepends=True)
    return load_site(folder / "site.toml").spec(), records


@pytest.fixture(scope="module")
def whole(plant: tuple[SiteSpec, list[bytes]]) -> list[bytes]:
    return replayed(*plant)


def replayed(site: SiteSpec, records: list[bytes], every_s: float = 3600.0) -> list[bytes]:
    """What replay writes to these lines, line by line."""
    out = BytesIO()
    replay.replay(site, BytesIO(b"".join(records)), out, refuse, every_s, at_once=False)
    return out.getvalue().splitlines()


def refuse(number: int, reason: str) -> None:
    raise AssertionError(f"line {number}: {reason}")


def time_of(line: bytes) -> float:
    return float(json.loads(line)["time"])


def test_cutting_the_records_changes_nothing_that_was_written_before(plant, whole):
    site, records = plant
    rng = np.random.default_rng(seed_here())
    times = np.array([time_of(line) for line in records])
    for k in range(CUTS):
        cut = float(rng.uniform(times[0], times[-1]))
        if k == 0:
            cut = cut // 3600.0 * 3600.0  # on a belief's own time
        part = replayed(site, [line for line, t in zip(records, times, strict=True) if t <= cut])
        assert part == whole[: len(part)], cut
        assert max(map(time_of, part), default=0.0) <= cut
        heard = float(times[times <= cut].max())  # the rest of a gap waits for its next record
        assert all(time_of(line) >= heard for line in whole[len(part) :]), "nothing from before the cut is missing"


def test_the_same_records_give_the_same_bytes_and_other_intervals_the_same_findings(plant, whole):
    site, records = plant
    assert replayed(site, records) == whole
    often = replayed(site, records, 1200.0)
    hourly = [line for line in often if b'"type":"belief"' not in line or time_of(line) % 3600.0 == 0.0]
    assert hourly == whole


def test_every_sump_has_a_belief_at_every_multiple_and_never_without_its_figures(plant, whole):
    site, records = plant
    beliefs = [row for row in map(json.loads, whole) if row["type"] == "belief"]
    first, last = time_of(records[0]), time_of(records[-1])
    due = np.arange(np.ceil(first / 3600.0) * 3600.0, last + 1e-6, 3600.0)
    for sump in site.sumps:
        mine = [row for row in beliefs if row["sump"] == sump]
        assert [row["time"] for row in mine] == due.tolist()
        for row in mine:
            figures = [row[k] for k in row if k.startswith(("volume_", "strength_"))]
            assert None not in figures and np.isfinite(figures).all()
            assert 0.0 <= row["strength_p05"] < row["strength_p95"] and row["volume_sd"] > 0.0


def test_findings_come_in_order_of_revision_and_never_before_what_they_tell_of(whole):
    revisions: dict[str, int] = {}
    for row in map(json.loads, whole):
        if row["type"] == "finding":
            assert row["revision"] == revisions.get(row["id"], -1) + 1
            assert row["start"] <= row["time"] and (row["end"] is None or row["start"] <= row["end"] <= row["time"])
            revisions[row["id"]] = row["revision"]


def test_a_restart_at_any_record_leaves_no_mark(plant, whole):
    """Kept and taken up again at records drawn anew: the same bytes as an unbroken run."""
    site, lines = plant
    records = list(replay.good_records(BytesIO(b"".join(lines)), site, refuse, replay.Tally()))
    breaks = set(np.random.default_rng(seed_here()).integers(0, len(records), 4).tolist())
    print(f"restarts at records {sorted(breaks)}")
    state, said = start(site), []
    for k, record in enumerate(records):
        if k in breaks:
            state = load(dump(state), site, now=record.time)
        state, outputs = step(state, record, site)
        said += outputs
    assert written(said + finish(state, site)) == whole
