"""The commands of `sumpside calibrate` for strength, hold-up and makeup: a fit, a dated file, a sentence."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import typer

from agent.cli_options import Folder, SitePath

Sump = Annotated[str, typer.Option(metavar="ID", help="The sump.")]
By = Annotated[str, typer.Option(metavar="NAME", help="Who does it; kept with the result.")]
To = Annotated[
    str | None, typer.Option(metavar="DIR", help="Where the new file goes; usually curves/ beside the site.")
]
LEAST_ERROR = 1e-6  # a stated error of nothing weighs without end
BrixSd = Annotated[float, typer.Option(min=LEAST_ERROR, help="Error of one refractometer reading, 1 sd.")]
Note = Annotated[str, typer.Option(help="A remark, kept with the result.")]


def add_to(app: typer.Typer) -> None:
    """Give a group these commands."""
    for command in (factor, zero, probe, proportioner, meter):
        app.command()(command)
    app.command("at-20")(at_20)
    app.command("hold-up")(hold_up)


def show(path: Path, document: Any, lines: list[str]) -> int:
    """What was found and where it is kept; how to go on, where it is something that can be put in force."""
    print(*lines, sep="\n")
    print(f"kept as {path}" + ("; see what it would change with `compare`, then `use` it" if document.setting else ""))
    return 0


def kept(
    bench: Any, kind: str, sump: str, by: str, fit: dict[str, Any], lines: list[str], signal: str = "", **more: Any
) -> int:
    """Into a dated file, and told. `signal`: of the sensor that was read, where one was; `more`: as of `Document`."""
    from calibration.document import Document

    serial = bench.site.serial_of(sump, signal) if signal else ""
    document = Document(kind, sump, bench.now(), by, fit, sensor=serial, simulated=bench.site.simulated, **more)
    return show(bench.keep(document), document, lines)


# ── strength ──────────────────────────────────────────────────────────────────────────────────────────────────

PROBE_WORDS = {"offset_brix": "offset, Brix:", "slope": "slope:", "per_k": "Brix a kelvin from 20 °C:"}
SERIES = (("concentrate_ml", "water_ml", "brix"), ("concentrate_g", "water_g", "brix"), ("titration_pct", "brix"))


def factor(
    site: SitePath,
    series: Annotated[str, typer.Argument(metavar="SERIES.csv", help=" or ".join(map(",".join, SERIES)))],
    sump: Sump,
    by: By,
    sd: Annotated[float, typer.Option(help="Error of one measure (mL, g, or % of a titration), 1 sd.")] = 0.3,
    brix_sd: BrixSd = 0.15,
    density: Annotated[float | None, typer.Option(help="Of the concentrate, kg/L, for weighed mixes.")] = None,
    water_brix: Annotated[list[float] | None, typer.Option(help="What water read just before; repeat it.")] = None,
    stepwise: Annotated[bool, typer.Option("--stepwise", help="One sample thinned: water added step by step.")] = False,
    temperature: Annotated[float | None, typer.Option(help="°C of all samples; reading corrected to 20 °C.")] = None,
    note: Note = "",
    state_dir: Folder = None,
    to: To = None,
) -> int:
    """The refractometer factor from mixes of known strength, or from titrations of the same samples."""
    from agent.calibrate import Bench, said_plainly, table
    from calibration import strength
    from calibration.document import numbers

    with said_plainly():
        bench = Bench.of(site, state_dir, to=to)
        bench.sump(sump)
        columns, rows = table(series, *SERIES)
        mixes = _mixes(columns, rows, sd, density, stepwise)
        brix = [row["brix"] for row in rows]
        if temperature is not None:
            brix = [strength.at_20_c(b, temperature)[0] for b in brix]
        zero = strength.zero_check(water_brix, brix_sd) if water_brix else None
        found = strength.factor(mixes, brix, brix_sd, (zero.value, zero.sd) if zero else None)
        fit = {"factor": numbers(found.factor), "zero_brix": found.zero_brix, "errors_scaled_by": found.fit.scale,
               "intercept_brix": numbers(found.intercept_brix) if found.intercept_brix else None}  # fmt: skip
        measured = tuple(
            {**row, "strength_pct": float(c), "residual_pct": float(r)}
            for row, c, r in zip(rows, mixes.pct, found.fit.residuals, strict=True)
        )
        f = found.factor
        lines = [f"factor {f.value:.3f} ({f.low:.3f} to {f.high:.3f}); in force {bench.factor_in_force(sump)[0]:g}"]
        lines += [f"WARNING: {r}" for r in found.remarks]
        method = {"sd": sd, "brix_sd": brix_sd, "density": density, "stepwise": stepwise}
        return kept(
            bench, "factor", sump, by, fit, lines, measured=measured, unit="% per Brix", note=note,
            remarks=found.remarks, method=method,
        )  # fmt: skip


def _mixes(
    columns: tuple[str, ...], rows: list[dict[str, float]], sd: float, density: float | None, steps: bool
) -> Any:
    from agent.errors import Misused
    from calibration import strength

    first, second = ([row[name] for row in rows] for name in columns[:2])
    if columns[0] == "titration_pct":
        return strength.by_titration(first, sd)
    if columns[0] == "concentrate_g":
        if density is None:
            raise Misused("calibrate: weighed mixes need --density of the concentrate, kg/L, from its data sheet")
        return strength.by_weight(first, second, sd, density)
    return strength.by_dilution(first[0], second, sd) if steps else strength.by_volume(first, second, sd)


def zero(
    site: SitePath,
    readings: Annotated[list[float], typer.Argument(metavar="BRIX...", help="What the refractometer reads on water.")],
    sump: Sump,
    by: By,
    temperature: Annotated[float | None, typer.Option(help="°C of the water, uncompensated instrument.")] = None,
    brix_sd: BrixSd = 0.15,
    note: Note = "",
    to: To = None,
) -> int:
    """Check the zero of a refractometer with water."""
    from agent.calibrate import Bench, said_plainly
    from calibration.document import numbers
    from calibration.strength import zero_check

    with said_plainly():
        bench = Bench.of(site, to=to)
        bench.sump(sump)
        found = zero_check(readings, brix_sd, temperature)
        off = found.low > 0.0 or found.high < 0.0
        text = f"water reads {found.value:+.2f} Brix ({found.low:+.2f} to {found.high:+.2f}): "
        text += "zero it" if off else "its zero holds"
        measured = tuple({"brix": b, "temperature_c": temperature} for b in readings)
        return kept(
            bench, "zero", sump, by, {"zero": numbers(found)}, [text], measured=measured, unit="Brix", note=note,
            remarks=(text,),
        )  # fmt: skip


def at_20(
    brix: Annotated[float, typer.Argument(help="The hand reading.")],
    temperature: Annotated[float, typer.Argument(help="°C of the sample.")],
    compensated: Annotated[bool, typer.Option("--compensated", help="The instrument compensates.")] = False,
) -> int:
    """What a hand reading of a warm or cold sample would be at 20 °C."""
    from agent.calibrate import said_plainly
    from calibration.quantile import Z95
    from calibration.strength import at_20_c

    with said_plainly():
        value, sd = at_20_c(brix, temperature, compensated)
    print(f"{value:.2f} Brix at 20 °C (±{Z95 * sd:.2f})")
    return 0


def probe(
    site: SitePath,
    sump: Sump,
    by: By,
    days: Annotated[float, typer.Option(help="How far back readings count.")] = 90.0,
    tolerance: Annotated[float, typer.Option(help="Brix that the probe may be off.")] = 0.3,
    note: Note = "",
    state_dir: Folder = None,
    runtime_dir: Folder = None,
    to: To = None,
) -> int:
    """Hold the inline probe against hand readings: offset, slope, temperature, drift, and whether it is due."""
    from agent.calibrate import Bench, said_plainly
    from agent.calibrate_evidence import pairs, probed
    from calibration.document import numbers
    from calibration.due import due
    from calibration.probe import drift, fit_probe

    with said_plainly():
        bench = Bench.of(site, state_dir, None, runtime_dir, to)
        bench.sump(sump)
        now = bench.now()
        rows = pairs(bench, sump, max(now - 86_400.0 * days, probed(bench, sump)), now)
        fitted = fit_probe(rows)
        told = due(drift(rows), tolerance, now, "Brix")
        parts = fitted.parts()
        fit = {name: numbers(value) for name, value in parts.items()}
        lines = [f"{PROBE_WORDS[name]} {v.value:+.3f} ({v.low:+.3f} to {v.high:+.3f})" for name, v in parts.items()]
        if sensor := bench.site.sensor_of(sump, "brix"):
            lines.append(f"to have it read as the hand does, in the site file: {_put_right(sensor, fitted)}")
        return kept(
            bench, "probe", sump, by, {**fit, "due": told.state}, [*lines, told.text], "brix",
            measured=tuple(asdict(p) for p in rows), unit="Brix", note=note, remarks=(told.text,),
        )  # fmt: skip


def _put_right(sensor: Any, fitted: Any) -> str:
    """The sensor's keys of the site file with the fit taken into them (20 °C: no key has a temperature)."""
    if sensor.loop is not None:
        ends = (fitted.as_hand(end) for end in (sensor.loop.at_4_ma, sensor.loop.at_20_ma))
        return "loop = {{ at_4_ma = {:.4g}, at_20_ma = {:.4g} }}".format(*ends)
    return f"scale = {sensor.scale / fitted.slope_or_1:.5g}, offset = {fitted.as_hand(sensor.offset):.4g}"


