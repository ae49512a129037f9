"""The systemd units: accepted whole, hardened to the figures promised, each process shut out of the other's files."""

from __future__ import annotations

import configparser
import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

UNITS = Path(__file__).resolve().parent.parent / "systemd"
NAMES = ("sumpside-agent.service", "sumpside-dashboards.service")
BACKUP = ("sumpside-backup.service", "sumpside-backup.timer")
EXPOSURE_AT_MOST = {
    "sumpside-agent.service": 15,
    "sumpside-dashboards.service": 12,
    "sumpside-backup.service": 15,
}  # tenths

# Runs as root until its imports are done, then as the user given: uid, folder, mode of the files it makes.
AS_USER = """
import os, sys
uid, group, folder, umask = int(sys.argv[1]), int(sys.argv[2]), sys.argv[3], int(sys.argv[4], 8)
import sqlite3
os.setgroups([group]); os.setresgid(uid, uid, uid); os.setresuid(uid, uid, uid); os.umask(umask)
os.chdir(folder)
"""
WRITE_UNTIL_TOLD = (
    AS_USER
    + """
book = sqlite3.connect("journal.sqlite", isolation_level=None)
book.execute("PRAGMA journal_mode=WAL"); book.execute("CREATE TABLE log (seq INTEGER PRIMARY KEY)")
book.execute("INSERT INTO log VALUES (7)")
open("live.json", "w").write("{}")
print("ready", flush=True); sys.stdin.read()
"""
)
READ_AND_TRY_TO_WRITE = (
    AS_USER
    + """
def refused(deed):
    try:
        deed()
    except (PermissionError, sqlite3.OperationalError):
        return True
    return False
book = sqlite3.connect("file:journal.sqlite?mode=ro", uri=True)
print(book.execute("SELECT seq FROM log").fetchone()[0], open("live.json").read())
writer = sqlite3.connect("journal.sqlite")
print(refused(lambda: writer.execute("INSERT INTO log VALUES (8)")), refused(lambda: open("live.json", "w")),
      refused(lambda: open("journal.sqlite-wal", "r+b")), refused(lambda: open("new", "w")))
"""
)


def analyze(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["systemd-analyze", *arguments], capture_output=True, text=True, timeout=60)


def settings(name: str) -> dict[str, str]:
    """The [Service] keys of a unit that are given once."""
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.optionxform = str  # type: ignore[assignment, method-assign]
    unit.read(UNITS / name)
    return dict(unit["Service"])


@pytest.fixture
def copies(tmp_path: Path) -> Path:
    """The units with a program that is really there, since `verify` looks for it."""
    program = Path(sys.executable).with_name("sumpside")
    for name in (*NAMES, *BACKUP):
        text = (UNITS / name).read_text().replace("/opt/sumpside/current/bin/sumpside", str(program))
        (tmp_path / name).write_text(text)
    return tmp_path


def verify(folder: Path) -> subprocess.CompletedProcess[str]:
    return analyze("verify", "--recursive-errors=yes", "--man=no", *(str(folder / name) for name in (*NAMES, *BACKUP)))


def test_systemd_accepts_all_units_without_a_word(copies: Path) -> None:
    done = verify(copies)
    assert (done.returncode, done.stdout + done.stderr) == (0, "")


def test_a_misspelt_key_would_be_seen(copies: Path) -> None:
    unit = copies / NAMES[0]
    unit.write_text(unit.read_text().replace("WatchdogSec", "WatchdogSeconds"))
    assert verify(copies).returncode != 0


@pytest.mark.parametrize("name", EXPOSURE_AT_MOST)
def test_exposure_is_within_its_bound(name: str) -> None:
    done = analyze("security", "--offline=yes", f"--threshold={EXPOSURE_AT_MOST[name]}", str(UNITS / name))
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize("name", EXPOSURE_AT_MOST)
def test_exposure_rises_over_its_bound_when_hardening_is_taken_away(tmp_path: Path, name: str) -> None:
    weaker = re.sub(
        r"(?m)^(SystemCallFilter|CapabilityBoundingSet|RestrictNamespaces)=.*\n", "", (UNITS / name).read_text()
    )
    (tmp_path / name).write_text(weaker)
    done = analyze("security", "--offline=yes", f"--threshold={EXPOSURE_AT_MOST[name]}", str(tmp_path / name))
    assert done.returncode != 0


@pytest.mark.parametrize("name", NAMES)
def test_systemd_is_told_when_it_is_ready_and_watches_it(name: str) -> None:
    unit = settings(name)
    assert unit["Type"] == "notify" and int(unit["WatchdogSec"]) > 0 and unit["Restart"] == "always"


def test_the_two_processes_are_two_users_and_both_are_declared() -> None:
    users = {settings(name)["User"] for name in NAMES}
    declared = re.findall(r"^u\s+(\S+)", (UNITS / "sumpside.conf").read_text(), re.MULTILINE)
    assert len(users) == 2 and users == set(declared)


def test_nothing_of_a_shop_is_written_before_somebody_has_described_it() -> None:
    for name in (*NAMES, BACKUP[0]):
        assert "ConditionPathExists=/etc/sumpside/site.toml" in (UNITS / name).read_text()


def test_the_users_can_be_made_from_the_file(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    done = subprocess.run(
        ["systemd-sysusers", f"--root={tmp_path}", str(UNITS / "sumpside.conf")],
        capture_output=True,
        text=True,
        timeout=60,
    )
    made = (tmp_path / "etc/passwd").read_text() if done.returncode == 0 else done.stderr
    assert {line.split(":")[0] for line in made.splitlines()} >= {settings(name)["User"] for name in NAMES}


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can play two users")
def test_the_dashboards_user_reads_what_the_agent_writes_and_can_change_none_of_it() -> None:
    agent, dashboards = settings(NAMES[0]), settings(NAMES[1])
    assert agent["Group"] in dashboards["SupplementaryGroups"].split()
    agent_id, dashboards_id = 64001, 64002
    folder = Path(tempfile.mkdtemp(prefix="sumpside-users-"))  # pytest's own folders let no second user in
    try:
        os.chown(folder, agent_id, agent_id)
        folder.chmod(int(agent["StateDirectoryMode"], 8))
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITE_UNTIL_TOLD, str(agent_id), str(agent_id), str(folder), agent["UMask"]],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert writer.stdout is not None and writer.stdout.readline() == "ready\n"
        reader = subprocess.run(
            [
                sys.executable,
                "-c",
                READ_AND_TRY_TO_WRITE,
                str(dashboards_id),
                str(agent_id),
                str(folder),
                dashboards["UMask"],
            ],
            capture_output=True,
            text=True,
            timeout=60,
        )
        writer.communicate(timeout=60)
        assert reader.stdout.splitlines() == ["7 {}", "True True True True"], reader.stderr
    finally:
        shutil.rmtree(folder)
