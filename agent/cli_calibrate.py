"""`sumpside calibrate ...`: measure, keep, compare, choose, go back. What they do stands in the calibrate modules."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from agent import cli_calibrate_fits
from agent.cli_calibrate_fits import LEAST_ERROR, By, Note, Sump, To, kept, show
from agent.cli_options import Folder, SitePath
from agent.errors import Misused

calibrate_app = typer.Typer(help="Calibrate a sump: level, strength, hold-up, makeup.", rich_markup_mode=None)
cli_calibrate_fits.add_to(calibrate_app)

With = Annotated[str, typer.Option("--with", metavar="pail|scales|meter", help="How litres are measured.")]
LEVEL_COLUMNS = ("poured_l", "raw")


# ── level ─────────────────────────────────────────────────────────────────────────────────────────────────────


@calibrate_app.command()
def level(
    site: SitePath,
    sump: Sump,
    by: By,
    poured_with: With = "pail",
    start_l: Annotated[float, typer.Option(help="Litres in the sump at the start (until empty: at the end).")] = 0.0,
    start_sd_l: Annotated[float, typer.Option(help="How well that is known, 1 sd.")] = 0.2,
    until_empty: Annotated[bool, typer.Option("--until-empty", help="Drain in steps until nothing is left.")] = False,
    window: Annotated[float, typer.Option(help="Seconds of level that must lie still.")] = 60.0,
    patience: Annotated[float, typer.Option(help="Real seconds to wait for a level to settle.")] = 900.0,
    shape: Annotated[str | None, typer.Option(help="Compare: length,width[,slope[,ledge at,ledge mm2]], mm.")] = None,
    floor_raw: Annotated[float, typer.Option(help="Reading at the lowest point of the floor.")] = 0.0,
    mm_per_raw: Annotated[float, typer.Option(help="mm per unit of reading; negative: looks down.")] = 1.0,
    note: Note = "",
    again: Annotated[bool, typer.Option("--again", help="Begin anew although a routine is under way.")] = False,
    state_dir: Folder = None,
    inbox_dir: Folder = None,
    runtime_dir: Folder = None,
    to: To = None,
) -> int:
    """Pour or drain measured amounts; the tool waits for the level, warns, fits and keeps the curve."""
    from agent import calibrate_level as guided
    from agent.calibrate import Bench, said_plainly
    from calibration import session as routine

    with said_plainly():
        bench = Bench.of(site, state_dir, inbox_dir, runtime_dir, to)
        spec = bench.sump(sump)
        beside = guided.shape_of(shape) if shape else None
        row = None if again else bench.files.draft(sump)
        begun = routine.begin(sump, by, bench.now(), poured_with, start_l, start_sd_l, until_empty, window)
        session = routine.from_row(row) if row else begun
        if row:
            print(f"taking up the routine of {session.by} with {len(session.steps)} steps")
        ended = guided.guide(bench, session, lambda words: typer.prompt(words), print, patience)
        if ended is None:
            print("stopped; the same command takes it up again")
            return 0
        path, document = guided.finish(bench, ended, note)
        lines = guided.told(document, spec.full_l, spec.high_l)
        if beside:
            lines.append(guided.beside_shape(document, beside, floor_raw, mm_per_raw))
        return show(path, document, lines)


@calibrate_app.command("level-from")
def level_from(
    site: SitePath,
    points: Annotated[str, typer.Argument(metavar="POINTS.csv", help="Columns poured_l, raw (raw_se; left_out: why).")],
    sump: Sump,
    by: By,
    poured_with: With = "pail",
    start_l: float = 0.0,
    start_sd_l: float = 0.2,
    until_empty: Annotated[bool, typer.Option("--until-empty")] = False,
    raw_se: Annotated[float, typer.Option(help="Standard error of a reading, where no column says.")] = 0.5,
    shape: Annotated[str | None, typer.Option(help="As of `level`.")] = None,
    floor_raw: float = 0.0,
    mm_per_raw: float = 1.0,
    note: Note = "",
    to: To = None,
) -> int:
    """The curve from steps noted on paper: litres poured before each reading (the first: 0), and the reading."""
    from agent import calibrate_level as guided
    from agent.calibrate import Bench, said_plainly, table
    from calibration.pours import Anchor, Step
    from calibration.session import as_document

    with said_plainly():
        bench = Bench.of(site, to=to)
        spec = bench.sump(sump)
        beside = guided.shape_of(shape) if shape else None
        _, rows = table(points, LEVEL_COLUMNS, words="left_out")
        steps = [Step(r["poured_l"], r["raw"], r.get("raw_se", raw_se), left_out=r.get("left_out", "")) for r in rows]
        anchor = Anchor(len(steps) - 1 if until_empty else 0, start_l, start_sd_l)
        serial = bench.site.serial_of(sump, "level")
        document = as_document(sump, by, bench.now(), steps, anchor, poured_with, serial, bench.site.simulated, note)
        lines = guided.told(document, spec.full_l, spec.high_l)
        if beside:
            lines.append(guided.beside_shape(document, beside, floor_raw, mm_per_raw))
        return show(bench.keep(document), document, lines)


@calibrate_app.command()
def dip(
    site: SitePath,
    sump: Sump,
    by: By,
    level: Annotated[float | None, typer.Option(help="The stick's reading in the curve's raw unit.")] = None,
    litres: Annotated[float | None, typer.Option(help="Or in litres, where the stick is marked so.")] = None,
    sd: Annotated[float, typer.Option(min=LEAST_ERROR, help="The stick's own error, 1 sd, in the same unit.")] = 1.0,
    reading: Annotated[float | None, typer.Option(help="The sensor's reading; else the last minute's.")] = None,
    note: Note = "",
    state_dir: Folder = None,
    inbox_dir: Folder = None,
    runtime_dir: Folder = None,
    to: To = None,
) -> int:
    """Check the curve in force at one point with a dip stick, and correct a zero that has moved."""
    from agent.calibrate import Bench, said_plainly
    from calibration.service import by_dip_stick, by_litres
    from calibration.settle import WINDOW_S, Settled, settled

    with said_plainly():
        bench = Bench.of(site, state_dir, inbox_dir, runtime_dir, to)
        bench.sump(sump)
        raw, se = reading, 0.0
        if raw is None:
            now = bench.now()
            found = settled(bench.readings(sump, "level", now - 3 * WINDOW_S), now - 3 * WINDOW_S)
            if not isinstance(found, Settled):
                raise Misused(f"calibrate: the level is not at rest: {found.reason}")
            raw, se = found.raw, found.se
        if (level is None) == (litres is None):
            raise Misused("calibrate: give --level or --litres")
        curve, _ = bench.curve_in_force(sump)
        change = by_litres(curve, raw, se, litres, sd) if level is None else by_dip_stick(curve, raw, se, level, sd)  # type: ignore[arg-type]
        fit = {"off": asdict(change.off), "change_proposed": change.propose}
        measured = ({"raw": raw, "raw_se": se, "stick": level if litres is None else litres, "stick_sd": sd},)
        points = tuple((p[0], p[1]) for p in change.points) if change.propose else ()
        return kept(
            bench, "dip", sump, by, fit, [change.text], "level", measured=measured, points=points, unit=change.unit,
            note=note, remarks=(change.text,),
        )  # fmt: skip


@calibrate_app.command()
def learn(
    site: SitePath,
    records: Annotated[str, typer.Argument(metavar="RECORDS.jsonl|journal", help="Where metered additions are.")],
    sump: Sump,
    by: By,
    meter_share: Annotated[float, typer.Option(help="The meter's own error as a share, 1 sd.")] = 0.01,
    note: Note = "",
    state_dir: Folder = None,
    to: To = None,
) -> int:
    """Hold metered additions against the curve in force, and propose the curve that they bend it to."""
    from agent.calibrate import Bench, said_plainly
    from agent.calibrate_compare import records_of
    from agent.calibrate_evidence import metered_additions
    from calibration.pours import volumes
    from calibration.service import by_additions
    from calibration.session import steps_of

    with said_plainly():
        bench = Bench.of(site, state_dir, to=to)
        bench.sump(sump)
        curve, source = bench.curve_in_force(sump)
        points = volumes(*steps_of(source)) if source is not None and source.kind == "curve" and source.method else None
        rows = metered_additions(records_of(bench, records)(), sump)
        learned = by_additions(curve, rows, points, meter_share)
        change = learned.change
        lines = [change.text, f"off by {abs(learned.old_off_l).mean():.2f} L as it is, "
                 f"{abs(learned.new_off_l).mean():.2f} L bent, on average"]  # fmt: skip
        if not change.propose:
            print(*lines, sep="\n")
            return 0
        fit = {"off": asdict(change.off), "change_proposed": change.propose}
        return kept(
            bench, "curve", sump, by, fit, lines, "level", measured=tuple(asdict(a) for a in rows),
            points=tuple((p[0], p[1]) for p in change.points), unit="L", note=note, remarks=(change.text,),
        )  # fmt: skip


# ── keep, compare, choose ─────────────────────────────────────────────────────────────────────────────────────


@calibrate_app.command("list")
def listed(site: SitePath, state_dir: Folder = None, inbox_dir: Folder = None) -> int:
    """All calibrations of a site, the newest first, and which are in force."""
    from datetime import UTC, datetime

    from agent.calibrate import Bench, said_plainly
    from calibration.force import FIELDS, SITE_FILE, settings

    with said_plainly():
        bench = Bench.of(site, state_dir, inbox_dir)
        for sump in bench.site.spec().sumps:
            words = bench.words(sump)
            for field in FIELDS:
                stack = settings(words, field)
                now = f"{stack[-1].file or 'typed'}, chosen by {stack[-1].by}" if stack else SITE_FILE
                print(f"{sump}: {field}: in force: {now}")
        for one in bench.files.all():
            d = one.document
            if d is None:
                print(f"{one.path}: {one.fault}")
            else:
                print(f"{one.path}: {d.kind} of {d.sump}, {datetime.fromtimestamp(d.time, UTC):%Y-%m-%d}, by {d.by}")
    return 0


@calibrate_app.command()
def due(
    site: SitePath,
    level_tolerance: Annotated[float, typer.Option(help="How far the level may be off, in its raw unit.")] = 3.0,
    brix_tolerance: Annotated[float, typer.Option(help="How far the inline probe may be off, Brix.")] = 0.3,
    days: Annotated[float, typer.Option(help="How far back hand readings count.")] = 90.0,
    state_dir: Folder = None,
    inbox_dir: Folder = None,
    runtime_dir: Folder = None,
) -> int:
    """Which calibrations are due, by how far their checks have drifted and not by the date. 1: one is due."""
    from agent.calibrate import Bench, said_plainly
    from agent.calibrate_evidence import dips, pairs, probed
    from calibration.due import DUE
    from calibration.due import due as judged
    from calibration.probe import drift

    found = []
    with said_plainly():
        bench = Bench.of(site, state_dir, inbox_dir, runtime_dir)
        now = bench.now()
        for sump in bench.site.spec().sumps:
            found.append((f"{sump}: level", judged(dips(bench, sump), level_tolerance, now, "in the sensor's unit")))
            since = max(now - 86_400.0 * days, probed(bench, sump))
            if bench.site.sensor_of(sump, "brix"):
                checks = drift(pairs(bench, sump, since, now))
                found.append((f"{sump}: inline probe", judged(checks, brix_tolerance, now, "Brix")))
    for name, one in found:
        print(f"{name}: {one.text}")
    return int(any(one.state == DUE for _, one in found))


@calibrate_app.command()
def use(
    site: SitePath,
    file: Annotated[str, typer.Argument(metavar="FILE", help="A file that a calibration wrote.")],
    by: By,
    state_dir: Folder = None,
    inbox_dir: Folder = None,
    runtime_dir: Folder = None,
) -> int:
    """Put a calibration in force from now on, with a person's name in the journal."""
    from agent.calibrate import Bench, document_at, said_plainly
    from calibration import force

    with said_plainly():
        bench = Bench.of(site, state_dir, inbox_dir, runtime_dir)
        document = document_at(file)
        spec = bench.sump(document.sump)
        bench.say(document.sump, force.use(document, Path(file).name), by)
    if document.points and max(p[1] for p in document.points) < spec.high_l:
        print(f"WARNING: the curve ends below the highest mark of {spec.high_l:g} L; above it no level is believed")
    print(f"{document.sump}: {Path(file).name} is in force as soon as the agent has read it; `back` undoes it")
    return 0


