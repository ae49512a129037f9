"""Charge: a new fill planned from batches, the change-out in order with its cautions, the first-fill values."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from agent.core import charge
from agent.core.charge import Batch, CannotBe, Plan, Request
from agent.core.checks import CHECKS
from agent.core.fluid import mix_pct
from agent.core.spec import SumpSpec
from agent.errors import BadRecord
from agent.records import record_from
from dashboards import check_words
from dashboards.cards import SHEET
from dashboards.core_sentences import core_text
from dashboards.desk import Ask
from dashboards.language import N_, _
from dashboards.render import page
from dashboards.show import Show, Unreadable, number, trim

CHANGE_OUT = (
    N_("Permit and lock-out: machine off, secured, pump circuit dead."),
    N_("Skim off the tramp oil."),
    N_("Run the system cleaner in the old fluid for a shift, as its sheet says."),
    N_("Drain to licensed waste; write down how many litres."),
    N_("Chips and sludge out: tank, conveyor, trays, filters."),
    N_("Flush, then rinse with water: cleaner that is left behind foams."),
    N_("Flush once more with a little weak fresh mix, and drain it."),
    N_("Fill with premix, as planned."),
    N_("Circulate for at least 30 minutes."),
    N_("Read strength, pH and conductivity: the first-fill values. Enter them here."),
    N_("Check the level curve at one point against a dip stick."),
)
CAUTIONS = (
    N_("This concentrate's and this cleaner's safety data sheets at hand; gloves and eye protection."),
    N_("Machine stopped and locked out before anyone reaches into sump or conveyor."),
    N_("Concentrate into water and stirred. Never water into concentrate, never neat concentrate into a sump."),
    N_("No water jets into the sump; wipe up spills. A hose on the makeup line needs back-flow protection."),
    N_("Fines of magnesium, titanium or cobalt have rules of their own: ask the supplier before filling."),
    SHEET,
)
FIRST_FILL = ("ph", "conductivity", "hardness", "nitrite")
USUAL_BUCKET_L, USUAL_LEAN_PCT, USUAL_RICHEST_PCT = 12.0, 1.5, 15.0
MOST_BRIX = 40.0


@dataclass(frozen=True, slots=True)
class Asked:
    """The form of the plan, as text in the units of who typed it."""

    volume: str
    target: str
    of: str  # mix | water
    bucket: str
    richest: str
    lean: str


async def choose(ask: Ask) -> Response:
    return page(ask, "charge_choose.html", sumps=list(ask.desk.site.sumps.values()))


async def show(ask: Ask, problem: str | None = None, status: int = 200) -> Response:
    spec = ask.sump()
    if spec is None:
        raise HTTPException(404, _("There is no such sump here."))
    asked = _asked(ask, spec)
    plan, fault = None, None
    try:
        plan = charge.plan(_request(asked, ask.show))
    except (CannotBe, Unreadable) as why:
        fault = core_text(str(why))
    return page(
        ask, "charge.html", status, problem=problem, typed=ask.form, spec=spec, asked=asked, plan=plan, fault=fault,
        steps=steps(plan, ask.show) if plan else (), change_out=CHANGE_OUT, cautions=CAUTIONS, first_fill=FIRST_FILL,
        checks=CHECKS, names=check_words.NAMES,
    )  # fmt: skip


def _asked(ask: Ask, spec: SumpSpec) -> Asked:
    given, show_ = ask.request.query_params, ask.show
    return Asked(
        given.get("volume") or show_.field(spec.full_l),
        given.get("target") or trim(spec.target_pct),
        "water" if given.get("of") == "water" else "mix",
        given.get("bucket") or show_.field(USUAL_BUCKET_L),
        given.get("richest") or trim(max(USUAL_RICHEST_PCT, spec.target_pct)),
        given.get("lean") or trim(min(USUAL_LEAN_PCT, spec.target_pct / 2)),
    )


def _request(asked: Asked, show_: Show) -> Request:
    most = show_.in_unit(1e6)
    target = number(asked.target, _("Target, %"), 0.01, 99.0)
    return Request(
        volume_l=show_.to_litres(number(asked.volume, _("Volume, {unit}", unit=show_.volume_unit), 0.1, most)),
        target_pct=mix_pct(target) if asked.of == "water" else target,
        bucket_l=show_.to_litres(number(asked.bucket, _("Bucket, {unit}", unit=show_.volume_unit), 0.1, most)),
        richest_pct=number(asked.richest, _("Richest batch, %"), 0.01, 99.0),
        lean_pct=number(asked.lean, _("Lean mix, %"), 0.0, 99.0),
    )


def steps(plan: Plan, show_: Show) -> list[str]:
    """The plan in order, in measures of who reads it."""
    told = [_mixed(batch, show_) for batch in plan.batches if batch.kind != "lean"]
    lean = [batch for batch in plan.batches if batch.kind == "lean"]
    if lean:
        litres = sum(batch.count * batch.volume_l for batch in lean)
        told.append(_filled_up(litres, plan.request.lean_pct, show_))
    return told


def _mixed(batch: Batch, show_: Show) -> str:
    values = {
        "water": show_.pour(batch.water_l), "concentrate": show_.pour(batch.concentrate_l), "pct": trim(batch.pct),
        "n": batch.count,
    }  # fmt: skip
    if batch.count == 1:
        return _(
            "Mix one batch at {pct} %: {water} of water, stir in {concentrate} of concentrate. Pour it in.", **values
        )
    return _(
        "Mix {n} batches at {pct} %, each {water} of water with {concentrate} of concentrate stirred in. Pour them in.",
        **values,
    )


def _filled_up(litres: float, lean_pct: float, show_: Show) -> str:
    if lean_pct == 0.0:
        return _("Fill up with {volume} of plain water, as asked for.", volume=show_.pour(litres))
    return _(
        "Fill up with {volume} of lean mix at {pct} %: from the proportioner, or by the bucket.",
        volume=show_.pour(litres), pct=trim(lean_pct),
    )  # fmt: skip


# ── the result ──


async def write(ask: Ask) -> Response:
    """The new fill as a recharge, and its first-fill values as readings of their own."""
    spec = ask.sump()
    if spec is None:
        raise HTTPException(404, _("There is no such sump here."))
    try:
        words = _words(ask, spec)
    except Unreadable as why:
        return await show(ask, str(why), 422)
    except BadRecord as why:
        return await show(ask, _("This cannot be kept: {why}.", why=why), 422)
    for part, kind, body in words:
        ask.put(kind, spec.id, body, part=part)
    return RedirectResponse(f"/charge/{spec.id}?said=written", 303)


def _words(ask: Ask, spec: SumpSpec) -> list[tuple[str, str, dict[str, object]]]:
    """Everything on the form, checked before any of it is written."""
    assert ask.person is not None  # this route is for people signed in
    show_, form = ask.show, ask.form
    title = _("Volume, {unit}", unit=show_.volume_unit)
    volume = number(form.get("volume", ""), title, 0.1, show_.in_unit(1.5 * spec.high_l))
    about = {"time": ask.now_s, "sump": spec.id, "by": ask.person.name}
    fill = {"volume_l": round(show_.to_litres(volume), 3), "pct": number(form.get("pct", ""), _("Mix, %"), 0.0, 100.0)}
    found: list[tuple[str, str, dict[str, object]]] = [("fill", "record", {"signal": "recharge", **about, **fill})]
    if form.get("brix", "").strip():
        brix = number(form["brix"], _("Reading, Brix"), 0.0, MOST_BRIX)
        found.append(("brix", "record", {"signal": "hand_reading", **about, "value": brix}))
    for name in FIRST_FILL:
        if form.get(name, "").strip():
            value = number(form[name], _(check_words.NAMES[name]), CHECKS[name].least, CHECKS[name].most)
            found.append((name, "check", {"signal": "check", "check": name, "value": value, "first_fill": True}))
    for _part, kind, body in found:
        if kind == "record":
            record_from(body)
    return found
