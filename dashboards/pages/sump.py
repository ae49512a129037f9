"""One sump: its map, its two graphs, what is believed and what was found."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from math import isfinite
from typing import Any

from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response

from agent.core.spec import SumpSpec
from dashboards import cards, explained, sump_map
from dashboards.core_sentences import core_text
from dashboards.desk import Ask
from dashboards.language import _
from dashboards.pages import what_if
from dashboards.pages.floor import tail
from dashboards.render import page
from dashboards.series import RANGES, USUAL_RANGE, Range, Window, between, lately, series
from dashboards.show import age

LEAST_WINDOW_S = 60.0
TABLE_ROWS = 12
FOUND_S = 31 * 86_400.0
FOUND_ROWS = 12
EXPLAINED_OLD_AFTER_S = 600.0  # the agent writes its words about once a minute
MAP_SIZE = (350.0, 260.0)


@dataclass(frozen=True, slots=True)
class Told:
    """The belief in words: runs of `text` and `list` lines, of when (epoch s), how long ago, whether that is long."""

    lines: tuple[tuple[str, tuple[str, ...]], ...]
    time: float | None
    age: str
    old: bool


async def show(ask: Ask) -> Response:
    spec, desk, now_s = ask.sump(), ask.desk, ask.now_s
    if spec is None:
        raise HTTPException(404, _("There is no such sump here."))
    span = _range(ask)
    opened = desk.instructions(desk.queries.waiting_words(), spec.id)
    view = desk.view(spec, ask.live, opened, ask.show)
    advice = view.instruction.advice if view.instruction else None
    picture = sump_map.draw(spec, view.belief, advice, tail(ask, spec.id), *MAP_SIZE)
    return page(
        ask, "sump.html", view=view, spec=spec, picture=picture, spans=RANGES, span=span,
        explained=_explained(ask, spec), **what_if.standing(ask, spec, view.belief),
        call=view.instruction and cards.card(view.instruction, ask.show).what,
        table=_table(ask, spec, span),
        findings=desk.queries.findings(spec.id, now_s - FOUND_S)[::-1][:FOUND_ROWS],
    )  # fmt: skip


async def explain(ask: Ask) -> Response:
    """Why it is believed, in words: this part of the page alone."""
    spec = ask.sump()
    if spec is None:
        raise HTTPException(404, _("There is no such sump here."))
    return page(ask, "explained_part.html", spec=spec, explained=_explained(ask, spec))


def _explained(ask: Ask, spec: SumpSpec) -> Told:
    found = explained.read(ask.desk.live_file.path.parent)
    seconds = None if found.time is None else ask.now_s - found.time
    lines = [core_text(line) for line in found.texts.get(spec.id, "").splitlines()]
    parts = [
        (kind, tuple(rows)) for kind, rows in groupby(lines, key=lambda line: "list" if line[:2] == "- " else "text")
    ]
    told = tuple((kind, tuple(row.removeprefix("- ") for row in rows)) for kind, rows in parts)
    return Told(told, found.time, age(seconds), seconds is not None and seconds > EXPLAINED_OLD_AFTER_S)


async def numbers(ask: Ask) -> Response:
    """What the graphs draw, as JSON."""
    spec = ask.sump()
    if spec is None:
        raise HTTPException(404, _("There is no such sump here."))
    doubts = explained.read(ask.desk.live_file.path.parent).doubts.get(spec.id, [])
    body = series(spec, _window(ask), ask.live, ask.desk.queries, ask.show, doubts)
    return JSONResponse(body, headers={"Cache-Control": "no-store"})


def _range(ask: Ask) -> Range:
    return RANGES.get(ask.request.query_params.get("range", USUAL_RANGE), RANGES[USUAL_RANGE])


def _window(ask: Ask) -> Window:
    """A range up to now, or the stretch that somebody looks at more closely (`from`, `until`, epoch s)."""
    asked = ask.request.query_params
    try:
        t0, t1 = float(asked["from"]), float(asked["until"])
    except (KeyError, ValueError):
        return lately(_range(ask), ask.now_s)
    longest_s = RANGES["5y"].length_s
    if not (isfinite(t0) and isfinite(t1) and LEAST_WINDOW_S <= t1 - t0 <= 2 * longest_s):
        raise HTTPException(400, "There is no such stretch of time.")
    return between(t0, t1, ask.now_s)


def _table(ask: Ask, spec: SumpSpec, span: Range) -> list[dict[str, Any]]:
    """Beliefs evenly spread over the range, oldest first, and the one of now."""
    rows = ask.desk.queries.beliefs_spread(
        spec.id, ask.now_s - span.length_s, ask.now_s + 1.0, span.length_s / TABLE_ROWS
    )
    newest = ask.belief(spec.id)
    return rows if newest is None or newest in rows else [*rows, newest]
