"""What the calibration commands share: the site's files and clock, the journal's readings, and what is in force."""

from __future__ import annotations

import csv
import json
import os
import secrets
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Any

from agent.core.review import MAINTENANCE
from agent.core.spec import SumpSpec
from agent.errors import Misused
from agent.folders import Folders
from agent.io.calibration_files import CURVES, FOLDER, CalibrationFiles, Kept, load
from agent.io.inbox import FILE_NAME as INBOX_FILE
from agent.io.inbox import Inbox
from agent.io.journal import FILE_NAME as JOURNAL_FILE
from agent.io.journal_reader import END, JournalReader
from agent.io.live import FILE_NAME as LIVE_FILE
from agent.site import Site, load_site
from calibration import force
from calibration.document import Document, NotOurs
from calibration.level import OutsideCurve
from calibration.line import CannotFit

FACTOR_FIELD, CURVE_FIELD = "refractometer_factor", "curve"
ALL_WORDS = 1_000_000  # more than five years of people's words


@contextmanager
def said_plainly() -> Iterator[None]:
    """What fits and files have to say against something, as one line for people."""
    try:
        yield
    except (CannotFit, OutsideCurve, NotOurs, sqlite3.Error) as why:
        raise Misused(f"calibrate: {why}") from why
    except OSError as why:
        raise Misused(f"calibrate: {why.filename or ''}: {why.strerror or why}") from why


@dataclass(frozen=True, slots=True)
class Bench:
    """One site's calibration bench: where it reads and where it keeps."""

    site: Site
    folders: Folders
    files: CalibrationFiles
    reader: JournalReader

    @classmethod
    def of(
        cls,
        site_path: str,
        state_dir: str | None = None,
        inbox_dir: str | None = None,
        runtime_dir: str | None = None,
        to: str | None = None,
    ) -> Bench:
        """Of a site file. `to`: where new files go; usually `curves` beside the site file. Raises SiteFault."""
        site = load_site(site_path)
        folders = Folders.of(site, state_dir, inbox_dir, runtime_dir)
        beside = Path(site_path).parent / CURVES
        files = CalibrationFiles(Path(to) if to else beside, *([beside] if to else []), folders.inbox / FOLDER)
        return cls(site, folders, files, JournalReader(folders.state / JOURNAL_FILE))  # fmt: skip

    def sump(self, id: str) -> SumpSpec:
        """Raises Misused."""
        sumps = self.site.spec().sumps
        if id not in sumps:
            raise Misused(f"--sump: the site has no sump {id!r}; known are {', '.join(sumps)}")
        return sumps[id]

    def now(self) -> float:
        """The site's time (epoch s): the live file's, which a simulated site runs faster; else the computer's."""
        try:
            path = self.folders.runtime / LIVE_FILE
            return float(json.loads(path.read_bytes())["time"]) + max(0.0, time.time() - path.stat().st_mtime)
        except (OSError, ValueError, KeyError, TypeError):
            return time.time()

    def readings(self, sump: str, signal: str, since: float, until: float = END) -> list[tuple[float, float]]:
        """(epoch s, raw) of a sensor, as the journal holds them, flagged ones too: a new curve is for them. [] without
        a journal."""
        try:
            return [(s.time, s.raw) for s in self.reader.samples(sump, signal, since, until)]
        except FileNotFoundError:
            return []

    def words(self, sump: str) -> list[dict[str, Any]]:
        """What people said of a sump, oldest first; [] without a journal."""
        try:
            return [row.data() for row in self.reader.events("word", sump, limit=ALL_WORDS)]
        except FileNotFoundError:
            return []

    def keep(self, document: Document) -> Path:
        """Into a new file, read back before it is believed. Raises OSError, NotOurs."""
        path = self.files.keep(document)
        kept = load(path)
        if kept.document is None:
            raise NotOurs(f"{path}: {kept.fault}")
        return path

    # -- in force ----------------------------------------------------------------------------------------------

    def site_value(self, spec: SumpSpec, field: str) -> Any:
        """What the site file says of a field."""
        if field == CURVE_FIELD:
            return [list(p) for p in zip(spec.curve.raw, spec.curve.litres, strict=True)]
        return spec.refractometer_factor

    def stack(self, sump: str, field: str) -> list[force.Setting]:
        return force.settings(self.words(sump), field)

    def value(self, sump: str, field: str) -> Any:
        """What is in force now, by the journal's settings, else by the site file."""
        stack = self.stack(sump, field)
        return stack[-1].value if stack else self.site_value(self.sump(sump), field)

    def curve_in_force(self, sump: str) -> tuple[list[list[float]], Document | None]:
        """The curve's points in force, and its document where one of our files is known to hold it."""
        points: list[list[float]] = self.value(sump, CURVE_FIELD)
        kept = [k.document for k in self.files.all(sump) if k.document is not None]
        return points, next((d for d in kept if d.points and [list(p) for p in d.points] == points), None)

    def factor_in_force(self, sump: str) -> tuple[float, float]:
        """(factor, its sd) in force; sd 0 where no file says."""
        factor = float(self.value(sump, FACTOR_FIELD))
        kept = [k.document for k in self.files.all(sump) if k.document is not None and k.document.kind == "factor"]
        known = next((d for d in kept if d.fit["factor"]["value"] == factor), None)
        return factor, 0.0 if known is None else float(known.fit["factor"]["sd"])

    def say(self, sump: str, body: dict[str, Any], by: str) -> None:
        """A person's word into the inbox, for the agent to take into the journal. Raises Misused.

        SQLite makes its side files in the writer's name, which would shut the pages out: so only their user may.
        """
        path = self.folders.inbox / INBOX_FILE
        theirs = path if path.exists() else path.parent
        if theirs.exists() and theirs.stat().st_uid != os.geteuid():
            owner = theirs.owner()
            raise Misused(f"{path} belongs to {owner}: run this as {owner} (sudo -u {owner} sumpside calibrate ...)")
        inbox = Inbox.open(path)
        try:
            inbox.put(
                time=self.now(), person=by, role=MAINTENANCE, sump=sump, kind="record", body=body,
                token=f"calibrate:{secrets.token_hex(16)}",
            )  # fmt: skip
        finally:
            inbox.close()


