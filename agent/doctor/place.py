"""What is looked at, and what a look comes to."""

from __future__ import annotations

import json
import os
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from agent.errors import SiteFault
from agent.folders import Folders
from agent.io.live import FILE_NAME as LIVE_NAME
from agent.site import Agent, Site, load_site

OK, WARN, FAIL, SKIP = "ok", "warn", "fail", "skip"
LIVE_OLD_S = 10.0  # the live file is written once a second


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one check found. `state`: ok, warn, fail, or skip where there is nothing to look at; `todo`: what to do."""

    state: str
    text: str
    todo: str = ""


def ok(text: str) -> Verdict:
    return Verdict(OK, text)


def warn(text: str, todo: str) -> Verdict:
    return Verdict(WARN, text, todo)


def fail(text: str, todo: str) -> Verdict:
    return Verdict(FAIL, text, todo)


def skip(text: str) -> Verdict:
    return Verdict(SKIP, text)


@dataclass(frozen=True, slots=True)
class Place:
    """A site on a machine. `site` is None where its file is at fault; `root`: the machine's own files are below it."""

    site_path: Path
    site: Site | None
    folders: Folders
    root: Path = Path("/")
    now: float = field(default_factory=time.time)  # epoch s

    @classmethod
    def of(
        cls,
        site_path: Path,
        state_dir: str | None = None,
        inbox_dir: str | None = None,
        runtime_dir: str | None = None,
        root: Path = Path("/"),
    ) -> Place:
        """The folders are the site's own unless given; a faulty site file has the usual ones."""
        try:
            site = load_site(site_path)
        except SiteFault:
            usual = Agent()
            state, words, runtime = usual.state_dir, usual.inbox_dir, usual.runtime_dir
            folders = Folders(Path(state_dir or state), Path(inbox_dir or words), Path(runtime_dir or runtime))
            return cls(site_path, None, folders, root)
        return cls(site_path, site, Folders.of(site, state_dir, inbox_dir, runtime_dir), root)

    def file(self, path: str) -> Path:
        """One of the machine's own files, by its usual absolute path."""
        return self.root / path.lstrip("/")

    def word(self, path: str) -> str | None:
        """What such a file says, stripped; None where there is none."""
        try:
            return self.file(path).read_text("utf-8", "replace").strip()
        except OSError:
            return None

    @property
    def is_here(self) -> bool:
        """Whether programs of this machine may be asked, too."""
        return self.root == Path("/")

    def live(self) -> dict[str, Any] | None:
        """The live file, None where there is none or it is no JSON."""
        try:
            found = json.loads((self.folders.runtime / LIVE_NAME).read_bytes())
        except (OSError, ValueError):
            return None
        return found if isinstance(found, dict) else None

    def live_age_s(self) -> float | None:
        """Seconds since the live file was written, by the file's own date: a simulated site has another clock."""
        try:
            return max(0.0, self.now - os.stat(self.folders.runtime / LIVE_NAME).st_mtime)
        except OSError:
            return None
