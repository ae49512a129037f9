"""Entry of what people measured or did at a sump: hand reading, titration, addition, drained, recharge."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from agent.core.spec import SumpSpec
from agent.errors import BadRecord
from agent.records import record_from
from dashboards.desk import Ask
from dashboards.language import _
from dashboards.pages.todo import LONGEST_NOTE, ROOM_ABOVE_HIGH
from dashboards.render import page
from dashboards.show import Unreadable, number

LONGEST_AGO_S = 31 * 86_400.0  # a paper note of last month; more is a wrong date
STRONGER_SHARE = 1.1  # of target
MOST_BRIX = 40.0  # a hand refractometer for fluids ends at 18 or 32
MOST_PCT = 50.0
COLDEST_C, HOTTEST_C = -5.0, 80.0  # of a sample that is still a fluid


async def choose(ask: Ask) -> Response:
    """Which sump?"""
    return page(ask, "reading_choose.html", sumps=list(ask.desk.site.sumps.values()))


async def show(ask: Ask, problem: str | None = None, status: int = 200) -> Response:
    spec = _sump(ask)
    readings = ask.desk.queries.readings(spec.id, ask.now_s - LONGEST_AGO_S)
    return page(
        ask, "reading.html", status, problem=problem, typed=ask.form, spec=spec,
        last=readings[-1] if readings else None,
    )  # fmt: skip


async def write(ask: Ask) -> Response:
    """One record of contract.md into the inbox, checked by the same rules as any other record."""
    spec = _sump(ask)
    signal = ask.form.get("signal", "")
    try:
        body = {"signal": signal, **FIELDS[signal](ask, spec), **_about(ask)}
        record_from({**body, "time": ask.now_s, "sump": spec.id})
    except KeyError as why:
        raise HTTPException(400, _("This form cannot be read.")) from why
    except BadRecord as why:
        return await show(ask, _("This cannot be kept: {why}.", why=why), 422)
    except Unreadable as why:
        return await show(ask, str(why), 422)
    ask.put("record", spec.id, {"time": ask.now_s, "sump": spec.id, **body})
    to = "/todo" if ask.form.get("from") == "todo" else f"/reading/{spec.id}"
    return RedirectResponse(f"{to}?said=written", 303)


def _sump(ask: Ask) -> SumpSpec:
    spec = ask.sump()
    if spec is None:
        raise HTTPException(404, _("There is no such sump here."))
    return spec


def _about(ask: Ask) -> dict[str, Any]:
    """Who says it, when it was and what is to be remembered of it."""
    assert ask.person is not None  # this route is for people signed in
    about: dict[str, Any] = {"by": ask.person.name}
    if ask.form.get("at"):
        at = ask.show.read_moment(ask.form["at"], ask.now_s)
        if not ask.now_s - LONGEST_AGO_S <= at <= ask.now_s + 60.0:
            raise Unreadable(_("The time lies ahead, or more than a month back."))
        about["at"] = min(at, ask.now_s)
    elif ask.kept_s and not ask.form.get("of"):  # an answer tells of something that the finding dates better
        about["at"] = ask.now_s - ask.kept_s
    if ask.form.get("note", "").strip():
        about["note"] = ask.form["note"].strip()[:LONGEST_NOTE]
    return about


def _hand_reading(ask: Ask, spec: SumpSpec) -> dict[str, Any]:
    found = {"value": number(ask.form.get("value", ""), _("Reading, Brix"), 0.0, MOST_BRIX)}
    if ask.form.get("temperature", "").strip():
        found["temperature"] = _temperature(ask)
    return found


def _temperature(ask: Ask) -> float:
    """°C, from the unit of who typed it."""
    show = ask.show
    low, high = show.in_degrees(COLDEST_C), show.in_degrees(HOTTEST_C)
    what = _("Temperature, {unit}", unit=show.degree_unit)
    return round(show.to_celsius(number(ask.form["temperature"], what, low, high)), 2)


def _titration(ask: Ask, spec: SumpSpec) -> dict[str, Any]:
    return {"value": number(ask.form.get("value", ""), _("Strength, %"), 0.0, MOST_PCT)}


def _addition(ask: Ask, spec: SumpSpec) -> dict[str, Any]:
    """Volume and mix of what went in; either may be unknown, but not both."""
    found: dict[str, Any] = {}
    if ask.form.get("volume", "").strip():
        found["volume_l"] = _volume(ask, spec)
    kind = ask.form.get("mix", "other")
    if kind in ("usual", "water"):
        found["pct"] = spec.usual_pct if kind == "usual" else 0.0
    elif kind == "stronger":
        found |= {"pct": stronger_pct(spec), "note": _("stronger than usual, how strong is not known")}
    elif kind == "other" and ask.form.get("pct", "").strip():
        found["pct"] = number(ask.form["pct"], _("Mix, %"), 0.0, 100.0)
    if not found:
        raise Unreadable(_("Say how much went in, or of which mix."))
    return found | ({"of": ask.form["of"][:100]} if ask.form.get("of") else {})


def stronger_pct(spec: SumpSpec) -> float:
    """What a stronger mix is taken for when nobody knows how strong: a little above target, as people correct."""
    return min(max(STRONGER_SHARE * spec.target_pct, 1.5 * spec.usual_pct), spec.richest_pct)


def _dismissal(ask: Ask, spec: SumpSpec) -> dict[str, Any]:
    return {"of": ask.form.get("of", "")[:100]}


def _recharge(ask: Ask, spec: SumpSpec) -> dict[str, Any]:
    return {"volume_l": _volume(ask, spec), "pct": number(ask.form.get("pct", ""), _("Mix, %"), 0.0, 100.0)}


def _drained(ask: Ask, spec: SumpSpec) -> dict[str, Any]:
    return {"volume_l": _volume(ask, spec)}


def _volume(ask: Ask, spec: SumpSpec) -> float:
    site = ask.show
    most = site.in_unit(ROOM_ABOVE_HIGH * spec.high_l)
    shown = number(ask.form.get("volume", ""), _("Volume, {unit}", unit=site.volume_unit), 0.1, most)
    return round(site.to_litres(shown), 3)


FIELDS: dict[str, Callable[[Ask, SumpSpec], dict[str, Any]]] = {
    "hand_reading": _hand_reading,
    "titration": _titration,
    "addition": _addition,
    "dismissal": _dismissal,
    "recharge": _recharge,
    "drained": _drained,
}
