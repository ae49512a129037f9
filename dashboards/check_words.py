"""Companion readings in words: names, units, judgement."""

from __future__ import annotations

from typing import Any

from agent.core.checks import CHECKS, grade
from dashboards.language import N_, _, localised
from dashboards.queries import Queries

NAMES = {
    "ph": N_("pH"),
    "tramp_oil": N_("Tramp oil"),
    "dip_slide": N_("Dip slide"),
    "hardness": N_("Hardness"),
    "nitrite": N_("Nitrite"),
    "nitrate": N_("Nitrate of the water"),
    "conductivity": N_("Conductivity"),
}
LIMITS = {
    "ph": N_("good 8.5 to 9.5; act when it fell more than 0.5 since the first fill, below 8.0 or above 9.8"),
    "tramp_oil": N_("good below 1 %, act above 2 %"),
    "dip_slide": N_("good below 10,000, act at 1,000,000 at once"),
    "hardness": N_("good below 300 ppm, act above 450"),
    "nitrite": N_("good below 10 mg/L, act above 20"),
    "nitrate": N_("good below 25 mg/L, act above 50"),
    "conductivity": N_("compare with the first fill"),
}
GRADES = {"good": N_("good"), "look": N_("look into it"), "act": N_("act")}
Fills = dict[str, list[tuple[float, str, float]]]  # sump → (time, check, value) of first fills, oldest first


def amount(name: str, value: float) -> str:
    """A value with its unit, as "9.1" or "1.5 %" or "10000 CFU/mL"."""
    unit = CHECKS[name].unit
    number = localised(f"{value:g}") if value < 1e5 else f"{value:.0f}"
    return f"{number} {unit}".strip()


def said(body: dict[str, Any]) -> str:
    """A check as a sentence."""
    if body.get("takes_back"):
        return _("took back: {what}", what=_("an entry"))
    name = str(body.get("check"))
    if name not in CHECKS or not isinstance(body.get("value"), (int, float)):
        return name
    text = f"{_(NAMES[name])} {amount(name, body['value'])}"
    return _("{check}, first fill", check=text) if body.get("first_fill") else text


def first_fills(queries: Queries, sump: str | None) -> Fills:
    """First-fill values, what later ones are compared with."""
    found: Fills = {}
    for row in queries.lasting("check", sump):
        body = row.data()
        if body.get("first_fill") and row.sump:
            found.setdefault(row.sump, []).append((row.time, str(body["check"]), body["value"]))
    return found


def grade_of(body: dict[str, Any], fills: Fills) -> str | None:
    """How a check is to be judged, against the newest first fill before it."""
    name = str(body.get("check") or body.get("what"))
    value = body.get("value")
    if name not in CHECKS or not isinstance(value, (int, float)) or body.get("refused"):
        return None
    before = [v for t, check, v in fills.get(str(body.get("sump")), []) if check == name and t <= body["time"]]
    return grade(name, float(value), before[-1] if before and not body.get("first_fill") else None)