# ── hold-up and makeup ────────────────────────────────────────────────────────────────────────────────────────


def hold_up(
    site: SitePath,
    sump: Sump,
    by: By,
    stopped: Annotated[str | None, typer.Option(metavar="TIME", help="When the pump stopped; else asked.")] = None,
    started: Annotated[str | None, typer.Option(metavar="TIME", help="When it was started again.")] = None,
    watch: Annotated[float, typer.Option(help="Seconds to watch on either side.")] = 900.0,
    note: Note = "",
    state_dir: Folder = None,
    runtime_dir: Folder = None,
    to: To = None,
) -> int:
    """Stop the pump, wait, start it, wait: litres in circulation, and how fast they come back and go out."""
    from agent.calibrate import Bench, said_plainly
    from calibration.document import numbers
    from calibration.holdup import fit_hold_up

    with said_plainly():
        bench = Bench.of(site, state_dir, None, runtime_dir, to)
        bench.sump(sump)
        t0 = _moment(bench, stopped, f"let it run for {watch:.0f} s, stop the pump, then press Enter")
        t1 = _moment(bench, started, f"wait {watch:.0f} s or more, start the pump, then press Enter")
        if started is None:
            typer.prompt(f"wait {watch:.0f} s or more, then press Enter", default="", show_default=False)
        curve, _ = bench.curve_in_force(sump)
        rows = _litres(bench.readings(sump, "level", t0 - watch, t1 + watch), curve)
        found = fit_hold_up(rows, t0, t1)
        fit = {"held_l": numbers(found.held_l), "back_s": numbers(found.back_s), "out_s": numbers(found.out_s),
               "noise_l": found.noise_l, "law_off": found.law_off}  # fmt: skip
        return kept(
            bench, "hold_up", sump, by, fit, [found.text], "level", unit="L and s", note=note, remarks=(found.text,),
            method={"stopped": t0, "started": t1, "readings": len(rows)},
        )  # fmt: skip


