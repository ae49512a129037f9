"""Review: what waits for a supervisor or maintenance, what was shown and why, and their decision."""

from __future__ import annotations

from typing import Any

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from agent.core.review import REVIEWERS, amendment_fault
from dashboards import cards, dose_part, seal, sump_map
from dashboards.desk import Ask
from dashboards.instructions import Instruction
from dashboards.language import _
from dashboards.pages.floor import tail
from dashboards.pages.log import Line, named, review_line
from dashboards.pages.todo import LONGEST_NOTE, find, seen
from dashboards.render import page
from dashboards.show import Unreadable, number
from dashboards.shown import shown

DECIDED_ROWS = 10
MAP_SIZE = (350.0, 260.0)


async def show(ask: Ask, problem: str | None = None, status: int = 200) -> Response:
    desk = ask.desk
    words = desk.queries.waiting_words()
    opened = desk.instructions(words)
    waiting = [one for one in opened if one.state == "posted"]
    return page(
        ask, "review.html", status, problem=problem, typed=ask.form, waiting=[_dressed(ask, one) for one in waiting],
        decided=_decided(ask), doses=dose_part.on_page(ask, opened, words),
    )  # fmt: skip


def _dressed(ask: Ask, one: Instruction) -> dict[str, object]:
    belief = ask.belief(one.spec.id)
    readings = ask.desk.queries.readings(one.spec.id, ask.now_s - 31 * 86_400.0)
    return {
        "one": one,
        "card": cards.card(one, ask.show),
        "view": ask.desk.view(one.spec, ask.live, [one], ask.show),
        "picture": sump_map.draw(one.spec, belief, one.advice, tail(ask, one.spec.id), *MAP_SIZE),
        "sealed": seal.shut(ask.desk.seal_key, shown(ask, one)),
        "reading": readings[-1] if readings else None,
    }


def _decided(ask: Ask) -> list[Line]:
    """The newest decisions of people, newest first."""
    rows = [row for row in ask.desk.queries.reviews() if _is_decision(row.data())]
    about = named(ask.desk.queries.advice(), ask.show)
    return [review_line(row, about, ask.show) for row in rows[::-1][:DECIDED_ROWS]]


def _is_decision(body: dict[str, Any]) -> bool:
    return body.get("event") in ("approve", "amend", "decline") and body.get("role") in REVIEWERS


async def decide(ask: Ask) -> Response:
    """Approve, approve with a change, or decline with a reason."""
    one = find(ask)
    try:
        body = {"approve": _approve, "amend": _amend, "decline": _decline}[ask.form.get("action", "")](ask, one)
    except KeyError as why:
        raise HTTPException(400, _("This form cannot be read.")) from why
    except Unreadable as why:
        return await show(ask, str(why), 422)
    ask.put("decision", one.spec.id, {"advice": one.id, **body, "seen": seen(ask, one)})
    return RedirectResponse("/review?said=decided", 303)


def _approve(ask: Ask, one: Instruction) -> dict[str, object]:
    return {"action": "approve"}


def _amend(ask: Ask, one: Instruction) -> dict[str, object]:
    spec, site = one.spec, ask.show
    shown = number(
        ask.form.get("volume", ""), _("Volume, {unit}", unit=site.volume_unit), 0.1, site.in_unit(spec.high_l)
    )
    volume_l, makeup_pct = (
        round(site.to_litres(shown), 3),
        number(ask.form.get("makeup_pct", ""), _("Mix, %"), 0.0, 100.0),
    )
    belief = ask.belief(spec.id)
    fault = amendment_fault(spec, belief["volume_l"] if belief else 0.0, volume_l, makeup_pct)
    if fault:
        raise Unreadable(f"{fault}.")
    reason = _reason(ask, _("Say why you change it."))
    return {"action": "amend", "volume_l": volume_l, "makeup_pct": makeup_pct, "reason": reason}


def _decline(ask: Ask, one: Instruction) -> dict[str, object]:
    return {"action": "decline", "reason": _reason(ask, _("Say why you decline it."))}


def _reason(ask: Ask, otherwise: str) -> str:
    reason = ask.form.get("reason", "").strip()[:LONGEST_NOTE]
    if len(reason) < 3:
        raise Unreadable(otherwise)
    return reason
