"""To do: one card an instruction, and what an operator says about it."""

from __future__ import annotations

from typing import Any

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from dashboards import cards, dose_part, filling, instructions, seal
from dashboards.desk import Ask
from dashboards.instructions import Instruction
from dashboards.language import N_, _
from dashboards.render import page
from dashboards.show import Unreadable, number
from dashboards.shown import shown

HELD_UP = {
    "busy": N_("The machine cannot be stopped now"),
    "none": N_("No concentrate or water here"),
    "doubt": N_("The numbers do not look right"),
    "other": N_("Something else"),
}
LONGEST_NOTE = 500
ASKED_ABOUT_S = 14 * 86_400.0  # what was found earlier is asked about no more
OVER_SHOWN_S = 4 * 3600.0  # half a shift: time to wash hands and find the page
ROOM_ABOVE_HIGH = 1.5  # of the high mark: a larger pour is a typing error


async def show(ask: Ask, problem: str | None = None, status: int = 200) -> Response:
    spec = ask.sump()
    if spec is None and "sump" in ask.request.path_params:
        raise HTTPException(404, _("There is no such sump here."))
    words = ask.desk.queries.waiting_words()
    opened = ask.desk.instructions(words, spec.id if spec else None)
    mine = [one for one in opened if one.state != "posted"]
    later = [one for one in mine if one.set_aside(ask.now_s)]
    proving = [one for one in mine if one.state == "done"]
    now = [one for one in mine if one not in later and one not in proving]
    questions = [one for one in now if one.kind == "ask" and not one.said]
    now = [one for one in now if one not in questions[1:]]  # one at a time: more than one is answered anyhow
    over = lately_over(ask, spec.id if spec else None)
    return page(
        ask, "todo.html", status, problem=problem, typed=ask.form, only=spec,
        now=[_dressed(ask, one) for one in now], later=[_dressed(ask, one) for one in later],
        proving=[_dressed(ask, one) for one in proving], over=[_dressed(ask, one) for one in over], held_up=HELD_UP,
        sheet=cards.SHEET, asked_about=_asked_about(ask, questions[:1]), more_questions=len(questions[1:]),
        filling={id: filling.told(ask.live.filling(id), ask.show) for id in ask.desk.site.sumps},
        with_card={one.spec.id for one in now if one.adds},
        doses=dose_part.on_page(ask, opened, words, spec.id if spec else None), dosed=dose_part.taken(ask),
    )  # fmt: skip


def _asked_about(ask: Ask, questions: list[Instruction]) -> dict[str, dict[str, Any]]:
    """By instruction, the finding that it asks about."""
    found: dict[str, dict[str, Any]] = {}
    for one in questions:
        rows = ask.desk.queries.findings(one.spec.id, (one.posted_at or ask.now_s) - ASKED_ABOUT_S)
        about = next((row for row in rows if row["id"] == one.advice.get("of") and row.get("volume_l")), None)
        if about is None and one.advice.get("volume_l"):
            about = {"volume_l": one.advice["volume_l"], "start": None}
        found |= {one.id: about} if about else {}
    return found


def lately_over(ask: Ask, sump: str | None = None) -> list[Instruction]:
    """Additions that were taken back: whoever had poured by then may still say so."""
    sumps, words = ask.desk.site.sumps, ask.desk.queries.waiting_words()
    rows = ask.desk.queries.lately_over(sump, ask.now_s - OVER_SHOWN_S)
    found = [instructions.read(row, sumps[row["sump"]], words) for row in rows if row["sump"] in sumps]
    return [one for one in found if one.adds]


def _dressed(ask: Ask, one: Instruction) -> tuple[Instruction, cards.Card, str]:
    return one, cards.card(one, ask.show), seal.shut(ask.desk.seal_key, shown(ask, one))


async def say(ask: Ask) -> Response:
    """Begun, done or not now."""
    one = find(ask)
    try:
        body = {"begin": _begun, "done": _done, "not_now": _not_now}[ask.form.get("action", "")](ask, one)
    except KeyError as why:
        raise HTTPException(400, _("This form cannot be read.")) from why
    except Unreadable as why:
        return await show(ask, str(why), 422)
    if ask.kept_s:
        body["at"] = ask.now_s - ask.kept_s
    ask.put("decision", one.spec.id, {"advice": one.id, **body, "seen": seen(ask, one)})
    if one.kind == "drain_part" and body["action"] == "done":
        ask.put("record", one.spec.id, _drained(ask, one), part="drained")
    return RedirectResponse("/todo?said=written", 303)


def find(ask: Ask) -> Instruction:
    """The instruction a form is about; 404 when there is none, so that nothing is decided about a ghost."""
    id = ask.form.get("instruction", "")
    opened = ask.desk.instructions(ask.desk.queries.waiting_words())
    one = next((one for one in [*opened, *lately_over(ask)] if one.id == id), None)
    if one is None:
        raise HTTPException(404, _("This instruction is no longer open."))
    return one


def seen(ask: Ask, one: Instruction) -> dict[str, object]:
    """What was shown, as the form brings it back; a form that was meddled with is refused."""
    found = seal.opened(ask.desk.seal_key, ask.form.get("shown", ""))
    if found is None or found.get("instruction") != one.id:
        raise HTTPException(403, _("This page has grown old. Open it again and repeat your entry."))
    return found


def _begun(ask: Ask, one: Instruction) -> dict[str, object]:
    return {"action": "begin"}


def _done(ask: Ask, one: Instruction) -> dict[str, object]:
    body: dict[str, object] = {"action": "done"}
    if one.adds:
        makeup_pct = number(ask.form.get("makeup_pct", ""), _("Mix, %"), 0.0, 100.0)
        body |= {"volume_l": _volume_l(ask, one), "makeup_pct": makeup_pct}
    elif one.kind == "drain_part":
        _volume_l(ask, one)  # refused here, before anything is written
    note = ask.form.get("note", "").strip()[:LONGEST_NOTE]
    if note:
        body["reason"] = note
    return body


def _drained(ask: Ask, one: Instruction) -> dict[str, object]:
    """What was really taken out, as the record that the balance needs."""
    assert ask.person is not None  # this route is for people signed in
    by, at = ask.person.name, {"at": ask.now_s - ask.kept_s} if ask.kept_s else {}
    said = {"time": ask.now_s, "sump": one.spec.id, "signal": "drained", "volume_l": _volume_l(ask, one), "by": by}
    return said | at


def _volume_l(ask: Ask, one: Instruction) -> float:
    site = ask.show
    most = site.in_unit(ROOM_ABOVE_HIGH * one.spec.high_l)
    shown = number(ask.form.get("volume", ""), _("Volume, {unit}", unit=site.volume_unit), 0.1, most)
    return round(site.to_litres(shown), 3)


def _not_now(ask: Ask, one: Instruction) -> dict[str, object]:
    why, note = HELD_UP.get(ask.form.get("why", "")), ask.form.get("note", "").strip()[:LONGEST_NOTE]
    if why is None or (ask.form["why"] == "other" and not note):
        raise Unreadable(_("Say why not now: choose a reason, or write one."))
    return {"action": "not_now", "reason": note if ask.form["why"] == "other" else f"{why}. {note}".strip()}