def _moment(bench: Any, given: str | None, words: str) -> float:
    from agent.errors import BadRecord, Misused
    from agent.records import parse_time

    if given is None:
        typer.prompt(words, default="", show_default=False)
        return float(bench.now())
    try:
        return parse_time("the time", float(given) if given.replace(".", "").isdigit() else given)
    except BadRecord as why:
        raise Misused(f"calibrate: {why.reason}") from why


def _litres(readings: list[tuple[float, float]], curve: list[list[float]]) -> list[tuple[float, float]]:
    from agent.core.curve import Curve

    by = Curve.of(curve)
    return [(t, by.litres_at(raw)) for t, raw in readings if not by.at_an_end(raw)]


def proportioner(
    site: SitePath,
    readings: Annotated[list[float], typer.Argument(metavar="BRIX...", help="Samples at the proportioner's mouth.")],
    sump: Sump,
    by: By,
    setting: Annotated[float | None, typer.Option(help="What it is set to, % of the mix; else the usual.")] = None,
    water_brix: Annotated[list[float] | None, typer.Option(help="What water read just before; repeat it.")] = None,
    brix_sd: BrixSd = 0.15,
    note: Note = "",
    state_dir: Folder = None,
    to: To = None,
) -> int:
    """Check a proportioner by refractometer against its setting."""
    from agent.calibrate import Bench, said_plainly
    from calibration import makeup
    from calibration.document import numbers
    from calibration.strength import zero_check

    with said_plainly():
        bench = Bench.of(site, state_dir, to=to)
        spec = bench.sump(sump)
        set_to = spec.usual_pct if setting is None else setting
        checked = zero_check(water_brix, brix_sd) if water_brix else None
        by_zero = (checked.value, checked.sd) if checked else (0.0, 0.0)
        found = makeup.proportioner(readings, set_to, *bench.factor_in_force(sump), by_zero, brix_sd)
        fit = {"strength_pct": numbers(found.strength_pct), "ratio": numbers(found.ratio), "verdict": found.verdict}
        lines = [f"gives {found.strength_pct.value:.2f} %, set {set_to:g} %", found.text]
        return kept(
            bench, "proportioner", sump, by, fit, lines, measured=tuple({"brix": b} for b in readings),
            unit="% of the mix", note=note, remarks=(found.text,), method={"setting_pct": set_to, "brix_sd": brix_sd},
        )  # fmt: skip