@calibrate_app.command()
def back(
    site: SitePath,
    sump: Sump,
    by: By,
    field: Annotated[str, typer.Option(metavar="curve|refractometer_factor")] = "curve",
    state_dir: Folder = None,
    inbox_dir: Folder = None,
    runtime_dir: Folder = None,
) -> int:
    """Put in force again what was so before: one step, and one more each time."""
    from agent.calibrate import Bench, said_plainly
    from calibration import force

    with said_plainly():
        if field not in force.FIELDS:
            raise Misused(f"--field: known are {', '.join(force.FIELDS)}")
        bench = Bench.of(site, state_dir, inbox_dir, runtime_dir)
        body = force.go_back(bench.stack(sump, field), field, bench.site_value(bench.sump(sump), field))
        bench.say(sump, body, by)
    print(f"{sump}: {field}: {body['note']}")
    return 0


@calibrate_app.command()
def compare(
    site: SitePath,
    file: Annotated[str, typer.Argument(metavar="FILE", help="A file that a calibration wrote.")],
    records: Annotated[str, typer.Argument(metavar="RECORDS.jsonl|journal", help="The past to play twice.")],
    state_dir: Folder = None,
    days: Annotated[float, typer.Option(help="Of the journal: how far back.")] = 30.0,
    rows: Annotated[int, typer.Option(help="Lines of the table, evenly spread.")] = 12,
) -> int:
    """Show what a calibration would have made of the past. Changes nothing: history is never rewritten."""
    from datetime import UTC, datetime

    from agent import calibrate_compare as comparing
    from agent.calibrate import Bench, document_at, said_plainly

    with said_plainly():
        bench = Bench.of(site, state_dir)
        since = bench.now() - 86_400.0 * days
        records_again = comparing.records_of(bench, records, since)
        found = comparing.compare(bench.site.spec(), document_at(file), records_again)
    print(f"{'time (UTC)':16} {'litres':>8} {'would be':>9} {'%':>6} {'would be':>9}")
    for r in found.rows[:: max(1, -(-len(found.rows) // rows))]:
        when = f"{datetime.fromtimestamp(r.time, UTC):%Y-%m-%d %H:%M}"
        print(f"{when} {r.volume_l:8.1f} {r.new_volume_l:9.1f} {r.strength_pct:6.2f} {r.new_strength_pct:9.2f}")
    print(found.text)
    return 0
