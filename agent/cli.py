"""The command line. Each command imports what it needs itself, so that `sumpside check` starts fast on a small Pi."""

from __future__ import annotations

import os
import sys
from functools import cache
from typing import Annotated, Any, NoReturn

import typer
from typer.core import TyperGroup
from typer.main import get_group

from agent import cli_sensors, upkeep
from agent.cli_options import Folder, SitePath
from agent.errors import SiteFault

FAULTY_SITE, BAD_USE, INTERRUPTED = 1, 2, 130

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # the core's matrices are small: threads would only spin

app = typer.Typer(
    name="sumpside",
    help="Looks after machine-tool sumps: level, strength, what was added and lost, what to do next.",
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

RecordsPath = Annotated[
    str, typer.Argument(metavar="RECORDS.jsonl", help="Records, one a line; - reads standard input.")
]


def main() -> None:
    """Entry of the `sumpside` script. A wrong call gets one line on stderr and exit code 2, a faulty site 1."""
    try:
        code = app(args=sys.argv[1:] or ["--help"], prog_name="sumpside", standalone_mode=False)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # the reader has left: nothing more to say
        sys.exit(1)
    except SiteFault as fault:
        print(*fault.faults, sep="\n", file=sys.stderr)
        sys.exit(FAULTY_SITE)
    except (KeyboardInterrupt, typer.Abort):
        sys.exit(INTERRUPTED)
    except Exception as error:
        words = getattr(error, "format_message", None)  # typer's own errors of usage, whatever its version calls them
        if words is None:
            raise
        _refuse(" ".join(words().split()))
    sys.exit(code or 0)


def _refuse(reason: str) -> NoReturn:
    """A wrong call: one line, exit 2."""
    print(f"sumpside: {reason}", file=sys.stderr)
    sys.exit(BAD_USE)


def _number_or_text(given: str) -> float | str:
    try:
        return float(given)
    except ValueError:
        return given


@app.command()
def check(
    site: SitePath,
    live: Annotated[bool, typer.Option("--live", help="Read every sensor, too, and say what is odd.")] = False,
    seconds: Annotated[float, typer.Option(min=0.5, max=600.0, help="With --live: how long at most.")] = 10.0,
) -> int:
    """Find every fault of a site file. Starts nothing, and asks the sensors only where told to."""
    from agent.site import check_site, load_site

    faults, warnings = check_site(site)
    if faults:
        print(*faults, sep="\n", file=sys.stderr)
        return FAULTY_SITE
    for warning in warnings:
        print(f"warning: {warning}")
    print(f"{site}: sound: {load_site(site).summary()}")
    return cli_sensors.check_live(site, seconds) if live else 0


app.command()(cli_sensors.listen)


@app.command()
def replay(
    site: SitePath,
    records: RecordsPath,
    every: Annotated[float, typer.Option(metavar="SECONDS", help="How often beliefs are written.")] = 3600.0,
    lenient: Annotated[bool, typer.Option("--lenient", help="Exit 0 though lines were refused.")] = False,
) -> int:
    """Run recorded days through the same core as the live agent; JSON Lines out."""
    if not 1.0 <= every <= 1e9:
        _refuse("--every must be a number of seconds, 1 or more")
    from agent import replay as playing
    from agent.site import load_site

    spec = load_site(site).spec()

    complaints = playing.Complaints(records, sys.stderr)
    try:
        with playing.open_records(records) as lines, playing.open_output() as out:
            tally = playing.replay(spec, lines, out, complaints, every, at_once=records == "-")
    except BrokenPipeError:
        raise
    except OSError as error:
        _refuse(f"{records}: {error.strerror or error}")
    complaints.total(tally)
    return BAD_USE if tally.bad and not lenient else 0


@app.command()
def explain(
    site: SitePath,
    records: RecordsPath,
    sump: Annotated[str, typer.Option(metavar="ID", help="The sump.")],
    at: Annotated[str, typer.Option(metavar="TIME", help="Epoch seconds, or RFC 3339 with offset.")],
) -> int:
    """Tell in words why a belief is what it was at a time."""
    from agent.site import load_site

    spec = load_site(site).spec()
    if sump not in spec.sumps:
        _refuse(f"--sump: the site has no sump {sump!r}; known are {', '.join(spec.sumps)}")
    from agent import replay as playing
    from agent.core.step import explain as explained
    from agent.errors import BadRecord
    from agent.records import parse_time

    complaints, tally = playing.Complaints(records, sys.stderr), playing.Tally()
    try:
        time = parse_time("--at", _number_or_text(at))
        with playing.open_records(records) as lines:
            state = playing.state_at(spec, lines, time, complaints, tally)
    except BadRecord as bad:
        _refuse(bad.reason)
    except OSError as error:
        _refuse(f"{records}: {error.strerror or error}")
    complaints.total(tally)
    print(explained(state, sump, time, spec))
    return 0


@app.command()
def charge(
    volume_l: Annotated[str | None, typer.Option("--volume-l", metavar="LITRES", help="Litres to fill.")] = None,
    volume: Annotated[str | None, typer.Option("--volume", metavar="N", help="The same, in the --unit.")] = None,
    target: Annotated[str | None, typer.Option(metavar="PCT", help="Strength to land on.")] = None,
    percent_of: Annotated[str, typer.Option(metavar="mix|water", help="What the target is per cent of.")] = "mix",
    bucket_l: Annotated[
        str | None, typer.Option("--bucket-l", metavar="LITRES", help="Bucket, 12 L if not said.")
    ] = None,
    bucket: Annotated[str | None, typer.Option(metavar="N", help="The same, in the --unit.")] = None,
    richest: Annotated[str, typer.Option(metavar="PCT", help="Richest batch, % by volume of the mix.")] = "15",
    lean: Annotated[str, typer.Option(metavar="PCT", help="Lean rest, % by volume of the mix.")] = "1.5",
    unit: Annotated[str, typer.Option(metavar="litre|us_gallon", help="Unit of the text.")] = "litre",
    json: Annotated[bool, typer.Option("--json", help="One JSON object, litres, unrounded.")] = False,
) -> int:
    """Plan a new charge: batches mixed in a bucket, then a lean rest, landing on the target exactly."""
    from agent.charge_words import as_json, as_text, request
    from agent.core.charge import CannotBe, plan

    try:
        asked = request(volume_l, volume, target, percent_of, bucket_l, bucket, richest, lean, unit)
        planned = plan(asked)
    except CannotBe as error:
        _refuse(f"charge: {error}")
    print(as_json(planned, unit) if json else as_text(planned, unit))
    return 0


@app.command()
def run(
    site: SitePath,
    state_dir: Folder = None,
    inbox_dir: Folder = None,
    runtime_dir: Folder = None,
    clock_speed: Annotated[float, typer.Option(metavar="N", help="Simulated buses only: run the clock faster.")] = 1.0,
    clock_start: Annotated[float | None, typer.Option(metavar="EPOCH", help="Simulated buses only: set it.")] = None,
) -> int:
    """Run the agent: read the ports, keep the journal, forward, post advice."""
    from agent.service import run as serve

    return serve(site, state_dir, inbox_dir, runtime_dir, clock_speed=clock_speed, clock_start=clock_start)


@app.command()
def dashboards(
    site: SitePath,
    state_dir: Folder = None,
    inbox_dir: Folder = None,
    runtime_dir: Folder = None,
    host: Annotated[str | None, typer.Option(help="Address to listen on.")] = None,
    port: Annotated[int | None, typer.Option(help="Port to listen on.")] = None,
) -> int:
    """Serve the pages: a program of its own, beside the agent."""
    from agent.site import load_site

    load_site(site)
    options = {
        "--state-dir": state_dir,
        "--inbox-dir": inbox_dir,
        "--runtime-dir": runtime_dir,
        "--host": host,
        "--port": port,
    }
    given = [text for name, value in options.items() if value is not None for text in (name, str(value))]
    os.execv(sys.executable, [sys.executable, "-m", "dashboards", site, *given])


journal_app = typer.Typer(help="Look after the journal.", rich_markup_mode=None)
app.add_typer(journal_app, name="journal")


class _Calibrate(TyperGroup):
    """Fifteen commands with many options: imported and built only where somebody calibrates."""

    def list_commands(self, ctx: Any) -> list[str]:
        """As typer's own groups do."""
        return _calibrate().list_commands(ctx)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """As typer's own groups do."""
        return _calibrate().get_command(ctx, cmd_name)


@cache
def _calibrate() -> TyperGroup:
    from agent.cli_calibrate import calibrate_app

    return get_group(calibrate_app)


app.add_typer(
    typer.Typer(cls=_Calibrate, rich_markup_mode=None), name="calibrate",
    help="Calibrate a sump: level, strength, hold-up, makeup.",
)  # fmt: skip


@journal_app.callback()
def _journal() -> None:
    """Look after the journal."""


@journal_app.command("verify")
def journal_verify(
    site: Annotated[str | None, typer.Argument(metavar="[SITE.toml]", help="The site file that names it.")] = None,
    journal: Annotated[str | None, typer.Option(metavar="PATH", help="The file itself, or a copy of it.")] = None,
    state_dir: Folder = None,
) -> int:
    """Find the first row that was changed, removed or moved. 0: none; 1: one; 2: no journal to read."""
    import sqlite3
    from pathlib import Path

    from agent.io.journal import FILE_NAME, JournalReader
    from agent.site import load_site

    if (site is None) == (journal is None):
        _refuse("journal verify: name a site file, or --journal and the file")
    if site is not None:
        found = load_site(site)
        path = Path(state_dir or found.resolve(found.agent.state_dir)) / FILE_NAME
    else:
        path = Path(journal or "")
    reader = JournalReader(path)
    try:
        report = reader.verify_chain()
    except (OSError, sqlite3.Error) as error:
        _refuse(f"{path}: {getattr(error, 'strerror', None) or error}")
    finally:
        reader.close()
    print(f"{path}: {report.text}", file=sys.stdout if report.ok else sys.stderr)
    return 0 if report.ok else 1


@app.command()
def demo(
    speed: Annotated[float, typer.Option(metavar="N", help="How much faster than life.")] = 60.0,
    port: Annotated[int | None, typer.Option(help="Port of the page on this machine.")] = None,
    keep_in: Annotated[str | None, typer.Option("--dir", metavar="DIR", help="Keep everything in here.")] = None,
    seed: Annotated[int | None, typer.Option(help="The same works again.")] = None,
    story: Annotated[bool, typer.Option("--story", help="Nobody simulated acts: people play.")] = False,
    with_broker: Annotated[bool, typer.Option("--with-broker", help="Forward to a broker and a store too.")] = False,
) -> int:
    """Show it all on simulated sumps: Harrow Lane Gearworks, on this machine alone."""
    from pathlib import Path

    from agent.demo import Wish
    from agent.demo import run as show

    folder = None if keep_in is None else Path(keep_in)
    return show(Wish(speed=speed, port=port, folder=folder, seed=seed, story=story, with_broker=with_broker))


upkeep.add_to(app)

if __name__ == "__main__":
    main()