def meter(
    site: SitePath,
    runs: Annotated[str, typer.Argument(metavar="RUNS.csv", help="Columns metered_l (or pulses), collected_l.")],
    sump: Sump,
    by: By,
    sd_l: Annotated[float, typer.Option(min=LEAST_ERROR, help="Error of one collected amount, L, 1 sd.")] = 0.1,
    step_l: Annotated[float, typer.Option(help="The meter's last digit, L (or pulses).")] = 0.0,
    vessel_share: Annotated[float, typer.Option(min=0.0, help="The vessel's own error as a share, 1 sd.")] = 0.005,
    note: Note = "",
    to: To = None,
) -> int:
    """The factor of a flow meter: what was collected over what it counted."""
    from agent.calibrate import Bench, said_plainly, table
    from calibration.document import numbers
    from calibration.makeup import flow_meter

    with said_plainly():
        bench = Bench.of(site, to=to)
        bench.sump(sump)
        columns, rows = table(runs, ("metered_l", "collected_l"), ("pulses", "collected_l"))
        counted, collected = ([row[name] for row in rows] for name in columns)
        fit = flow_meter(counted, collected, sd_l, step_l, vessel_share)
        value = fit.coefficients[0]
        lines = [
            f"factor {value.value:.5g} ({value.low:.5g} to {value.high:.5g})",
            "in the site file: multiply the meter's scale by it",
        ]
        return kept(
            bench, "flow_meter", sump, by, {"factor": numbers(value)}, lines, measured=tuple(rows),
            unit=f"L per {columns[0].removesuffix('_l')} unit", note=note,
            method={"sd_l": sd_l, "step_l": step_l, "vessel_share": vessel_share},
        )  # fmt: skip
