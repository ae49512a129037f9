"""A valve's buttons: select a dose, open it, stop, lock out, unlock. Each is a word for the agent, which decides."""

from __future__ import annotations

from typing import Any

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from agent.site import Dosing
from dashboards import dosing
from dashboards.desk import Ask
from dashboards.language import _
from dashboards.pages import todo

SHORTEST_REASON = 3


def _valve(ask: Ask) -> tuple[str, Dosing]:
    spec = ask.sump()
    table = ask.desk.valves.get(spec.id) if spec else None
    if spec is None or table is None:
        raise HTTPException(404, _("There is no dosing valve here."))
    return spec.id, table


def _back(ask: Ask) -> Response:
    page = "/review" if ask.form.get("from") == "review" else "/todo"
    return RedirectResponse(f"{page}?said=written", 303)


async def select(ask: Ask) -> Response:
    """A reviewer approves this instruction as a dose: with its numbers, or with as much as one dose may be."""
    sump, table = _valve(ask)
    one = todo.find(ask)
    volume_l = dosing.selectable_l(one, table)
    if one.spec.id != sump or volume_l is None:
        raise HTTPException(409, _("This valve cannot meet that instruction, or not any more. Look at it again."))
    body: dict[str, Any] = {"advice": one.id, "dose": True, "seen": todo.seen(ask, one)}
    if one.state == "posted" and volume_l == one.advice["volume_l"]:
        body["action"] = "approve"
    else:  # approved for people to pour, or more than one dose may be
        body |= {"action": "amend", "volume_l": volume_l, "makeup_pct": table.pct}
    ask.put("decision", sump, body)
    return _back(ask)


async def operate(ask: Ask) -> Response:
    """Somebody at the machine lets the selected dose run."""
    sump, _table = _valve(ask)
    one = todo.find(ask)
    key = ask.form.get("key", "")[:200]
    if one.spec.id != sump or not key:
        raise HTTPException(400, _("This form cannot be read."))
    ask.put("decision", sump, {"advice": one.id, "action": "begin", "dose": key, "seen": todo.seen(ask, one)})
    return _back(ask)


async def stop(ask: Ask) -> Response:
    """At once, by anybody, whatever the page was showing."""
    sump, _table = _valve(ask)
    ask.put("dosing", sump, {"action": "stop"})
    return _back(ask)


async def lock(ask: Ask) -> Response:
    """Out of use, with a reason."""
    return await _with_reason(ask, "lock", _("Say why you lock it out."))


async def reset(ask: Ask) -> Response:
    """Back in use, by somebody who has looked."""
    return await _with_reason(ask, "reset", _("Say what you have looked at."))


async def _with_reason(ask: Ask, action: str, otherwise: str) -> Response:
    sump, _table = _valve(ask)
    reason = ask.form.get("reason", "").strip()[: todo.LONGEST_NOTE]
    if len(reason) < SHORTEST_REASON:
        return await todo.show(ask, otherwise, 422)
    ask.put("dosing", sump, {"action": action, "reason": reason})
    return _back(ask)
