"""Everything that is kept leaves as CSV and as records; the records, replayed, find what was found."""

from __future__ import annotations

import csv
import json
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from agent.export import TABLES, inert
from agent.io.chain import CHAINED
from agent.io.journal import JournalReader
from tests.upkeep.shop import PASSWORD, call, readings


@pytest.fixture(scope="module")
def tables(filled: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("tables")
    assert call("export", filled / "site.toml", "--csv", out) == 0
    return out


@pytest.fixture(scope="module")
def records(filled: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("records") / "all.jsonl"
    assert call("export", filled / "site.toml", "--records", path) == 0
    return path


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def found(folder: Path) -> list[dict[str, Any]]:
    with closing(JournalReader(folder / "state/journal.sqlite")) as reader:
        return [row.data() for row in reader.events("finding", limit=10_000)]


def test_the_records_are_what_the_core_was_given_in_its_order(records: Path) -> None:
    told = [json.loads(line) for line in records.read_text().splitlines()]
    wanted = [(r.time, r.sump, r.signal, r.value) for r in readings()]
    assert [(t["time"], t["sump"], t["signal"], t.get("value")) for t in told] == wanted


def test_replayed_they_give_the_same_findings(
    filled: Path, records: Path, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    assert call("replay", filled / "site.toml", records) == 0
    said = [json.loads(line) for line in capfdbinary.readouterr().out.splitlines()]
    kept = found(filled)
    assert len(kept) >= 2 and {"top_off"} <= {one["kind"] for one in kept}
    assert [one for one in said if one["type"] == "finding"][: len(kept)] == kept


def test_every_sample_and_row_is_in_a_table(tables: Path, filled: Path) -> None:
    sensed = [r for r in readings() if r.signal in ("level", "running")]
    samples = rows(tables / "samples.csv")
    assert [(float(s["time"]), s["signal"], float(s["raw"])) for s in samples] == [
        (r.time, r.signal, r.value) for r in sensed
    ]
    with closing(JournalReader(filled / "state/journal.sqlite")) as reader:
        for kind, (name, _) in TABLES.items():
            assert len(rows(tables / name)) == sum(row.kind == kind for row in reader.rows_after(0, 100_000)), kind
    assert [w["person"] for w in rows(tables / "inbox.csv")] == ["Ana"]


def test_no_kind_of_row_is_without_a_table() -> None:
    assert set(TABLES) == {*CHAINED, "belief"}


def test_times_stand_as_numbers_and_as_dates(tables: Path) -> None:
    first = rows(tables / "samples.csv")[0]
    assert (float(first["time"]), first["utc"]) == (1_750_024_800.0, "2025-06-15T22:00:00.000Z")


def test_text_that_a_spreadsheet_would_run_is_inert(tables: Path) -> None:
    assert "'=1+1" in {word["note"] for word in rows(tables / "words.csv")}
    assert [inert(cell) for cell in ("@x", "-1", -1.0, "plain", None, {"a": "="})] == [
        "'@x", "'-1", -1.0, "plain", None, '{"a": "="}',
    ]  # fmt: skip


def test_nobody_s_secret_leaves(tables: Path) -> None:
    assert rows(tables / "people.csv")[0]["name"] == "Ana"
    for path in tables.iterdir():
        assert PASSWORD not in path.read_text() and "argon2" not in path.read_text()


def test_a_call_without_a_target_is_refused(filled: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("export", filled / "site.toml") == 2
    assert "--records" in capsys.readouterr().err


def test_without_a_journal_it_says_so(tmp_path: Path, filled: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("export", filled / "site.toml", "--csv", tmp_path / "out", "--state-dir", tmp_path) == 1
    assert "journal.sqlite" in capsys.readouterr().err
