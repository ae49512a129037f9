"""One sump: its map, its two graphs, what is believed and what was found."""

from __future__ import annotations

from typing import Any

from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response

from dashboards import cards, sump_map
from dashboards.desk import Ask
from dashboards.language import _
from dashboards.render import page
from dashboards.series import RANGES, USUAL_RANGE, Range, series

TAIL_S = 3 * 86_400.0
TAIL_POINTS = 72  # one an hour over the tail
TABLE_ROWS = 12
FOUND_S = 31 * 86_400.0
FOUND_ROWS = 12
MAP_SIZE = (350.0, 260.0)


async def show(ask: Ask) -> Response:
    spec, desk, now_s = ask.sump(), ask.desk, ask.now_s
    if spec is None:
        raise HTTPException(404, _("There is no such sump here."))
    span = _range(ask)
    opened = desk.instructions(desk.queries.waiting_words(), spec.id)
    view = desk.view(spec, ask.live, opened, ask.show)
    tail = _thin(desk.queries.beliefs(spec.id, now_s - TAIL_S, now_s + 1.0), TAIL_POINTS)
    advice = view.instruction.advice if view.instruction else None
    picture = sump_map.draw(spec, view.belief, advice, tail, *MAP_SIZE)
    return page(
        ask, "sump.html", view=view, picture=picture, spans=RANGES, span=span,
        call=view.instruction and cards.card(view.instruction, ask.show).what,
        table=_thin(desk.queries.beliefs(spec.id, now_s - span.length_s, now_s + 1.0), TABLE_ROWS),
        findings=desk.queries.findings(spec.id, now_s - FOUND_S)[::-1][:FOUND_ROWS],
    )  # fmt: skip


async def numbers(ask: Ask) -> Response:
    """What the graphs draw, as JSON."""
    spec = ask.sump()
    if spec is None:
        raise HTTPException(404, _("There is no such sump here."))
    body = series(spec, _range(ask), ask.live, ask.desk.queries, ask.show)
    return JSONResponse(body, headers={"Cache-Control": "no-store"})


def _range(ask: Ask) -> Range:
    return RANGES.get(ask.request.query_params.get("range", USUAL_RANGE), RANGES[USUAL_RANGE])


def _thin(rows: list[dict[str, Any]], most: int) -> list[dict[str, Any]]:
    """Evenly spread rows, the newest among them."""
    stride = max(1, -(-len(rows) // most))
    return rows[::-1][::stride][::-1]
