"""The valves' part of To do and Review, put together."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from agent.io.inbox import Word
from dashboards import cards, dosing, instructions, seal
from dashboards.desk import Ask
from dashboards.instructions import Instruction
from dashboards.shown import shown


def on_page(ask: Ask, opened: list[Instruction], words: list[Word], only: str | None = None) -> list[dict[str, Any]]:
    """What the valves' part of a page shows: one entry a valve, empty where the site has none."""
    return [_dressed(ask, sump, opened, words) for sump in ask.desk.valves if only in (None, sump)]


def taken(ask: Ask) -> set[str]:
    """Instructions that a valve is giving just now: nobody pours them as well."""
    doses = (ask.live.dose(sump) for sump in ask.desk.valves)
    return {str(dose["instruction"]) for dose in doses if dose.get("phase") in ("running", "settling")}


def _dressed(ask: Ask, sump: str, opened: list[Instruction], words: list[Word]) -> dict[str, Any]:
    table, spec = ask.desk.valves[sump], ask.desk.site.sumps[sump]
    told = dosing.told(sump, table, ask.live, ask.show)
    mine = [one for one in opened if one.spec.id == sump and one.adds]
    fits = [one for one in mine if dosing.selectable_l(one, table)]
    chosen = next((one for one in mine if one.id == told.instruction), None)
    found = chosen or (fits[0] if fits else None)
    volume_l = dosing.selectable_l(found, table) if found else None
    other = next((one for one in mine if one.state in ("posted", "approved") and one not in fits), None)
    return {
        "told": told, "spec": spec, "one": found,
        "card": cards.card(_as_dosed(ask, found, volume_l), ask.show) if found else None,
        "sealed": seal.shut(ask.desk.seal_key, shown(ask, found)) if found else "",
        "volume_l": volume_l,
        "why_not": dosing.why_not(other, table) if other and not found else "",
        "cautions": dosing.CAUTIONS, "steps": dosing.steps(ask.desk.queries, sump, ask.now_s, ask.show),
        "view": ask.desk.view(spec, ask.live, mine, ask.show), "waits": _waits(words, sump),
    }  # fmt: skip


def _as_dosed(ask: Ask, one: Instruction, volume_l: float | None) -> Instruction:
    """What one dose of it comes to: less than the whole leads elsewhere."""
    if volume_l is None or volume_l >= one.advice["volume_l"]:
        return one
    less = {"event": "amend", "to": "approved", "volume_l": volume_l}
    belief = ask.belief(one.spec.id)
    dosed = replace(one, advice=instructions.amended(one.advice, [less]))
    return instructions.foreseen(dosed, belief) if belief else dosed


def _waits(words: list[Word], sump: str) -> bool:
    """Whether somebody has said something about this valve that the agent has not taken yet."""
    return any(w.sump == sump and (w.kind == "dosing" or w.body.get("dose")) for w in words)
