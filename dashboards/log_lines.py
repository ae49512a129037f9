"""What people said and decided, as lines of text."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from agent.core.review import ACTIONS
from agent.io.inbox import Word
from agent.io.journal import LogRow
from dashboards.cards import mix
from dashboards.core_sentences import core_text
from dashboards.instructions import TITLES
from dashboards.language import N_, _
from dashboards.roles import ROLE_NAMES
from dashboards.show import Show, trim

MACHINES = {"agent": N_("the logger"), "policy": N_("the site's rule")}
EVENTS_SAID = {
    "post": N_("put up"), "approve": N_("approved"), "amend": N_("approved with a change"),
    "decline": N_("declined"), "begin": N_("began"), "done": N_("said to be done"), "set_aside": N_("put off"),
    "withdraw": N_("taken back"), "expire": N_("lapsed"), "prove": N_("proven"), "disprove": N_("not proven"),
}  # fmt: skip

SIGNALS = {
    "hand_reading": N_("hand reading"), "titration": N_("titration"), "addition": N_("addition"),
    "recharge": N_("new fill"), "drained": N_("drained"), "dismissal": N_("dismissal"), "setting": N_("setting"),
    "void": N_("taken back"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Line:
    time: float
    sump: str | None
    who: str
    text: str
    remark: str = ""
    waiting: bool = False
    seq: int = 0


def who(body: dict[str, Any]) -> str:
    """A person with the role, or the machine."""
    role = str(body.get("role") or "")
    if role in MACHINES:
        return _(MACHINES[role])
    name = str(body.get("by") or _("somebody"))
    return f"{name}, {_(ROLE_NAMES[role])}" if role in ROLE_NAMES else name


def event_name(event: str) -> str:
    return _(EVENTS_SAID[event]) if event in EVENTS_SAID else event


def signal_name(signal: str) -> str:
    return _(SIGNALS[signal]) if signal in SIGNALS else signal.replace("_", " ")


def _plain(value: object) -> str:
    return trim(float(value)) if isinstance(value, (int, float)) else _("a new curve")


def in_words(body: dict[str, Any], site: Show) -> str:
    """A person's record as a sentence."""
    signal, value = body.get("signal"), body.get("value")
    volume = site.volume(body["volume_l"], 1) if body.get("volume_l") is not None else _("an unknown volume")
    of_mix = mix(body["pct"]) if body.get("pct") is not None else _("an unknown mix")
    sentences = {
        "hand_reading": lambda: _("read {value} Brix by hand", value=trim(value)),
        "titration": lambda: _("titrated {value} %", value=trim(value)),
        "addition": lambda: _("added {volume}, {mix}", volume=volume, mix=of_mix),
        "recharge": lambda: _("emptied, cleaned and filled anew with {volume}, {mix}", volume=volume, mix=of_mix),
        "drained": lambda: _("drained {volume}", volume=volume),
        "dismissal": lambda: _("says it was no such thing"),
        "setting": lambda: _("set {field} to {value}", field=body.get("field"), value=_plain(value)),
        "void": lambda: _("took back: {what}", what=signal_name(str(body.get("record_signal")))),
    }
    sentence = sentences.get(str(signal))
    return sentence() if sentence else str(signal)


def review_line(row: LogRow, about: dict[str, str], site: Show) -> Line:
    """A step of an instruction's life; `about` names instructions by id."""
    body = row.data()
    event = event_name(str(body.get("event")))
    said = [site.volume(body["volume_l"], 1)] if body.get("volume_l") is not None else []
    said += [mix(body["makeup_pct"])] if body.get("makeup_pct") is not None else []
    change = f" ({', '.join(said)})" if said else ""
    refused = (
        "" if body.get("to") else " " + _("(not taken: {why})", why=core_text(body.get("refused")) or _("too late"))
    )
    what = about.get(str(body.get("advice")), _("an instruction"))
    text = f"{event}: {what}{change}{refused}"
    return Line(row.time, row.sump, who(body), text, str(body.get("reason") or ""), seq=row.seq)


def named(rows: list[LogRow], site: Show) -> dict[str, str]:
    """What each instruction asks for, in short, by its id."""
    found = {}
    for row in rows:
        body = row.data()
        title = _(TITLES[body["kind"]]) if body["kind"] in TITLES else str(body["kind"])
        if body.get("volume_l") is not None:
            title = _("{title} with {volume}", title=title, volume=site.volume(body["volume_l"]))
        found[str(row.id)] = title[:1].lower() + title[1:]
    return found


def waiting_line(word: Word, about: dict[str, str], text: str) -> Line:
    """What the agent has not taken yet; `text` says what it is, unless it is a decision."""
    body, remark = word.body, str(word.body.get("reason") or word.body.get("note") or "")
    if word.kind == "decision":
        event = ACTIONS.get(str(body.get("action")), "")
        said = event_name(event) if event in EVENTS_SAID else _("answered")
        text = f"{said}: {about.get(str(body.get('advice')), _('an instruction'))}"
    return Line(word.time, word.sump, who({"by": word.person, "role": word.role}), text, remark, waiting=True)
