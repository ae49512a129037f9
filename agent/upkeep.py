"""Commands of whoever keeps a Pi: doctor, bundle, backup, restore, export. Added to the command line by `add_to`."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from agent.cli_options import Folder, SitePath
from agent.errors import Misused

NOT_WELL = 1


def add_to(app: typer.Typer) -> None:
    """Give a program these commands."""
    for command in (doctor, bundle, backup, restore, export):
        app.command()(command)


def doctor(
    site: SitePath,
    json: Annotated[bool, typer.Option("--json", help="One JSON object.")] = False,
    only: Annotated[str | None, typer.Option(metavar="NAMES", help="These checks alone, with commas between.")] = None,
    state_dir: Folder = None,
    inbox_dir: Folder = None,
    runtime_dir: Folder = None,
) -> int:
    """Look at everything that keeps a site from running well, and say what to do. Changes nothing."""
    from agent.doctor.checks import CHECKS
    from agent.doctor.examine import as_json, as_text, examine, has_failed
    from agent.doctor.place import Place

    names = [name.strip() for name in only.split(",")] if only else list(CHECKS)
    if strange := [name for name in names if name not in CHECKS]:
        raise Misused(f"--only: no check is called {strange[0]!r}; there are {', '.join(CHECKS)}")
    found = examine(Place.of(Path(site), state_dir, inbox_dir, runtime_dir), names)
    print(as_json(found) if json else as_text(found))
    return NOT_WELL if has_failed(found) else 0


def bundle(
    site: SitePath,
    file: Annotated[Path, typer.Argument(metavar="FILE.tar.gz", help="What to write.")],
    state_dir: Folder = None,
    inbox_dir: Folder = None,
    runtime_dir: Folder = None,
) -> int:
    """Pack what somebody needs who is to help: checks, site file, versions, log. No readings, no secrets."""
    from agent.doctor.bundle import pack
    from agent.doctor.place import Place

    names = pack(Place.of(Path(site), state_dir, inbox_dir, runtime_dir), file)
    print(f"{file}: {', '.join(names)}. Look into it before you send it.")
    return 0


def backup(
    site: Annotated[Path | None, typer.Argument(metavar="SITE.toml", help="The site file.")] = None,
    file: Annotated[Path | None, typer.Argument(metavar="FILE", help="What to write, or a folder.")] = None,
    verify: Annotated[Path | None, typer.Option(metavar="FILE", help="Read a backup through instead.")] = None,
    keep: Annotated[int | None, typer.Option(min=1, metavar="N", help="In a folder: drop all but the newest.")] = None,
    with_secrets: Annotated[bool, typer.Option("--with-secrets", help="Passwords of broker and store too.")] = False,
    state_dir: Folder = None,
    inbox_dir: Folder = None,
) -> int:
    """Write everything that a new Pi needs into one file, while the agent runs, and verify it."""
    from agent import backup as backups
    from agent.folders import Folders
    from agent.site import load_site

    with _said_in_a_line():
        if verify is not None:
            manifest = backups.verify(verify)
            print(f"{verify}: whole: {_told(manifest)}")
            return 0
        if site is None or file is None:
            raise Misused("backup: say SITE.toml and FILE, or --verify FILE")
        loaded = load_site(site)
        into = file if file.is_dir() else None
        target = file / backups.dated_name(loaded.slug, time.time()) if into else file
        folders = Folders.of(loaded, state_dir, inbox_dir)
        manifest = backups.back_up(site, target, folders, with_secrets=with_secrets)
        print(f"{target}: {_told(manifest)}")
        if into and keep:
            for old in backups.drop_oldest(into, loaded.slug, keep):
                print(f"dropped {old}")
    return 0


def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A backup.")],
    to: Annotated[Path, typer.Option(metavar="DIR", help="Below this, such as a mounted card.")] = Path("/"),
    site: Annotated[Path | None, typer.Option(metavar="FILE", help="Where the site file goes instead.")] = None,
    state_dir: Folder = None,
    inbox_dir: Folder = None,
    replace: Annotated[bool, typer.Option("--replace", help="Move aside what is there.")] = False,
    as_it_was: Annotated[bool, typer.Option("--as-it-was", help="For an older program: no new shape.")] = False,
) -> int:
    """Put a backup back onto a new Pi; one of an older version is brought to this one's shape."""
    from agent.restore import Wish
    from agent.restore import restore as put_back

    state, inbox = (Path(given) if given else None for given in (state_dir, inbox_dir))
    with _said_in_a_line():
        done = put_back(file, Wish(to, site, state, inbox, replace=replace, migrate=not as_it_was))
    for path in done.aside:
        print(f"moved aside: {path}")
    for path in done.written:
        print(f"restored: {path}")
    for name in done.manifest.left_out:
        print(f"not in the backup, to be made again: {name}")
    return 0


def export(
    site: SitePath,
    csv: Annotated[Path | None, typer.Option(metavar="DIR", help="Every table, a file each.")] = None,
    records: Annotated[Path | None, typer.Option(metavar="FILE.jsonl", help="What `replay` reads.")] = None,
    state_dir: Folder = None,
    inbox_dir: Folder = None,
) -> int:
    """Write everything that is kept as CSV, or as records that can be replayed."""
    from agent.export import export_records, export_tables
    from agent.folders import Folders
    from agent.site import load_site

    if csv is None and records is None:
        raise Misused("export: say --csv DIR, --records FILE.jsonl, or both")
    folders = Folders.of(load_site(site), state_dir, inbox_dir)
    with _said_in_a_line(), _progress() as told:
        if csv is not None:
            files = export_tables(folders, csv, told)
            print(f"{csv}: {', '.join(path.name for path in files)}")
        if records is not None:
            print(f"{records}: {export_records(folders, records, told)} records")
    return 0


def _told(manifest: object) -> str:
    from agent.backup import Manifest

    assert isinstance(manifest, Manifest)
    size_mb = sum(part.bytes for part in manifest.parts) / 1e6
    text = f"{len(manifest.parts)} files, {size_mb:.1f} MB, of {manifest.site}, version {manifest.version}"
    return f"{text}; left out: {', '.join(manifest.left_out)}" if manifest.left_out else text


@contextmanager
def _said_in_a_line() -> Iterator[None]:
    """What the outside world has against it: one line on stderr, exit 1."""
    import sqlite3

    from agent.backup import BackupFault

    try:
        yield
    except (BackupFault, OSError, sqlite3.Error) as why:
        print(f"sumpside: {why}", file=sys.stderr)
        raise typer.Exit(NOT_WELL) from why


@contextmanager
def _progress() -> Iterator[Callable[[int, int], None]]:
    """A bar for somebody who watches; silence for a pipe."""
    if not sys.stderr.isatty():
        yield lambda done, of: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("rows", total=None)
        yield lambda done, of: bar.update(task, completed=done, total=of)
