"""Putting a backup back: onto a new Pi, below a mounted card, or in place of what is there."""

from __future__ import annotations

import fcntl
import os
import shutil
import sqlite3
import tempfile
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from agent.backup import BackupFault, Manifest, Part, digest, unpack
from agent.folders import AS_INSTALLED, PEOPLE_NAME, sync
from agent.io import inbox, journal
from agent.io.database import open_writer
from agent.io.migrations import INBOX, JOURNAL, NewerFile
from agent.site import Agent

MODES = {journal.FILE_NAME: 0o640, inbox.FILE_NAME: 0o640, PEOPLE_NAME: 0o600}  # as the units' users make them
SHAPES = {journal.FILE_NAME: JOURNAL, inbox.FILE_NAME: INBOX}


@dataclass(frozen=True, slots=True)
class Wish:
    """Where to. `root`: below which absolute paths are meant; `site`, `state`, `inbox`: instead of the backup's own."""

    root: Path = Path("/")
    site: Path | None = None
    state: Path | None = None
    inbox: Path | None = None
    replace: bool = False  # what is there is moved aside; else it is refused
    migrate: bool = True  # to this program's shape of the files; an older program needs them as they were


@dataclass(frozen=True, slots=True)
class Restored:
    """What was put where, and what of before was moved aside."""

    manifest: Manifest
    written: tuple[Path, ...]
    aside: tuple[Path, ...]


def restore(backup: Path, wish: Wish) -> Restored:
    """Verify the backup, then put every part in its place. Raises BackupFault with nothing written, OSError."""
    site = wish.site or _below(wish.root, AS_INSTALLED)
    site.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".restore-", dir=site.parent) as scratch:
        manifest = unpack(backup, Path(scratch))
        targets = _targets(manifest, Path(scratch), site, wish)
        state = wish.state or next((p.parent for p in targets.values() if p.name == journal.FILE_NAME), site.parent)
        targets = {part: path for part, path in targets.items() if not _is_there(part, path)}
        present = [path for path in targets.values() if path.exists() or _wal(path).exists()]
        if present and not wish.replace:
            raise BackupFault(
                f"{present[0]} is there already: end agent and pages, then say --replace to move it aside"
            )
        with _nobody_writes(state):
            aside = tuple(moved for path in present for moved in _moved_aside(path))
            for part, target in targets.items():
                private = target.name not in MODES and not part.mode & 0o077
                _put(Path(scratch) / part.name, target, part, state if private else target.parent, wish.migrate)
    return Restored(manifest, tuple(targets.values()), aside)


def _below(root: Path, path: Path) -> Path:
    return root / str(path).lstrip("/") if path.is_absolute() else path


def _targets(manifest: Manifest, scratch: Path, site: Path, wish: Wish) -> dict[Part, Path]:
    told = _site_file(manifest)
    raw = tomllib.loads((scratch / told.name).read_text("utf-8")).get("agent", {})
    folders = {}
    for key, given in (("state_dir", wish.state), ("inbox_dir", wish.inbox)):
        folder = Path(raw.get(key, Agent.model_fields[key].default))
        folders[key] = given or (_below(wish.root, folder) if folder.is_absolute() else site.parent / folder)
    return {part: _target(part, told, folders, site, wish.root) for part in manifest.parts}


def _site_file(manifest: Manifest) -> Part:
    """The first part beneath `site/`: the backup is made so."""
    for part in manifest.parts:
        if part.name.startswith("site/"):
            return part
    raise BackupFault("the backup holds no site file")


def _target(part: Part, told: Part, folders: dict[str, Path], site: Path, root: Path) -> Path:
    if part == told:
        return site
    if part.place is not None:
        return _below(root, Path(part.place))
    first, _, rest = part.name.partition("/")
    if first == "site":
        return site.parent / rest
    if first == "inbox":
        return folders["inbox_dir"] / rest
    return folders["state_dir" if part.name == journal.FILE_NAME else "inbox_dir"] / part.name


@contextmanager
def _nobody_writes(state: Path) -> Iterator[None]:
    """Hold the agent's lock, so that none runs or starts meanwhile. Raises BackupFault."""
    if not (state / "agent.lock").exists():
        yield
        return
    with (state / "agent.lock").open("r+") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise BackupFault(f"an agent is writing in {state}: end it, and the pages, first") from None
        yield


def _wal(path: Path) -> Path:
    return Path(f"{path}-wal")


def _moved_aside(path: Path) -> Iterator[Path]:
    """A file with its write-ahead files under a name that was free."""
    number = next(n for n in range(1, 10_000) if not Path(f"{path}.before-restore-{n}").exists())
    for end in ("", "-wal", "-shm"):
        if (part := Path(f"{path}{end}")).exists():
            moved = Path(f"{path}.before-restore-{number}{end}")
            part.rename(moved)
            yield moved


def _is_there(part: Part, path: Path) -> bool:
    """A text that stands there word for word; never said of a database, which goes on being written."""
    if path.name in MODES or not path.is_file() or path.stat().st_size != part.bytes:
        return False
    with path.open("rb") as file:
        return digest(file) == part.sha256


def _put(source: Path, target: Path, part: Part, owner_of: Path, migrate: bool) -> None:
    """In place, with a folder's owner, on the disk."""
    target.parent.mkdir(parents=True, exist_ok=True)
    written = target.with_name(f".{target.name}.restored")
    shutil.copyfile(source, written)
    if migrate and target.name in SHAPES:
        _bring_forward(written, SHAPES[target.name])
    written.chmod(MODES.get(target.name, part.mode))
    if os.geteuid() == 0:
        owner = owner_of.stat()
        os.chown(written, owner.st_uid, owner.st_gid)
    sync(written)
    os.replace(written, target)
    sync(target.parent)


def _bring_forward(path: Path, shape: tuple[str, ...]) -> None:
    try:
        db = open_writer(path, shape)
        db.execute("PRAGMA journal_mode = DELETE")
        db.close()
    except (sqlite3.Error, NewerFile) as why:
        raise BackupFault(f"{path.name} cannot be brought to this version: {why}") from why
