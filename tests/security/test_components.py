"""What a Pi installs is no older than the time frames in DEVELOPERS.md allow, on the day of the newest commit."""

from __future__ import annotations

import re
import subprocess
import tomllib
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from packaging.utils import canonicalize_name
from packaging.version import Version

from tests.test_lock import LOCK, pins

ROOT = Path(__file__).resolve().parents[2]
FRAME = re.compile(r"^\| (critical|high|medium|low|any library) \|.*\| (\d+) days \|$", re.MULTILINE)
MADE = re.compile(r"^# Newest versions that fit, of (\d{4}-\d\d-\d\d)\.$", re.MULTILINE)
Holes = list[dict[str, Any]]


def frames() -> dict[str, timedelta]:
    """Days until a hole is to be closed, by severity; "any library": until all are looked at anew."""
    found = {name: timedelta(days=int(days)) for name, days in FRAME.findall((ROOT / "DEVELOPERS.md").read_text())}
    assert list(found) == ["critical", "high", "medium", "low", "any library"]
    assert list(found.values()) == sorted(found.values())
    return found


def day_of_the_code() -> date:
    """Of the newest commit, so that what passed once passes in a year; without a history the lock's own."""
    told = subprocess.run(["git", "log", "-1", "--format=%ct"], cwd=ROOT, capture_output=True, text=True)
    return datetime.fromtimestamp(int(told.stdout), UTC).date() if told.returncode == 0 else made(LOCK.read_text())


def made(lock: str) -> date:
    (day,) = MADE.findall(lock)
    return date.fromisoformat(day)


def holes() -> Holes:
    found: Holes = tomllib.loads((ROOT / "systemd/known-holes.toml").read_text())["hole"]
    return found


def overdue(lock: str, known: Holes, today: date) -> list[str]:
    """Every breach of the time frames by this lock on that day."""
    allowed = frames()
    found = [f"made {made(lock)}: run systemd/lock"] if today - made(lock) > allowed["any library"] else []
    for pin in pins(lock):
        for hole in known:
            same = canonicalize_name(pin.wanted.name) == canonicalize_name(hole["package"])
            late = today - hole["known"] > allowed[hole["severity"]]
            if same and late and Version(pin.version) < Version(hole["fixed"]):
                found.append(f"{hole['id']}: {hole['package']} {pin.version}, closed in {hole['fixed']}")
    return found


def test_no_component_is_older_than_the_time_frames_allow() -> None:
    assert overdue(LOCK.read_text(), holes(), day_of_the_code()) == []


def test_what_is_known_of_the_packages_is_of_packages_that_are_there() -> None:
    there = {canonicalize_name(pin.wanted.name) for pin in pins(LOCK.read_text())}
    assert {canonicalize_name(hole["package"]) for hole in holes()} <= there
    assert all(hole["severity"] in frames() for hole in holes())


@pytest.mark.parametrize(
    ("line", "days", "breaches"),
    [
        ("h11==0.14.0", 0, 0),
        ("h11==0.14.0", 7, 0),
        ("h11==0.14.0", 8, 1),
        ("h11==0.16.0", 8, 0),
        ("h11==0.16.0", 90, 0),
        ("h11==0.16.0", 91, 1),
    ],
)
def test_an_old_lock_and_an_open_hole_would_be_seen(line: str, days: int, breaches: int) -> None:
    hole = {"package": "h11", "fixed": "0.16.0", "known": date(2025, 4, 24), "severity": "critical", "id": "x"}
    lock = f"# Newest versions that fit, of 2025-04-24.\n{line}\n"
    assert len(overdue(lock, [hole], date(2025, 4, 24) + timedelta(days=days))) == breaches
