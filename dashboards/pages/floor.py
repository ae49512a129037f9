"""The floor: every sump, the most urgent first."""

from __future__ import annotations

from starlette.responses import Response

from dashboards import cards, sump_map
from dashboards.desk import Ask
from dashboards.language import _
from dashboards.render import page
from dashboards.sump_map import SumpMap
from dashboards.sump_views import SumpView


async def show(ask: Ask) -> Response:
    opened = ask.desk.instructions(ask.desk.queries.waiting_words())
    return page(
        ask, "floor.html", sumps=[(v, _map(v), _call(v, ask)) for v in ask.desk.views(ask.live, opened, ask.show)]
    )


def _map(view: SumpView) -> SumpMap:
    return sump_map.draw(view.spec, view.belief, view.instruction.advice if view.instruction else None)


def _call(view: SumpView, ask: Ask) -> str | None:
    """What the card asks for, or None where nothing is asked."""
    one = view.instruction
    if one is None:
        return None
    what = cards.card(one, ask.show).what
    return _("{what} (waits for review)", what=what) if one.state == "posted" else what
