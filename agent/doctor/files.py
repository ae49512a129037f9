"""Checks of what is kept: site file, journal, inbox, people, secrets, calibration, backups."""

from __future__ import annotations

import os
import sqlite3
import stat
import tomllib
from contextlib import closing
from datetime import UTC, date, datetime, time
from pathlib import Path

from agent.doctor.place import Place, Verdict, fail, ok, skip, warn
from agent.folders import PEOPLE_NAME, secret_files
from agent.io import inbox as inboxes
from agent.io import journal as journals
from agent.io.calibration_files import CURVES, FOLDER
from agent.io.database import ReadOnlyDatabase
from agent.io.inbox import InboxReader
from agent.io.journal import JournalReader
from agent.io.migrations import JOURNAL
from agent.site import check_site
from calibration.document import NotOurs
from calibration.document import read as read_document

DAY_S = 86_400.0
UNHEARD_S = 60.0  # the agent looks a few times a second
SNAPSHOT_OLD_S = 3_600.0  # made every ten minutes
CURVE_KINDS = ("curve", "dip")
CURVE_OLD_DAYS = 400  # a check against a dip stick is due once a year
BACKUP_OLD_DAYS = 3
BACKUPS = "/var/backups/sumpside"
DEAD_RECENT_S = 7 * DAY_S


def site_file(place: Place) -> Verdict:
    """What `sumpside check` says of it."""
    faults, warnings = check_site(place.site_path)
    if faults:
        return fail(f"{len(faults)} faults, the first: {faults[0]}", f"sumpside check {place.site_path}")
    if warnings:
        return warn(f"{len(warnings)} warnings, the first: {warnings[0]}", f"sumpside check {place.site_path}")
    return ok("the site file is sound")


def _journal(place: Place) -> Path:
    return place.folders.state / journals.FILE_NAME


def journal(place: Place) -> Verdict:
    """Opens, is not of a newer program, holds rows."""
    path = _journal(place)
    if not path.exists():
        return fail(f"there is no journal in {path.parent}", "start the agent: it makes one")
    try:
        with closing(ReadOnlyDatabase(path)) as db:
            version = db.rows("PRAGMA user_version")[0][0]
            last = db.rows("SELECT max(seq) FROM log")[0][0] or 0
    except sqlite3.Error as why:
        return fail(f"the journal cannot be read: {why}", "restore a backup; the agent puts a broken file aside itself")
    if version > len(JOURNAL):
        return fail(f"the journal has version {version}, this program knows {len(JOURNAL)}", "update the program")
    return ok(f"the journal opens, {last:,} rows")


def chain(place: Place) -> Verdict:
    """Each row that matters in a dispute follows from the one before."""
    if not _journal(place).exists():
        return skip("no journal")
    with closing(JournalReader(_journal(place))) as reader:
        report = reader.verify_chain()
    if report.ok:
        return ok(report.text)
    return fail(report.text, "somebody or something changed the journal: keep it, and compare it with a backup")


def put_aside(place: Place) -> Verdict:
    """Journals that the agent found broken and began anew beside."""
    found = sorted(path.name for path in place.folders.state.glob(f"{journals.FILE_NAME}.broken-*"))
    found = [name for name in found if not name.endswith(("-wal", "-shm"))]
    if found:
        return warn(f"a broken journal was put aside: {found[-1]}", "make a backup, test the card, then delete it")
    return ok("no journal was ever found broken")


def snapshot(place: Place) -> Verdict:
    """The estimator's state, by which a restart goes on. Compared by rows, since a simulated site has its own clock."""
    if not _journal(place).exists():
        return skip("no journal")
    with closing(ReadOnlyDatabase(_journal(place))) as db:
        newest = db.rows("SELECT time, seq FROM snapshot ORDER BY rowid DESC LIMIT 1")
        last = db.rows("SELECT max(time) FROM log")[0][0]
    if not newest:
        return warn("no state of the estimator is kept", "let the agent run ten minutes; else look at its log")
    old_s = (last or 0.0) - newest[0][0]
    if old_s > SNAPSHOT_OLD_S:
        return warn(f"the estimator's kept state is {old_s / 3600:.1f} h old", "look at the agent's log for why")
    return ok(f"the estimator's state is kept, as of row {newest[0][1]:,}")


def dead_letters(place: Place) -> Verdict:
    """What a broker or store refused for good."""
    if not _journal(place).exists():
        return skip("no journal")
    with closing(JournalReader(_journal(place))) as reader:
        letters = reader.dead_letters()
    recent = [one for one in letters if one["time"] > place.now - DEAD_RECENT_S]
    if recent:
        newest = recent[-1]
        text = f"{len(recent)} parts of rows refused in a week; the last by {newest['sink']}: {newest['reason'][:120]}"
        return warn(text, "see what the broker or store does not like: sumpside export --csv lists them")
    return ok("nothing was refused in a week")


def inbox(place: Place) -> Verdict:
    """There, kept from strangers, and readable to the agent's group."""
    path = place.folders.inbox / inboxes.FILE_NAME
    if not path.exists():
        return skip("nobody has said anything yet")
    mode = stat.S_IMODE(path.stat().st_mode)
    if mode & 0o007:
        return fail(f"anybody on this machine may read {path}", f"chmod o-rwx {path}")
    if mode & 0o020:
        return fail(f"the inbox has a second writer: mode {mode:o}", f"chmod 640 {path}")
    if not mode & 0o040 and place.folders.state.exists() and path.stat().st_uid != place.folders.state.stat().st_uid:
        return fail(f"the agent may not read the inbox: mode {mode:o}", f"chmod 640 {path}")
    with closing(InboxReader(path)) as reader:
        reader.after(0, 1)
    return ok(f"the inbox opens, mode {mode:o}")


