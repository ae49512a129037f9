"""The log: what people said and decided and what was found, the newest first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from starlette.responses import Response

from agent.core.review import ACTIONS
from agent.io.inbox import Word
from agent.io.journal import LogRow
from dashboards.cards import mix
from dashboards.desk import Ask
from dashboards.instructions import TITLES
from dashboards.render import page
from dashboards.show import Show, trim

ROWS = 150
MACHINES = {"agent": "the logger", "policy": "the site's rule"}
EVENTS_SAID = {
    "post": "put up", "approve": "approved", "amend": "approved with a change", "decline": "declined",
    "begin": "began", "done": "said to be done", "set_aside": "put off", "withdraw": "taken back",
    "expire": "lapsed", "prove": "proven", "disprove": "not proven",
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


async def show(ask: Ask) -> Response:
    queries, site = ask.desk.queries, ask.desk.show
    about = named(queries.advice(), site)
    words = [_word(row, site) for row in queries.words(None, limit=ROWS)]
    reviews = [review_line(row, about, site) for row in queries.reviews(ROWS)]
    lines = words + reviews + [_finding(row) for row in queries.findings(None)]
    lines.sort(key=lambda line: (line.time, line.seq), reverse=True)
    waiting = [_waiting(word, about, site) for word in queries.waiting_words()]
    names = {spec.id: spec.name for spec in ask.desk.site.sumps.values()}
    return page(ask, "log.html", lines=lines[:ROWS], waiting=waiting[::-1], names=names)


def _word(row: LogRow, site: Show) -> Line:
    body = row.data()
    said = f"{body.get('by') or 'somebody'}" + (f", {body['role']}" if body.get("role") else "")
    return Line(row.time, row.sump, said, in_words(body, site), str(body.get("note") or ""), seq=row.seq)


def in_words(body: dict[str, Any], site: Show) -> str:
    """A person's record as a sentence."""
    signal, value = body.get("signal"), body.get("value")
    volume = site.volume(body["volume_l"], 1) if body.get("volume_l") is not None else "an unknown volume"
    of_mix = mix(body["pct"]) if body.get("pct") is not None else "an unknown mix"
    sentences = {
        "hand_reading": lambda: f"read {trim(value)} Brix by hand",
        "titration": lambda: f"titrated {trim(value)} %",
        "addition": lambda: f"added {volume}, {of_mix}",
        "recharge": lambda: f"emptied, cleaned and filled anew with {volume}, {of_mix}",
        "drained": lambda: f"drained {volume}",
        "dismissal": lambda: "says it was no such thing",
        "setting": lambda: f"set {body.get('field')} to {value if isinstance(value, (int, float)) else 'a new curve'}",
        "void": lambda: f"took back a {str(body.get('record_signal')).replace('_', ' ')}",
    }
    sentence = sentences.get(str(signal))
    return sentence() if sentence else str(signal)


def review_line(row: LogRow, about: dict[str, str], site: Show) -> Line:
    """A step of an instruction's life; `about` names instructions by id."""
    body = row.data()
    who = MACHINES.get(str(body.get("role")), f"{body.get('by')}, {body.get('role')}")
    event = EVENTS_SAID.get(str(body.get("event")), str(body.get("event")))
    said = [site.volume(body["volume_l"], 1)] if body.get("volume_l") is not None else []
    said += [mix(body["makeup_pct"])] if body.get("makeup_pct") is not None else []
    change = f" ({', '.join(said)})" if said else ""
    refused = "" if body.get("to") else f" (not taken: {body.get('refused') or 'too late'})"
    what = about.get(str(body.get("advice")), "an instruction")
    text = f"{event}: {what}{change}{refused}"
    return Line(row.time, row.sump, who, text, str(body.get("reason") or ""), seq=row.seq)


def named(rows: list[LogRow], site: Show) -> dict[str, str]:
    """What each instruction asks for, in short, by its id."""
    found = {}
    for row in rows:
        body = row.data()
        volume = f" with {site.volume(body['volume_l'])}" if body.get("volume_l") is not None else ""
        found[str(row.id)] = TITLES.get(body["kind"], body["kind"]).lower() + volume
    return found


def _finding(row: dict[str, Any]) -> Line:
    return Line(row["time"], row["sump"], "found", row["text"] or str(row["kind"]).replace("_", " "), seq=row["seq"])


def _waiting(word: Word, about: dict[str, str], site: Show) -> Line:
    body, remark = word.body, str(word.body.get("reason") or word.body.get("note") or "")
    text = in_words(body, site)
    if word.kind == "decision":
        event = EVENTS_SAID.get(ACTIONS.get(str(body.get("action")), ""), "answered")
        text = f"{event}: {about.get(str(body.get('advice')), 'an instruction')}"
    return Line(word.time, word.sump, f"{word.person}, {word.role}", text, remark, waiting=True)
