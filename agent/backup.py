"""A backup: one file with everything that a new Pi needs, made while the agent runs, and proven before it counts.

A gzipped tar: `manifest.json` first, then the parts that it lists with their sha256. The databases are whole copies as
of one moment each, the journal's first: what people say between the two is in the inbox alone then, and is taken up
from there. The other way round, the journal would have a bookmark that the inbox has yet to reach.
"""

from __future__ import annotations

import gzip
import io
import json
import os
import re
import sqlite3
import tarfile
import tempfile
import time
import tomllib
import zlib
from collections.abc import Iterator
from contextlib import closing
from dataclasses import asdict, dataclass
from hashlib import sha256
from pathlib import Path
from typing import IO, Any

from agent.engine import VERSION
from agent.errors import SumpsideError
from agent.folders import PEOPLE_NAME, Folders, secret_files, sync
from agent.io import inbox, journal
from agent.io.calibration_files import CURVES, FOLDER
from agent.io.database import ReadOnlyDatabase
from agent.io.journal import JournalReader
from agent.io.migrations import INBOX, JOURNAL
from agent.site import load_site

FORMAT = 1
MANIFEST = "manifest.json"
ENDING = ".tar.gz"
LONGEST_MANIFEST = 4 << 20  # bytes
PIECE = 1 << 20  # bytes read at once: bounds the memory
KEPT_FOLDERS = (CURVES, FOLDER)  # calibration's files: beside the site file, and what the pages made in the inbox
KNOWN = {journal.FILE_NAME: len(JOURNAL), inbox.FILE_NAME: len(INBOX)}  # newest shape that this program reads
PLAIN_NAME = re.compile(r"(?!.*(^|/)\.\.?(/|$))[^/\0][^\0]*")


class BackupFault(SumpsideError):
    """The backup could not be made, or is not whole: the text says what and why."""


@dataclass(frozen=True, slots=True)
class Part:
    """One file in the backup. `place`: where an absolute path put it; None for those that go with the site file."""

    name: str
    sha256: str
    bytes: int
    mode: int = 0o644
    place: str | None = None


@dataclass(frozen=True, slots=True)
class Manifest:
    """What the backup says of itself. `made`: epoch s; `left_out`: secrets that have to be made again."""

    format: int
    made: float
    version: str
    site: str
    parts: tuple[Part, ...]
    left_out: tuple[str, ...]


# ── making ───────────────────────────────────────────────────────────────────────────────────────────────────────────


def back_up(site_path: Path, target: Path, folders: Folders, *, with_secrets: bool = False) -> Manifest:
    """Write `target` whole or not at all, and verify what was written. Raises BackupFault, SiteFault, OSError."""
    site = load_site(site_path)
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=f".{target.name}.", dir=target.parent) as scratch:
        found = dict(_databases(folders, Path(scratch)))
        found |= _texts(site_path, folders.inbox)
        secrets = {name: path for name, path in secret_files(site_path).items() if path.is_file()}
        if with_secrets:
            found |= {f"site/{name}": path for name, path in secrets.items()}
        parts = tuple(_described(name, path) for name, path in found.items())
        left_out = () if with_secrets else tuple(secrets)
        manifest = Manifest(FORMAT, time.time(), VERSION, site.site.name, parts, left_out)
        written = Path(scratch) / "written"
        _write(written, manifest, found)
        for part in parts:
            (Path(scratch) / part.name).unlink(missing_ok=True)  # room for what is read back
        verify(written)
        os.replace(written, target)
    sync(target.parent)
    return manifest


def _databases(folders: Folders, scratch: Path) -> Iterator[tuple[str, Path]]:
    """Copies of what there is. The people's file holds hashes only."""
    for path in (folders.state / journal.FILE_NAME, folders.inbox / inbox.FILE_NAME, folders.inbox / PEOPLE_NAME):
        try:
            with closing(ReadOnlyDatabase(path)) as source:
                source.copy_to(scratch / path.name)
        except FileNotFoundError:
            continue
        except sqlite3.Error as why:
            raise BackupFault(f"{path} cannot be copied: {why}") from why
        yield path.name, scratch / path.name


def _texts(site_path: Path, words: Path) -> dict[str, Path]:
    """The site file, the curves it names, and calibration's files, by their names in the backup."""
    found = {"site/" + site_path.name: site_path}
    for name, path in _curves(site_path).items():
        found[f"site/{name}"] = path
    for base, prefix in ((site_path.parent, "site"), (words, "inbox")):
        for folder in KEPT_FOLDERS:
            for path in sorted((base / folder).rglob("*")):
                if path.is_file() and not path.is_symlink():
                    found[f"{prefix}/{path.relative_to(base)}"] = path
    return found


def _curves(site_path: Path) -> dict[str, Path]:
    raw = tomllib.loads(site_path.read_text("utf-8"))
    named = [sump["level"]["curve"] for sump in raw["sump"]]
    inside = {name: site_path.parent / name for name in named if isinstance(name, str)}
    return {name if PLAIN_NAME.fullmatch(name) else str(path.resolve()): path for name, path in inside.items()}


def _described(name: str, path: Path) -> Part:
    place = None
    if "//" in name:  # an absolute path behind its prefix
        place = name.split("/", 1)[1]
        name = "elsewhere/" + place.strip("/").replace("/", "--")
    with path.open("rb") as file:
        stat = path.stat()
        return Part(name, digest(file), stat.st_size, stat.st_mode & 0o777, place)


def digest(file: IO[bytes]) -> str:
    """sha256 of the rest of a file."""
    found = sha256()
    while piece := file.read(PIECE):
        found.update(piece)
    return found.hexdigest()


