"""Running checks and telling what they found, for people and for programs."""

from __future__ import annotations

import json
import sqlite3
import subprocess
from collections.abc import Iterable
from dataclasses import asdict, dataclass

from agent.doctor.checks import CHECKS
from agent.doctor.place import FAIL, OK, SKIP, WARN, Place, Verdict, fail
from agent.errors import SumpsideError

SIGNS = {OK: "ok  ", WARN: "look", FAIL: "FAIL", SKIP: " -  "}
OUTSIDE = (OSError, sqlite3.Error, subprocess.SubprocessError, SumpsideError, ValueError, KeyError, TypeError)


@dataclass(frozen=True, slots=True)
class Found:
    """A check by name with its verdict."""

    check: str
    verdict: Verdict


def examine(place: Place, names: Iterable[str] = tuple(CHECKS)) -> list[Found]:
    """Every check, whatever the others found. One that stumbles over the world fails and says over what."""
    return [Found(name, _look(name, place)) for name in names]


def _look(name: str, place: Place) -> Verdict:
    try:
        return CHECKS[name](place)
    except OUTSIDE as why:
        words = " ".join(f"{type(why).__name__}: {why}".split())
        return fail(f"could not be looked at: {words}", "put that right, or run this as root")


def has_failed(found: Iterable[Found]) -> bool:
    """Whether anything is wrong; what only deserves a look does not count."""
    return any(one.verdict.state == FAIL for one in found)


def as_text(found: list[Found]) -> str:
    """A line a check, what to do below it, and a count."""
    width = max((len(one.check) for one in found), default=0)
    lines: list[str] = []
    for one in found:
        lines.append(f"{SIGNS[one.verdict.state]}  {one.check:<{width}}  {one.verdict.text}")
        if one.verdict.todo:
            lines.append(f"{'':<{width + 6}}  → {one.verdict.todo}")
    counts = {state: sum(one.verdict.state == state for one in found) for state in SIGNS}
    total = f"{counts[OK]} well, {counts[WARN]} deserve a look, {counts[FAIL]} wrong, {counts[SKIP]} not there to check"
    return "\n".join([*lines, total])


def as_json(found: list[Found]) -> str:
    """{"failed": n, "checks": [{"check", "state", "text", "todo"}]}."""
    checks = [{"check": one.check, **asdict(one.verdict)} for one in found]
    failed = sum(one.verdict.state == FAIL for one in found)
    return json.dumps({"failed": failed, "checks": checks}, ensure_ascii=False, indent=1)