def heard(place: Place) -> Verdict:
    """Whether the agent takes what people say."""
    box, path = place.folders.inbox / inboxes.FILE_NAME, _journal(place)
    if not box.exists() or not path.exists():
        return skip("nobody has said anything yet")
    with closing(JournalReader(path)) as reader, closing(InboxReader(box)) as words:
        unheard = words.after(reader.bookmark("inbox"))
    waiting_s = place.now - box.stat().st_mtime
    if unheard and waiting_s > UNHEARD_S:
        text = f"{len(unheard)} words of people wait for the agent, the first from {unheard[0].person}"
        return fail(text, "start the agent, or look at its log")
    return ok("the agent has heard all that people said")


def people(place: Place) -> Verdict:
    """Somebody of maintenance may sign in."""
    path = place.folders.inbox / PEOPLE_NAME
    asked = "SELECT count(*), coalesce(sum(role = 'maintenance'), 0) FROM person WHERE active = 1"
    counts = (0, 0)
    if path.exists():
        with closing(ReadOnlyDatabase(path)) as db:
            counts = db.rows(asked)[0]
    if not counts[1]:
        todo = "the first person signs in with the one-time code in the pages' log: journalctl -u sumpside-dashboards"
        return fail("nobody of maintenance may sign in", todo)
    return ok(f"{counts[0]} people may sign in, {counts[1]} of maintenance")


def secrets(place: Place) -> Verdict:
    """Files with passwords and tokens are there, and their owner's alone; so is the file of people."""
    named = secret_files(place.site_path)
    files = [*named.values(), *([path] if (path := place.folders.inbox / PEOPLE_NAME).exists() else [])]
    for path in files:
        if not path.exists():
            return fail(f"{path} is missing", "write the password or token into it, mode 600, owner sumpside")
        mode = stat.S_IMODE(path.stat().st_mode)
        if mode & 0o077:
            return fail(f"others may read {path}: mode {mode:o}", f"chmod 600 {path}")
        if path in named.values() and os.stat(path).st_size == 0:
            return fail(f"{path} is empty", "write the password or token into it")
    return ok(f"{len(files)} secret files, each for its owner alone") if files else skip("no secrets")


def calibration(place: Place) -> Verdict:
    """How long ago each sump's level curve was made or checked, by the dates in the files of calibration."""
    raw = tomllib.loads(place.site_path.read_text("utf-8"))
    curves = {sump["id"]: sump["level"]["curve"] for sump in raw["sump"]}
    ages: dict[str, float] = {}
    for path in _calibration_files(place):
        if "[seal]" in (text := path.read_text("utf-8")):
            try:
                document = read_document(text)
            except NotOurs as why:
                return fail(f"{path.name}: {why}", "take the file out, and calibrate anew: a result is never edited")
            if document.kind in CURVE_KINDS and document.sump in curves:
                days = (place.now - document.time) / DAY_S
                ages[document.sump] = min(days, ages.get(document.sump, days))
    for id, name in curves.items():
        if isinstance(name, str) and id not in ages:
            days_old = _age_days(place.site_path.parent / name, place.now)
            if days_old is None:
                return warn(f"the curve of {id} has no date", "make it anew with the calibration routine")
            ages[id] = days_old
    if not ages:
        return skip("the curves stand in the site file, without a date")
    oldest = max(ages, key=lambda id: ages[id])
    text = f"the curve of {oldest} was made or checked {ages[oldest]:.0f} days ago"
    text += ", the others later" if len(ages) > 1 else ""
    return warn(text, "check it at one point with a dip stick") if ages[oldest] > CURVE_OLD_DAYS else ok(text)


def _calibration_files(place: Place) -> list[Path]:
    folders = (place.site_path.parent / CURVES, place.folders.inbox / FOLDER)
    return [path for folder in folders for path in sorted(folder.glob("*.toml"))]


def _age_days(path: Path, now: float) -> float | None:
    raw = tomllib.loads(path.read_text("utf-8"))
    made = raw.get("when", raw.get("date"))
    if isinstance(made, str):
        try:
            made = datetime.fromisoformat(made)
        except ValueError:
            return None
    if isinstance(made, date) and not isinstance(made, datetime):
        made = datetime.combine(made, time())
    if not isinstance(made, datetime):
        return None
    made = made if made.tzinfo else made.replace(tzinfo=UTC)
    return (now - made.timestamp()) / DAY_S


def backups(place: Place) -> Verdict:
    """How old the newest is."""
    folder = place.file(BACKUPS)
    files = sorted(folder.glob("sumpside-*.tar.gz"), key=lambda path: path.stat().st_mtime) if folder.exists() else []
    if not files:
        return warn(f"no backup in {BACKUPS}", "systemctl enable --now sumpside-backup.timer")
    days = (place.now - files[-1].stat().st_mtime) / DAY_S
    if days > BACKUP_OLD_DAYS:
        return warn(f"the newest backup is {days:.0f} days old", "journalctl -u sumpside-backup says why")
    if os.stat(folder).st_dev == os.stat(place.folders.state).st_dev:
        return ok(
            f"{len(files)} backups, the newest of {days * 24:.0f} h ago, on the journal's own card: copy them off"
        )
    return ok(f"{len(files)} backups on another disk, the newest of {days * 24:.0f} h ago")
