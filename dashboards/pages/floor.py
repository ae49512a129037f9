"""The floor: every sump, the most urgent first."""

from __future__ import annotations

from typing import Any

from starlette.responses import Response

from agent.core.alarms import ACKNOWLEDGED, RAISED
from dashboards import cards, sump_map
from dashboards.desk import Ask
from dashboards.language import _
from dashboards.render import page
from dashboards.sump_map import SumpMap
from dashboards.sump_views import SumpView

STANDING = (RAISED, ACKNOWLEDGED)
TAIL_S, TAIL_STEP_S = 3 * 86_400.0, 3600.0


async def show(ask: Ask) -> Response:
    opened = ask.desk.instructions(ask.desk.queries.waiting_words())
    views = ask.desk.views(ask.live, opened, ask.show)
    sumps = [(view, _map(view, ask), _call(view, ask)) for view in views]
    return page(ask, "floor.html", sumps=sumps, alerts=alerts(ask))


def alerts(ask: Ask) -> list[dict[str, Any]]:
    """The alerts that stand and that nobody has set aside, the most severe first."""
    return [] if ask.live.silent else [row for row in ask.live.alerts if row.get("state") in STANDING]


def tail(ask: Ask, sump: str) -> list[dict[str, Any]]:
    """Beliefs of the last days, one an hour: the way that a sump has come on its map."""
    return ask.desk.queries.beliefs_spread(sump, ask.now_s - TAIL_S, ask.now_s + 1.0, TAIL_STEP_S)


def _map(view: SumpView, ask: Ask) -> SumpMap:
    advice = view.instruction.advice if view.instruction else None
    return sump_map.draw(view.spec, view.belief, advice, tail(ask, view.spec.id))


def _call(view: SumpView, ask: Ask) -> str | None:
    """What the card asks for, or None where nothing is asked."""
    one = view.instruction
    if one is None:
        return None
    what = cards.card(one, ask.show).what
    return _("{what} (waits for review)", what=what) if one.state == "posted" else what
