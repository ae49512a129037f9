"""Companion readings at a sump: pH, tramp oil, dip slide, hardness, nitrite and the like."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from agent.core.checks import CHECKS
from dashboards import check_words
from dashboards.desk import Ask
from dashboards.language import _
from dashboards.log_lines import who
from dashboards.render import page
from dashboards.show import Unreadable, number

LONGEST_NOTE = 500
LATE_ROWS = 5_000


async def show(ask: Ask, problem: str | None = None, status: int = 200) -> Response:
    spec = ask.sump()
    if spec is None:
        raise HTTPException(404, _("There is no such sump here."))
    return page(
        ask, "check.html", status, problem=problem, typed=ask.form, spec=spec, checks=CHECKS, names=check_words.NAMES,
        limits=check_words.LIMITS, grades=check_words.GRADES, newest=newest(ask, spec.id),
    )  # fmt: skip


def newest(ask: Ask, sump: str) -> list[tuple[str, str, float, str | None, str]]:
    """The newest value of each check not taken back: name, value, time, grade, who."""
    rows = ask.desk.queries.rows("word", sump, None, None, LATE_ROWS)
    said = [(row.id, row.data()) for row in rows]
    gone = {body["takes_back"] for _, body in said if body.get("takes_back")}
    fills = check_words.first_fills(ask.desk.queries, sump)
    found = {}
    for id, body in said:
        if body.get("signal") == "check" and body.get("check") in CHECKS and id not in gone and not body.get("refused"):
            found[body["check"]] = body
    return [
        (name, check_words.amount(name, body["value"]), body["time"], check_words.grade_of(body, fills), who(body))
        for name, body in sorted(found.items(), key=lambda one: list(CHECKS).index(one[0]))
    ]


async def write(ask: Ask) -> Response:
    """One check into the inbox."""
    spec = ask.sump()
    if spec is None:
        raise HTTPException(404, _("There is no such sump here."))
    name = ask.form.get("check", "")
    if name not in CHECKS:
        return await show(ask, _("Choose what was measured."), 422)
    try:
        value = number(ask.form.get("value", ""), _(check_words.NAMES[name]), CHECKS[name].least, CHECKS[name].most)
    except Unreadable as why:
        return await show(ask, str(why), 422)
    ask.put("check", spec.id, body_of(ask, name, value, bool(ask.form.get("first_fill"))))
    return RedirectResponse(f"/check/{spec.id}?said=written", 303)


def body_of(ask: Ask, name: str, value: float, first_fill: bool) -> dict[str, object]:
    note = ask.form.get("note", "").strip()[:LONGEST_NOTE]
    return {"signal": "check", "check": name, "value": value, "first_fill": first_fill} | (
        {"note": note} if note else {}
    )
