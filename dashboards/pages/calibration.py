"""Calibration: the guided level routine, strength, the inline probe, makeup; and which result is in force."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from math import hypot
from typing import Any

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from agent.core.spec import SumpSpec
from agent.io.calibration_files import CURVES, FOLDER, CalibrationFiles
from calibration import due, force, makeup, probe, strength
from calibration import session as routine
from calibration.document import Document, NotOurs, numbers
from calibration.holdup import fit_hold_up
from calibration.level import LevelCurve, OutsideCurve, fit_level, odd_points
from calibration.line import CannotFit
from calibration.pours import ERRORS
from calibration.quantile import Z95
from calibration.service import by_dip_stick
from calibration.session import Session
from calibration.settle import WINDOW_S, Settled, settled
from calibration.shape import Comparison, Shape, compare
from dashboards.calibration_views import Picture, drift_picture, level_picture
from dashboards.core_sentences import core_text
from dashboards.desk import Ask
from dashboards.language import N_, _, decimal, localised, signed
from dashboards.render import page
from dashboards.show import Show, Unreadable, number

LOOK_BACK_S = 1800.0  # a level that does not settle for longer is not going to
PAIRS_S = 180 * 86_400.0
HOLD_UP_S = 900.0  # watched on either side of a stop and a start
PAIR_S = 300.0  # inline readings this near a hand reading are of the same fluid
TOLERANCE_BRIX = 0.3
MOST_BRIX = 40.0
MOST_MM2 = 1e8  # ten metres by ten
MOST_ROWS, MOST_WORDS = 8, 20_000
KINDS = {
    "curve": N_("Level curve"), "dip": N_("Dip stick"), "factor": N_("Refractometer factor"), "zero": N_("Zero"),
    "probe": N_("Inline probe"), "hold_up": N_("Hold-up"), "proportioner": N_("Proportioner"),
    "flow_meter": N_("Flow meter"),
}  # fmt: skip
MEASURED_WITH = {"pail": N_("a marked pail"), "scales": N_("a pail on scales"), "meter": N_("a flow meter")}
VERDICTS = {
    "right": N_("agrees with its setting"), "rich": N_("mixes richer than set"), "lean": N_("mixes leaner than set"),
    "cannot_tell": N_("cannot be told yet: take more readings"),
}  # fmt: skip
DUE = {
    due.DUE: N_("calibrate again"), due.NOT_DUE: N_("not due"), due.CANNOT_TELL: N_("cannot be told yet"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Row:
    """One kept result as the list shows it."""

    file: str
    kind: str
    time: float
    by: str
    text: str
    usable: bool
    in_force: bool


async def choose(ask: Ask) -> Response:
    return page(ask, "calibration_choose.html", sumps=list(ask.desk.site.sumps.values()))


async def show(ask: Ask, problem: str | None = None, status: int = 200) -> Response:
    spec = _sump(ask)
    session = _session(ask, spec)
    now = _level_now(ask, session) if session and session.waiting_l is not None else None
    document = None if session else _newest(ask, spec, "curve")
    curve, no_curve = _curve_of(session, document)
    checks = probe.drift(_pairs(ask, spec))
    beside, not_beside = _beside_shape(ask, curve)
    at_20, not_at_20 = _at_20(ask)
    probed = _newest(ask, spec, "probe")
    since = [c for c in checks if probed is None or c.time > probed.time]
    told = due.due(since, TOLERANCE_BRIX, ask.now_s, "Brix") if checks else None
    return page(
        ask, "calibration.html", status, problem=problem, typed=ask.form, spec=spec, session=session,
        settled=now if isinstance(now, Settled) else None, curve=curve, no_curve=no_curve,
        steps=_steps(curve), out=_left_out(session, document), beside=beside, not_beside=not_beside,
        at_20=at_20, not_at_20=not_at_20, probed=probed,
        picture=_picture(ask, curve), drift=_drift(ask, checks, told), told=told, due_words=DUE, signed=signed,
        files=_rows(ask, spec), fields=_in_force(ask, spec), measured_with=MEASURED_WITH, most_rows=MOST_ROWS,
        engineer=ask.person is not None and ask.person.role == "maintenance",
    )  # fmt: skip


async def act(ask: Ask) -> Response:
    """One form of the page. What it finds is kept as a file; what it puts in force goes into the inbox."""
    spec = _sump(ask)
    if ask.form.get("action") in ("shape", "at_20"):
        return await show(ask)  # asks and changes nothing
    action = ACTIONS.get(ask.form.get("action", ""))
    if action is None:
        raise HTTPException(400, _("This form cannot be read."))
    try:
        said = action(ask, spec)
    except (CannotFit, OutsideCurve, NotOurs) as why:
        return await show(ask, _("This cannot be done: {why}.", why=core_text(why)), 422)
    except Unreadable as why:
        return await show(ask, str(why), 422)
    except OSError as why:
        return await show(ask, _("The file cannot be kept: {why}.", why=why.strerror or why), 500)
    return RedirectResponse(f"/calibration/{spec.id}" + (f"?said={said}" if said else ""), 303)


# ── what there is ─────────────────────────────────────────────────────────────────────────────────────────────


def _sump(ask: Ask) -> SumpSpec:
    spec = ask.sump()
    if spec is None:
        raise HTTPException(404, _("There is no such sump here."))
    return spec


def _files(ask: Ask) -> CalibrationFiles:
    return CalibrationFiles(ask.desk.folders.inbox / FOLDER, ask.desk.file.resolve(CURVES))


def _session(ask: Ask, spec: SumpSpec) -> Session | None:
    row = _files(ask).draft(spec.id)
    try:
        return routine.from_row(row) if row else None
    except (KeyError, TypeError, ValueError):
        return None  # of another version: begin anew


def _samples(ask: Ask, sump: str, signal: str, since: float, until: float) -> list[tuple[float, float]]:
    """(epoch s, raw), flagged ones too: a curve that is to be made is not yet there to judge by."""
    return [(s.time, s.raw) for s in ask.desk.queries.samples(sump, signal, since, until)]


def _readings(ask: Ask, session: Session) -> list[tuple[float, float]]:
    since = max(session.since, ask.now_s - LOOK_BACK_S)
    return _samples(ask, session.sump, "level", since, ask.now_s + 1.0)


def _level_now(ask: Ask, session: Session) -> object:
    return settled(_readings(ask, session), session.since, session.window_s)


def _newest(ask: Ask, spec: SumpSpec, kind: str) -> Document | None:
    return next((k.document for k in _files(ask).all(spec.id) if k.document and k.document.kind == kind), None)


def _curve_of(session: Session | None, document: Document | None) -> tuple[LevelCurve | None, str]:
    """The curve of a routine under way, or of the newest file; else None and, where there are steps, why not."""
    try:
        if session is not None:
            return (routine.curve(session), "") if session.steps else (None, "")
        return (fit_level(*routine.steps_of(document)), "") if document else (None, "")
    except CannotFit as why:
        return None, core_text(why)
    except (KeyError, TypeError):
        return None, ""  # made otherwise, by metered additions


def _picture(ask: Ask, curve: LevelCurve | None) -> Picture | None:
    return level_picture(curve, ask.show.volume, odd_points(curve)) if curve else None


def _steps(curve: LevelCurve | None) -> list[dict[str, float]]:
    if curve is None:
        return []
    columns = (curve.points.raw, curve.points.litres, curve.residuals_l, curve.loo_l)
    names = ("raw", "litres", "residual_l", "loo_l")
    return [dict(zip(names, map(_plain, row), strict=True)) for row in zip(*columns, strict=True)]


def _beside_shape(ask: Ask, curve: LevelCurve | None) -> tuple[Comparison | None, str]:
    """The curve beside the dimensions that a person has typed; or why that cannot be."""
    if curve is None or ask.form.get("action") != "shape":
        return None, ""
    words = {"length": _("Length, mm"), "width": _("Width, mm"), "floor": _("Reading at the lowest point"),
             "scale": _("mm per unit of the reading")}  # fmt: skip
    more = {"slope": _("Rise of the floor, mm"), "ledge_at": _("Ledge, mm above the floor"),
            "ledge": _("Area of the ledge, mm²")}  # fmt: skip
    try:
        told = {name: number(ask.form.get(name, ""), word, -MOST_MM2, MOST_MM2) for name, word in words.items()}
        told |= {name: number(ask.form.get(name, "") or "0", word, 0.0, MOST_MM2) for name, word in more.items()}
        shape = Shape(told["length"], told["width"], told["slope"], told["ledge_at"], told["ledge"])
        return compare(curve, shape, told["floor"], told["scale"]), ""
    except Unreadable as why:
        return None, str(why)
    except CannotFit as why:
        return None, _("This cannot be done: {why}.", why=core_text(why))


def _at_20(ask: Ask) -> tuple[str, str]:
    """What a reading of a warm or cold sample would be at 20 °C; or why that cannot be told."""
    if ask.form.get("action") != "at_20":
        return "", ""
    try:
        brix = number(ask.form.get("warm", ""), _("Reading, Brix"), -5.0, MOST_BRIX)
        celsius = _celsius(ask, "warm_at")
        value, sd = strength.at_20_c(brix, celsius, ask.form.get("compensated") == "yes")
        half = max(Z95 * hypot(sd, strength.BRIX_SD), 0.01)
        at = ask.show.temperature(strength.REFERENCE_C, 0)
        return _("{brix} Brix ± {half} at {at}", brix=decimal(value, 2), half=decimal(half, 2), at=at), ""
    except Unreadable as why:
        return "", str(why)
    except CannotFit as why:
        return "", _("This cannot be done: {why}.", why=core_text(why))


def _celsius(ask: Ask, name: str) -> float:
    words = _("Temperature, {unit}", unit=ask.show.degree_unit)
    low, high = (ask.show.in_degrees(end) for end in (strength.COLDEST_C, strength.HOTTEST_C))
    return ask.show.to_celsius(number(ask.form.get(name, ""), words, low, high))


def _plain(figure: float) -> float:
    """Without the minus of a nothing."""
    return round(float(figure), 2) + 0.0


def _left_out(session: Session | None, document: Document | None) -> list[tuple[float, str]]:
    """(reading, why) of the steps that a person left out."""
    if session is not None:
        return [(step.raw, step.left_out) for step in session.steps if step.left_out]
    rows = document.measured if document else ()
    return [(row["raw"], row["left_out"]) for row in rows if row.get("left_out")]


def _drift(ask: Ask, checks: list[due.Check], told: due.Due | None) -> Picture | None:
    def day(time: float) -> str:
        return f"{ask.show.moment(time):%Y-%m-%d}"

    return drift_picture(checks, told, TOLERANCE_BRIX, ask.now_s, day) if told else None


def _words(ask: Ask, spec: SumpSpec) -> list[dict[str, Any]]:
    return [row.data() for row in ask.desk.queries.words(spec.id, limit=MOST_WORDS)]


def _in_force(ask: Ask, spec: SumpSpec) -> list[tuple[str, list[force.Setting]]]:
    words = _words(ask, spec)
    return [(field, force.settings(words, field)) for field in force.FIELDS]


def _rows(ask: Ask, spec: SumpSpec) -> list[Row]:
    used = {stack[-1].file for _field, stack in _in_force(ask, spec) if stack}
    found = [(k.path.name, k.document) for k in _files(ask).all(spec.id) if k.document is not None]
    return [
        Row(name, _(KINDS[d.kind]), d.time, d.by, _result(d, ask.show), d.setting is not None, name in used)
        for name, d in found
    ]


def _result(d: Document, show: Show) -> str:
    """A result in a few words."""
    fit = d.fit
    if d.kind == "curve" and "rms_leave_one_out_l" in fit:
        error = show.volume(fit["rms_leave_one_out_l"], 2)
        return _("{n} steps, left-out error {error}", n=len(d.measured), error=error)
    if d.kind == "proportioner":
        return f"{decimal(fit['ratio']['value'], 2)}: " + _(VERDICTS[fit["verdict"]])
    units = {"factor": "", "zero": " Brix", "off": "", "offset_brix": " Brix", "held_l": f" {show.volume_unit}"}
    name = next((name for name in units if name in fit), None)
    if name is None:
        return ""
    scale = show.in_unit(1.0) if name == "held_l" else 1.0
    value, low, high = (localised(f"{scale * fit[name][part]:.3g}") for part in ("value", "low", "high"))
    told = _("{value} ({low} to {high})", value=value, low=low, high=high) + units[name]
    if d.kind != "zero":
        return told
    return (
        told
        + ": "
        + (_("set it to zero") if fit[name]["low"] > 0.0 or fit[name]["high"] < 0.0 else _("its zero holds"))
    )


def _pairs(ask: Ask, spec: SumpSpec) -> list[probe.Pair]:
    """Hand readings with what the inline probe read within minutes of them."""
    found = []
    for row in ask.desk.queries.readings(spec.id, ask.now_s - PAIRS_S):
        at = float(row.get("at") or row["time"])
        if row["signal"] != "hand_reading":
            continue
        near = [raw for _t, raw in _samples(ask, spec.id, "brix", at - PAIR_S, at + PAIR_S)]
        if near:
            found.append(probe.Pair(at, sorted(near)[len(near) // 2], float(row["value"]), row.get("temperature")))
    return sorted(found, key=lambda p: p.time)


# ── what the forms do; each gives what the page says after it, or "" ──────────────────────────────────────────


def _by(ask: Ask) -> str:
    assert ask.person is not None  # every route that writes is for people signed in
    return ask.person.name


def _keep(ask: Ask, spec: SumpSpec, kind: str, signal: str, fit: dict[str, Any], **more: Any) -> str:
    document = Document(
        kind, spec.id, ask.now_s, _by(ask), fit, sensor=ask.desk.file.serial_of(spec.id, signal),
        simulated=ask.live.simulated, note=ask.form.get("note", "").strip()[:500], **more,
    )  # fmt: skip
    _files(ask).keep(document)
    return "calibrated"


def _litres(ask: Ask, name: str, what: str, low: float) -> float:
    most = ask.show.in_unit(routine.MOST_LITRES)
    return ask.show.to_litres(number(ask.form.get(name, ""), what, low, most))


def _begin(ask: Ask, spec: SumpSpec) -> str:
    start_l = _litres(ask, "start", _("In the sump, {unit}", unit=ask.show.volume_unit), 0.0)
    poured_with = ask.form.get("poured_with", "pail")
    known = 0.2 if start_l == 0.0 else max(0.2, 0.02 * start_l)
    until_empty = ask.form.get("until_empty") == "yes"
    session = routine.begin(spec.id, _by(ask), ask.now_s, poured_with, start_l, known, until_empty)
    _files(ask).keep_draft(spec.id, routine.to_row(session))
    return ""


def _under_way(ask: Ask, spec: SumpSpec) -> Session:
    session = _session(ask, spec)
    if session is None:
        raise Unreadable(_("No routine is under way: begin one."))
    return session


def _take(ask: Ask, spec: SumpSpec) -> str:
    """The level has settled, the browser says; the samples have the word."""
    session = _under_way(ask, spec)
    after, found, _warning = routine.take(session, _readings(ask, session))
    if not isinstance(found, Settled) and session.waiting_l is not None:
        raise Unreadable(_("The level has not settled yet."))
    _files(ask).keep_draft(spec.id, routine.to_row(after))
    return ""


def _pour(ask: Ask, spec: SumpSpec) -> str:
    litres = _litres(ask, "volume", _("Volume, {unit}", unit=ask.show.volume_unit), 0.01)
    sign = -1.0 if ask.form.get("way") == "drained" else 1.0
    session = routine.pour(_under_way(ask, spec), sign * litres, ask.now_s)
    _files(ask).keep_draft(spec.id, routine.to_row(session))
    return ""


def _undo(ask: Ask, spec: SumpSpec) -> str:
    _files(ask).keep_draft(spec.id, routine.to_row(routine.undo(_under_way(ask, spec))))
    return ""


def _leave(ask: Ask, spec: SumpSpec) -> str:
    step = int(number(ask.form.get("step", ""), _("Step"), 0.0, routine.MOST_STEPS))
    session = routine.leave_out(_under_way(ask, spec), step, ask.form.get("why", ""))
    _files(ask).keep_draft(spec.id, routine.to_row(session))
    return ""


def _stop(ask: Ask, spec: SumpSpec) -> str:
    _files(ask).drop_draft(spec.id)
    return ""


def _finish(ask: Ask, spec: SumpSpec) -> str:
    session = _under_way(ask, spec)
    note = ask.form.get("note", "").strip()[:500]
    serial = ask.desk.file.serial_of(spec.id, "level")
    files = _files(ask)
    files.keep(routine.document(session, ask.now_s, serial, ask.live.simulated, note))
    files.drop_draft(spec.id)
    return "calibrated"


def _dip(ask: Ask, spec: SumpSpec) -> str:
    stick = number(ask.form.get("stick", ""), _("Dip stick"), -1e6, 1e6)
    since = ask.now_s - 3 * WINDOW_S
    found = settled(_samples(ask, spec.id, "level", since, ask.now_s + 1.0), since)
    if not isinstance(found, Settled):
        raise Unreadable(_("The level is not at rest."))
    curve = [list(p) for p in zip(spec.curve.raw, spec.curve.litres, strict=True)]
    change = by_dip_stick(curve, found.raw, found.se, stick, number(ask.form.get("sd", "1"), _("Error"), 0.01, 100.0))
    fit = {"off": numbers(change.off), "change_proposed": change.propose}
    points = tuple((p[0], p[1]) for p in change.points) if change.propose else ()
    measured = ({"raw": found.raw, "raw_se": found.se, "stick": stick},)
    return _keep(ask, spec, "dip", "level", fit, points=points, measured=measured, remarks=(change.text,), unit="raw")


def _factor(ask: Ask, spec: SumpSpec) -> str:
    names = ("concentrate", "water", "brix")
    rows = [
        {name: number(ask.form.get(f"{name}{i}", ""), _("Mix {n}", n=i + 1), 0.0, 1e5) for name in names}
        for i in range(MOST_ROWS)
        if any(ask.form.get(f"{name}{i}", "").strip() for name in names)
    ]
    water = [number(text, _("Water"), -5.0, 5.0) for text in ask.form.get("zero", "").split()]
    zero = strength.zero_check(water) if water else None
    sd = number(ask.form.get("sd", "0.3"), _("Error"), 0.001, 1e3)
    mixes = strength.by_volume([r["concentrate"] for r in rows], [r["water"] for r in rows], sd)
    found = strength.factor(mixes, [r["brix"] for r in rows], zero=(zero.value, zero.sd) if zero else None)
    fit = {"factor": numbers(found.factor), "zero_brix": found.zero_brix, "errors_scaled_by": found.fit.scale}
    measured = tuple({**row, "residual_pct": float(r)} for row, r in zip(rows, found.fit.residuals, strict=True))
    return _keep(ask, spec, "factor", "brix", fit, measured=measured, remarks=found.remarks, unit="% per Brix")


def _zero(ask: Ask, spec: SumpSpec) -> str:
    """A refractometer on clean water: what it reads there is what it is off."""
    water = [number(text, _("Water"), -5.0, 5.0) for text in ask.form.get("water", "").split()]
    celsius = _celsius(ask, "water_at") if ask.form.get("water_at", "").strip() else None
    found = strength.zero_check(water, temperature_c=celsius)
    measured = tuple({"brix": b, "temperature_c": celsius} for b in water)
    return _keep(ask, spec, "zero", "", {"zero": numbers(found)}, measured=measured, unit="Brix")


def _probe(ask: Ask, spec: SumpSpec) -> str:
    pairs = _pairs(ask, spec)
    found = probe.fit_probe(pairs)
    fit = {name: numbers(value) for name, value in found.parts().items()}
    return _keep(ask, spec, "probe", "brix", fit, measured=tuple(asdict(p) for p in pairs), unit="Brix")


def _hold_up(ask: Ask, spec: SumpSpec) -> str:
    """From the journal, around a stop and a start that a person names."""
    stopped, started = (ask.show.read_moment(ask.form.get(name, ""), ask.now_s) for name in ("stopped", "started"))
    if not 0.0 < started - stopped < LOOK_BACK_S * 8:
        raise Unreadable(_("The pump stops first and starts within hours."))
    curve = spec.curve
    rows = _samples(ask, spec.id, "level", stopped - HOLD_UP_S, started + HOLD_UP_S)
    found = fit_hold_up([(t, curve.litres_at(raw)) for t, raw in rows if not curve.at_an_end(raw)], stopped, started)
    fit = {"held_l": numbers(found.held_l), "back_s": numbers(found.back_s), "out_s": numbers(found.out_s)}
    method = {"stopped": stopped, "started": started}
    return _keep(ask, spec, "hold_up", "level", fit, method=method, remarks=(found.text,), unit="L and s")


def _proportioner(ask: Ask, spec: SumpSpec) -> str:
    brix = [number(text, _("Reading, Brix"), 0.0, 40.0) for text in ask.form.get("brix", "").split()]
    setting = number(ask.form.get("setting", ""), _("Setting, %"), 0.01, 99.0)
    found = makeup.proportioner(brix, setting, spec.refractometer_factor)
    fit = {"strength_pct": numbers(found.strength_pct), "ratio": numbers(found.ratio), "verdict": found.verdict}
    method = {"setting_pct": setting}
    measured = tuple({"brix": b} for b in brix)
    return _keep(ask, spec, "proportioner", "", fit, measured=measured, method=method, unit="% of the mix")


def _use(ask: Ask, spec: SumpSpec) -> str:
    kept = _files(ask).find(ask.form.get("file", ""))
    if kept is None or kept.document is None or kept.document.sump != spec.id:
        raise Unreadable(_("There is no such calibration of this sump."))
    ask.put("record", spec.id, {"time": ask.now_s, **force.use(kept.document, kept.path.name)})
    return "written"


def _back(ask: Ask, spec: SumpSpec) -> str:
    field = ask.form.get("field", "")
    in_file = ask.desk.file.spec().sumps[spec.id]
    site_value = {
        "curve": [list(p) for p in zip(in_file.curve.raw, in_file.curve.litres, strict=True)],
        "refractometer_factor": in_file.refractometer_factor,
    }.get(field)
    if site_value is None:
        raise Unreadable(_("This form cannot be read."))
    body = force.go_back(force.settings(_words(ask, spec), field), field, site_value)
    ask.put("record", spec.id, {"time": ask.now_s, **body})
    return "written"


ACTIONS: dict[str, Callable[[Ask, SumpSpec], str]] = {
    "begin": _begin, "take": _take, "pour": _pour, "undo": _undo,
    "leave": _leave, "stop": _stop, "finish": _finish, "dip": _dip,
    "factor": _factor, "zero": _zero, "probe": _probe, "hold_up": _hold_up,
    "proportioner": _proportioner, "use": _use, "back": _back,
}  # fmt: skip
assert set(MEASURED_WITH) == set(ERRORS)