def document_at(path: str) -> Document:
    """The document in a file. Raises Misused."""
    kept: Kept = load(Path(path))
    if kept.document is None:
        raise Misused(f"{path}: {kept.fault}")
    return kept.document


def table(path: str, *columns: tuple[str, ...], words: str = "") -> tuple[tuple[str, ...], list[dict[str, Any]]]:
    """A CSV file's rows of numbers, under one of the sets of columns named; `words` is a column of text that may be
    there. Raises Misused, OSError."""
    with open(path, newline="", encoding="utf-8-sig") as file:
        rows = list(csv.DictReader(line for line in file if line.strip() and not line.startswith("#")))
    given = set(rows[0]) if rows else set()
    wanted = next((names for names in columns if given >= set(names)), None)
    if wanted is None:
        raise Misused(f"{path}: needs a first line that names its columns: {' or '.join(map(','.join, columns))}")
    found = []
    for number, row in enumerate(rows, 1):
        where = f"{path}: row {number} below the names"
        cells = {name: text.strip() for name, text in row.items() if name and text and text.strip()}
        found.append({k: text if k == words else _number(text, f"{where}: {k}") for k, text in cells.items()})
        if missing := [name for name in wanted if name not in found[-1]]:
            raise Misused(f"{where}: {missing[0]} is missing")
        if strange := [name for name, value in found[-1].items() if isinstance(value, float) and not isfinite(value)]:
            raise Misused(f"{where}: {strange[0]} is no number to reckon with")
    return wanted, found


def _number(text: str, where: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise Misused(f"{where}: {text!r} is no number (a decimal point, no comma)") from None
