"""`sumpside journal verify`: whoever asks is told the first row that does not follow, and where there is none, that."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from agent.io.journal import FILE_NAME, Journal, JournalReader
from tests.contract.test_site_file import SOUND

T0 = 1_790_000_000.0
SWAP = "UPDATE log SET seq = CASE seq WHEN 3 THEN -4 ELSE -3 END WHERE seq IN (3, 4)"
UNSWAP = "UPDATE log SET seq = -seq WHERE seq < 0"


def verify(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "agent", "journal", "verify", *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=60)


def spoil(path: Path, *commands: str) -> None:
    db = sqlite3.connect(path)
    with db:
        for sql in commands:
            assert db.execute(sql).rowcount >= 1, f"nothing was spoilt by {sql}"
    db.close()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A journal of six decisions, samples and beliefs between them."""
    path = tmp_path / FILE_NAME
    journal = Journal.open(path, boot=1)
    for i in range(6):
        journal.sample("mill-2", "level", T0 + i, 100.0, 200.0, 0)
        journal.event("review", T0 + i, "mill-2", f"a{i}", {"advice": f"a{i}", "event": "post", "to": "posted"})
    journal.close()
    return path


def test_a_sound_journal_is_one_line_and_exit_0(path: Path) -> None:
    done = verify("--journal", str(path))
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == f"{path}: 6 rows, each follows from the one before\n"


def test_the_site_file_says_where_it_is(path: Path, tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    site.write_text(SOUND + f'\n[agent]\nstate_dir = "{path.parent}"\n')
    assert verify(str(site)).returncode == 0
    assert verify(str(site), "--state-dir", str(path.parent)).returncode == 0
    elsewhere = verify(str(site), "--state-dir", str(tmp_path / "none"))
    assert (elsewhere.returncode, elsewhere.stdout) == (2, "")


@pytest.mark.parametrize(
    ("commands", "told"),
    [
        (("UPDATE log SET body = CAST(replace(body, 'a2', 'b2') AS BLOB) WHERE seq = 6",), "row 6 (review)"),
        (("UPDATE log SET time = time + 0.001 WHERE seq = 6",), "row 6 (review)"),
        (("DELETE FROM log WHERE seq = 6",), "row 8 (review) does not follow from row 4 (review)"),
        (("DELETE FROM log WHERE seq = 12",), "the chain ends with row 10 (review) after 5 rows, 6 were written"),
    ],
    ids=["body", "time", "removed", "removed at the end"],
)
def test_the_first_row_in_doubt_is_named(path: Path, commands: tuple[str, ...], told: str) -> None:
    spoil(path, *commands)
    done = verify("--journal", str(path))
    assert (done.returncode, done.stdout) == (1, "")
    assert told in done.stderr and len(done.stderr.splitlines()) == 1


def test_two_rows_that_changed_places_are_found(tmp_path: Path) -> None:
    path = tmp_path / FILE_NAME
    journal = Journal.open(path, boot=1)
    for i in range(5):
        journal.event("word", T0, "mill-2", f"w{i}", {"value": i})
    journal.close()
    spoil(path, SWAP, UNSWAP)
    done = verify("--journal", str(path))
    assert done.returncode == 1
    assert "row 3 (word) does not follow from row 2 (word)" in done.stderr


@pytest.mark.parametrize("words", [(), ("site.toml", "--journal", "x")], ids=["nothing", "both"])
def test_a_wrong_call_is_refused(words: tuple[str, ...]) -> None:
    done = verify(*words)
    assert (done.returncode, done.stdout) == (2, "")
    assert len(done.stderr.splitlines()) == 1


def test_what_is_no_journal_is_said(tmp_path: Path) -> None:
    (tmp_path / "text").write_text("no database at all, though it is long enough to be looked at" * 20)
    for name in ("text", "none"):
        done = verify("--journal", str(tmp_path / name))
        assert (done.returncode, done.stdout) == (2, "")
        assert len(done.stderr.splitlines()) == 1


def test_a_journal_that_is_being_written_is_no_broken_one(path: Path) -> None:
    """Rows that come while the walk is under way belong to the next walk."""
    ended = threading.Event()

    def write() -> None:
        journal = Journal.open(path, boot=2)
        number = 0
        while not ended.is_set():
            number += 1
            journal.event("word", T0 + number, "mill-2", f"w{number}", {"value": number})
        journal.close()

    writer = threading.Thread(target=write)
    writer.start()
    reader = JournalReader(path)
    try:
        reports = [reader.verify_chain()]
        while len(reports) < 40 or reports[-1].rows == reports[0].rows:  # until the writer has come to write
            reports.append(reader.verify_chain())
    finally:
        ended.set()
        writer.join(10.0)
        reader.close()
    assert [report.text for report in reports if not report.ok] == []
    assert reports[-1].rows > 6
