"""Bringing in an old paper log: read, shown with its faults by line, and written only when a person says so."""

from __future__ import annotations

from anyio import to_thread
from starlette.responses import Response

from dashboards import entries, paper_log
from dashboards.desk import Ask
from dashboards.language import _
from dashboards.paper_log import PaperLine, PaperLog
from dashboards.render import page
from dashboards.show import Unreadable

LONGEST_PAPER_BYTES = 1_000_000  # some 10,000 lines
SHOWN_LINES = 200  # of the preview


async def show(ask: Ask) -> Response:
    return _page(ask, None)


async def read(ask: Ask) -> Response:
    """The preview; with `keep`, the good lines go into the inbox: the same ones twice are the same words."""
    try:
        found = paper_log.read(ask.form.get("text", ""), ask.desk.site.sumps, ask.show, ask.now_s)
    except Unreadable as why:
        return _page(ask, None, problem=str(why), status=422)
    if ask.form.get("action") != "keep":
        return _page(ask, found)
    new = await to_thread.run_sync(ask.desk.inbox.put_all, [_word(ask, line) for line in found.lines])
    return _page(ask, None, kept=(len(found.lines), new))


def _word(ask: Ask, line: PaperLine) -> dict[str, object]:
    assert ask.person is not None  # this route is for people signed in
    return {
        "time": line.time, "person": ask.person.name, "role": ask.person.role, "sump": line.sump, "kind": "past",
        "body": {**line.body, "entered": ask.now_s}, "token": line.token,
    }  # fmt: skip


def _page(
    ask: Ask, found: PaperLog | None, problem: str | None = None, status: int = 200, kept: tuple[int, int] | None = None
) -> Response:
    names = {spec.id: spec.name for spec in ask.desk.site.sumps.values()}
    lines = (
        [(line, entries.words_of({"signal": "past", **line.body}, ask.show)) for line in found.lines] if found else []
    )
    said = None
    if kept:
        said = _("{n} lines are kept; {new} of them were new.", n=kept[0], new=kept[1])
    return page(
        ask, "paper.html", status, problem=problem, found=found, lines=lines[:SHOWN_LINES],
        text=ask.form.get("text", "") if found or problem else "", names=names, **({"said": said} if said else {}),
    )  # fmt: skip
