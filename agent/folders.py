"""Where a site's files are, for the commands that look after them."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from agent.site import Site

PEOPLE_NAME = "people.sqlite"  # the dashboards' own; looked at here, never written
SECRET_KEYS = ("password_file", "token_file", "secret_file", "key_file", "urls_file")
AS_INSTALLED = Path("/etc/sumpside/site.toml")


@dataclass(frozen=True, slots=True)
class Folders:
    """Three folders, each with one writer: the agent's state, the dashboards' inbox, the agent's live file."""

    state: Path
    inbox: Path
    runtime: Path

    @classmethod
    def of(
        cls, site: Site, state_dir: str | None = None, inbox_dir: str | None = None, runtime_dir: str | None = None
    ) -> Folders:
        """The site's own, or those given instead."""
        kept = site.agent
        return cls(
            Path(state_dir) if state_dir else site.resolve(kept.state_dir),
            Path(inbox_dir) if inbox_dir else site.resolve(kept.inbox_dir),
            Path(runtime_dir) if runtime_dir else site.resolve(kept.runtime_dir),
        )


def sync(path: Path) -> None:
    """A file's, or a folder's, contents are on the disk when this returns."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def secret_files(site_path: Path) -> dict[str, Path]:
    """Files with passwords and tokens that a site file names anywhere (keys that end so), by the names it gives."""
    raw = tomllib.loads(site_path.read_text("utf-8"))
    named = [text for key, text in _texts(raw) if key.endswith(SECRET_KEYS)]
    return {name: site_path.parent / name for name in named}


def _texts(value: object, key: str = "") -> Iterator[tuple[str, str]]:
    """Every text in a TOML document with the key that it stands at."""
    if isinstance(value, dict):
        for name, part in value.items():
            yield from _texts(part, name)
    elif isinstance(value, list):
        for part in value:
            yield from _texts(part, key)
    elif isinstance(value, str):
        yield key, value