def _write(path: Path, manifest: Manifest, found: dict[str, Path]) -> None:
    """People's hashes and words are in it: for its owner's eyes alone."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "wb") as raw:
        with gzip.open(raw, "wb", compresslevel=1) as packed, tarfile.open(fileobj=packed, mode="w") as tar:
            text = json.dumps(asdict(manifest), indent=1).encode()
            _add(tar, MANIFEST, len(text), manifest.made, io.BytesIO(text))
            for part, source in zip(manifest.parts, found.values(), strict=True):
                with source.open("rb") as file:
                    _add(tar, part.name, part.bytes, manifest.made, file)
        raw.flush()
        os.fsync(raw.fileno())


def _add(tar: tarfile.TarFile, name: str, size: int, time_s: float, file: IO[bytes]) -> None:
    info = tarfile.TarInfo(name)
    info.size, info.mtime, info.mode = size, int(time_s), 0o600
    tar.addfile(info, file)


def dated_name(slug: str, now: float) -> str:
    """A name for a backup that sorts by its time (UTC)."""
    return f"sumpside-{slug}-{time.strftime('%Y-%m-%dT%H%M%SZ', time.gmtime(now))}{ENDING}"


def drop_oldest(folder: Path, slug: str, keep: int) -> list[Path]:
    """Keep the newest `keep` of our own dated backups; gives those that went."""
    old = sorted(folder.glob(f"sumpside-{slug}-????-??-??T??????Z{ENDING}"))[:-keep]
    for path in old:
        path.unlink()
    return old


# ── verifying ────────────────────────────────────────────────────────────────────────────────────────────────────────


def verify(path: Path) -> Manifest:
    """Read all of it: every part whole, every database sound, the journal's chain unbroken. Raises BackupFault."""
    with tempfile.TemporaryDirectory(prefix=".verify-", dir=path.parent) as scratch:
        return unpack(path, Path(scratch))


def unpack(path: Path, folder: Path) -> Manifest:
    """Verify it while its parts are put below `folder` under their names in the backup. Raises BackupFault."""
    try:
        with gzip.open(path, "rb") as packed, tarfile.open(fileobj=packed, mode="r|") as tar:
            members = iter(tar)
            manifest = _manifest(path, tar, members)
            wanted = {part.name: part for part in manifest.parts}
            for member in members:
                part = wanted.pop(member.name, None)
                if part is None or not member.isfile():
                    raise BackupFault(f"{path}: holds {member.name!r}, of which its manifest knows nothing")
                _take_out(path, tar, member, part, folder)
            while packed.read(1 << 16):  # a tar ends before its padding does; the sum over all stands behind that
                pass
    except (tarfile.TarError, EOFError, OSError, zlib.error) as why:
        raise BackupFault(f"{path}: cannot be read: {why}") from why
    if wanted:
        raise BackupFault(f"{path}: lacks {', '.join(wanted)}")
    for part in manifest.parts:
        if part.name.endswith(".sqlite"):
            _demand_sound(folder / part.name)
    return manifest


def _manifest(path: Path, tar: tarfile.TarFile, members: Iterator[tarfile.TarInfo]) -> Manifest:
    first = next(members, None)
    if first is None or first.name != MANIFEST or first.size > LONGEST_MANIFEST:
        raise BackupFault(f"{path}: is no backup of Sumpside")
    file = tar.extractfile(first)
    assert file is not None
    try:
        told: dict[str, Any] = json.loads(file.read())
        if told["format"] > FORMAT:
            raise BackupFault(f"{path}: was made by version {told['version']}: update this program first")
        parts = tuple(Part(**part) for part in told["parts"])
        manifest = Manifest(**{**told, "parts": parts, "left_out": tuple(told["left_out"])})
    except (ValueError, KeyError, TypeError) as why:
        raise BackupFault(f"{path}: its manifest cannot be read: {why}") from why
    strange = [part.name for part in parts if not PLAIN_NAME.fullmatch(part.name)]
    if strange:
        raise BackupFault(f"{path}: holds the name {strange[0]!r}, which leads out of its folder")
    return manifest


def _take_out(path: Path, tar: tarfile.TarFile, member: tarfile.TarInfo, part: Part, folder: Path) -> None:
    source = tar.extractfile(member)
    assert source is not None
    target = folder / part.name
    target.parent.mkdir(parents=True, exist_ok=True)
    found = sha256()
    with target.open("wb") as file:
        while piece := source.read(PIECE):
            file.write(piece)
            found.update(piece)
    if found.hexdigest() != part.sha256:
        raise BackupFault(f"{path}: {part.name} is not what was put in: the file is damaged")


def _demand_sound(database: Path) -> None:
    """Opens, every page is sound, not newer than this program; a journal's chain follows row by row."""
    try:
        with closing(ReadOnlyDatabase(database)) as db:
            (found,), (version,) = db.rows("PRAGMA integrity_check")[0], db.rows("PRAGMA user_version")[0]
        if found != "ok":
            raise BackupFault(f"{database.name} is damaged: {found}")
        if version > KNOWN.get(database.name, version):
            raise BackupFault(f"{database.name} has version {version}, this program knows {KNOWN[database.name]}")
        if database.name == journal.FILE_NAME:
            _demand_chain(database)
    except sqlite3.Error as why:
        raise BackupFault(f"{database.name} is damaged: {why}") from why


def _demand_chain(database: Path) -> None:
    with closing(JournalReader(database)) as reader:
        report = reader.verify_chain()
    if not report.ok:
        raise BackupFault(f"{database.name}: {report.text}")
