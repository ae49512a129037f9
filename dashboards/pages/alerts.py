"""Alerts: what is open, acknowledged or set aside by a person, what has been, and how many come up."""

from __future__ import annotations

from typing import Any

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from agent.core.alarms import ACT_NOW, ACT_SOON, ACTIONS, KNOW, LONGEST_ASIDE_REVIEWER_S, LONGEST_ASIDE_S
from dashboards import used
from dashboards.core_sentences import core_text
from dashboards.desk import Ask
from dashboards.language import N_, _, decimal
from dashboards.log_lines import Line, who
from dashboards.render import page
from dashboards.show import A_DAY_S, AN_HOUR_S

SEVERITIES = {ACT_NOW: N_("Act now"), ACT_SOON: N_("Act soon"), KNOW: N_("To know")}
STATES = {
    "raised": N_("not seen by anybody yet"),
    "acknowledged": N_("acknowledged"),
    "set_aside": N_("set aside"),
    "over": N_("over, not seen by anybody"),
}
EVENTS = {
    "raise": N_("raised"), "acknowledge": N_("acknowledged"), "set_aside": N_("set aside"), "return": N_("came back"),
    "over": N_("over, not seen by anybody"), "clear": N_("over"),
}  # fmt: skip
ASIDE_H = {1: N_("1 hour"), 4: N_("4 hours"), 8: N_("a shift, 8 hours"), 24: N_("a day"), 168: N_("a week")}
LONGEST_NOTE = 500
HISTORY_S = 14 * 86_400.0
HISTORY_ROWS = 200
RATE_DAYS = 28
MANY_A_DAY = 12  # more than this and people stop looking: alarm practice asks for fewer


async def show(ask: Ask, problem: str | None = None, status: int = 200) -> Response:
    rows = ask.desk.queries.rows("alert", None, ask.now_s - HISTORY_S, None, HISTORY_ROWS)
    names = {spec.id: spec.name for spec in ask.desk.site.sumps.values()}
    return page(
        ask, "alerts.html", status, problem=problem, typed=ask.form, alerts=open_alerts(ask), names=names,
        severities=SEVERITIES, states=STATES, rate=ask.live.alert_rate, many=MANY_A_DAY, aside=_aside(ask),
        long_rate=used.alert_rate(ask, ask.now_s - RATE_DAYS * A_DAY_S, ask.now_s),
        history=[_line(row.data(), row.time, row.sump) for row in reversed(rows)], waiting=_waiting(ask),
        number=decimal,
    )  # fmt: skip


def open_alerts(ask: Ask) -> list[dict[str, Any]]:
    """As the agent lists them, most severe first."""
    return [alert for alert in ask.live.alerts if isinstance(alert.get("id"), str)]


def _aside(ask: Ask) -> dict[int, str]:
    """For how many hours this person may set an alert aside."""
    assert ask.person is not None  # this route is for people signed in
    longest_s = LONGEST_ASIDE_S.get(ask.person.role, LONGEST_ASIDE_REVIEWER_S)
    return {hours: name for hours, name in ASIDE_H.items() if hours * AN_HOUR_S <= longest_s}


def _waiting(ask: Ask) -> set[str]:
    """Alerts about which somebody has said something that the agent has not taken yet."""
    return {str(word.body.get("alert")) for word in ask.desk.queries.waiting_words() if word.kind == "alert"}


def _line(body: dict[str, Any], time: float, sump: str | None) -> Line:
    event = str(body.get("event"))
    said = _(EVENTS[event]) if event in EVENTS else event
    text = f"{said}: {core_text(body.get('text'))}"
    if body.get("refused"):
        text = _("{text} (not taken: {why})", text=text, why=core_text(body["refused"]))
    return Line(time, sump, who(body), text, str(body.get("reason") or ""))


async def decide(ask: Ask) -> Response:
    """Acknowledge, or set aside for a time with a reason."""
    id, action = ask.form.get("alert", "")[:200], ask.form.get("action", "")
    if action not in ACTIONS:
        raise HTTPException(400, _("This form cannot be read."))
    alert = next((one for one in open_alerts(ask) if one["id"] == id), None)
    if alert is None:
        raise HTTPException(404, _("This alert is no longer open."))
    body: dict[str, Any] = {"alert": id, "action": action}
    reason = ask.form.get("reason", "").strip()[:LONGEST_NOTE]
    if action == "set_aside":
        hours = ask.form.get("hours", "")
        if len(reason) < 3 or hours not in {str(one) for one in _aside(ask)}:
            return await show(ask, _("Say why, and for how long."), 422)
        body |= {"until": ask.now_s + int(hours) * AN_HOUR_S, "reason": reason}
    ask.put("alert", str(alert.get("sump") or ""), body)
    return RedirectResponse("/alerts?said=written", 303)
