"""The support bundle: what somebody needs who is to help, and nothing that opens a door or names what was read.

Every text goes through `Redactor` before it is packed: contents of the secret files, hashes, set-up codes, passwords
in addresses. Values of the site file go in only where their key is known to be harmless.
"""

from __future__ import annotations

import io
import json
import os
import platform
import re
import subprocess
import tarfile
import time
import tomllib
from collections.abc import Iterator
from contextlib import closing
from importlib.metadata import distributions
from pathlib import Path
from typing import Any

from agent.doctor.examine import as_text, examine
from agent.doctor.place import Place
from agent.folders import PEOPLE_NAME, secret_files
from agent.io import journal
from agent.io.database import ReadOnlyDatabase
from agent.io.journal import JournalReader

LOG_LINES = 2_000
AGENT_ROWS = 500
HIDDEN = "[hidden]"
UNITS = ("sumpside-agent", "sumpside-dashboards", "sumpside-backup")
MACHINE_FILES = ("/etc/os-release", "/proc/meminfo", "/proc/loadavg", "/proc/mounts", "/proc/cpuinfo", "/proc/swaps")
# A value of these keys may be a secret itself, or hold one: alert addresses do.
KEY_OF_SECRET = re.compile(r"(?i)pass|secret|token|pin$|key|credential|url|uri|address(?!$)|webhook|notify")
SHAPES = (
    re.compile(r"\$argon2\w*\$[^\s\"']+"),
    re.compile(r"\b[A-HJ-NP-Z2-9]{5}-[A-HJ-NP-Z2-9]{5}\b"),  # a set-up code
    re.compile(r"(?<=://)[^/\s\"']+(?=@)"),  # user and password in an address
    re.compile(r"(?i)(?<=authorization: )[^\r\n]+"),
    re.compile(r"(?i)(?:token|password|passwd|secret|pin)[\"']?\s*[=:]\s*[\"']?[^\s,;\"'&]+"),
    re.compile(r"(?i)\b(?:bearer|basic)\s+[A-Za-z0-9._~+/=-]{8,}"),
)


class Redactor:
    """Hides what is known to be secret, and what looks like it."""

    def __init__(self, secrets: list[str]) -> None:
        self._secrets = sorted({text for text in secrets if len(text) >= 4}, key=len, reverse=True)

    def __call__(self, text: str) -> str:
        """The text without them."""
        for secret in self._secrets:
            text = text.replace(secret, HIDDEN)
        for shape in SHAPES:
            text = shape.sub(HIDDEN, text)
        return text


def pack(place: Place, target: Path) -> list[str]:
    """Write the bundle, for its owner's eyes; gives the names in it. Raises OSError."""
    hide = Redactor(_known_secrets(place))
    texts = {name: hide(text) for name, text in _texts(place)}
    descriptor = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "wb") as raw, tarfile.open(fileobj=raw, mode="w:gz") as tar:
        for name, text in texts.items():
            body = text.encode("utf-8", "replace")
            info = tarfile.TarInfo(f"sumpside-bundle/{name}")
            info.size, info.mtime, info.mode = len(body), int(time.time()), 0o600
            tar.addfile(info, io.BytesIO(body))
    return list(texts)


def _known_secrets(place: Place) -> list[str]:
    found: list[str] = []
    try:
        files = secret_files(place.site_path)
    except (OSError, ValueError):
        return found  # it is left out, too
    for path in files.values():
        if path.is_file() and os.access(path, os.R_OK):
            found += [line.strip() for line in path.read_text("utf-8", "replace").splitlines()]
    return found


def _texts(place: Place) -> Iterator[tuple[str, str]]:
    yield "doctor.txt", as_text(examine(place))
    yield "site.json", _site(place.site_path)
    yield "versions.txt", _versions()
    yield "machine.txt", "\n".join(f"== {name}\n{place.word(name) or '-'}" for name in MACHINE_FILES)
    yield "live.json", json.dumps((place.live() or {}).get("agent"), indent=1, ensure_ascii=False)
    yield "journal.txt", _about_journal(place)
    if place.is_here:
        for unit in UNITS:
            yield f"{unit}.txt", _said("systemctl", "--no-pager", "status", unit) + _said("systemctl", "cat", unit)
            yield f"{unit}.log", _said("journalctl", "--no-pager", f"--lines={LOG_LINES}", f"--unit={unit}")
        yield "ports.txt", _said("ls", "-l", "/dev/serial/by-id", "/dev/sumpside", "/dev")


def _harmless(value: Any, key: str = "") -> Any:
    """A site file's values; hidden, whole, where the key may stand for a secret."""
    if _may_be_secret(key):
        return HIDDEN
    if isinstance(value, dict):
        return {name: _harmless(part, name) for name, part in value.items()}
    return [_harmless(part) for part in value] if isinstance(value, list) else value


def _site(path: Path) -> str:
    """As JSON, since comments may hold anything."""
    try:
        raw = tomllib.loads(path.read_text("utf-8"))
    except (OSError, ValueError) as why:
        return f"left out, for it cannot be read: {why}"
    return json.dumps(_harmless(raw), indent=1, ensure_ascii=False, default=str)


def _may_be_secret(key: str) -> bool:
    """`password_file` is where a secret is, not what it is."""
    return KEY_OF_SECRET.search(key) is not None and not key.endswith("_file")


def _versions() -> str:
    packages = sorted({f"{d.metadata['Name']} {d.version}" for d in distributions()})
    return "\n".join([f"{platform.platform()} Python {platform.python_version()}", *packages])


def _about_journal(place: Place) -> str:
    """How much of what there is, and what the agent noted of itself. No readings, nobody's words."""
    path = place.folders.state / journal.FILE_NAME
    if not path.exists():
        return "no journal"
    with closing(ReadOnlyDatabase(path)) as db, closing(JournalReader(path)) as reader:
        counts = db.rows("SELECT kind, count(*), min(time), max(time) FROM log GROUP BY kind ORDER BY kind")
        shape = db.rows("PRAGMA user_version")[0][0]
        marks = db.rows("SELECT name, seq FROM bookmark ORDER BY name")
        dead = [(one["time"], one["sink"], one["reason"]) for one in reader.dead_letters()[-50:]]
        notes: list[Any] = [{"time": row.time, **row.data()} for row in reader.events("agent", limit=AGENT_ROWS)]
    lines = [f"shape {shape}, {path.stat().st_size} bytes", *(f"{row}" for row in counts), f"bookmarks {marks}"]
    lines += [f"dead letter {one}" for one in dead]
    people = place.folders.inbox / PEOPLE_NAME
    lines.append(f"people file: {'there' if people.exists() else 'none'}")
    return "\n".join([*lines, *(json.dumps(note, ensure_ascii=False) for note in notes)])


def _said(*command: str) -> str:
    """What a program of this machine says, with its complaints."""
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=30, errors="replace")
    except (OSError, subprocess.TimeoutExpired) as why:
        return f"{command[0]}: {why}\n"
    return done.stdout + done.stderr
