"""The log: what people said and decided and what was found, the newest first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from starlette.responses import Response

from agent.io.inbox import Word
from dashboards.cards import mix
from dashboards.desk import Ask
from dashboards.instructions import ACTIONS_SAID
from dashboards.render import page
from dashboards.show import Show, trim

ROWS = 150


@dataclass(frozen=True, slots=True)
class Line:
    time: float
    sump: str | None
    who: str
    text: str
    remark: str = ""
    waiting: bool = False


async def show(ask: Ask) -> Response:
    queries, site = ask.desk.queries, ask.desk.show
    words = [_word(row.time, row.sump, row.data(), site) for row in queries.words(None, limit=ROWS)]
    reviews = [review_line(row.time, row.sump, row.data(), site) for row in queries.reviews(ROWS)]
    found = [_finding(row) for row in queries.findings(None)]
    lines = sorted(words + reviews + found, key=lambda line: line.time, reverse=True)[:ROWS]
    waiting = [_waiting(word, site) for word in queries.waiting_words()]
    names = {spec.id: spec.name for spec in ask.desk.site.sumps.values()}
    return page(ask, "log.html", lines=lines, waiting=waiting[::-1], names=names)


def _word(time: float, sump: str | None, body: dict[str, Any], site: Show) -> Line:
    said = f"{body.get('by') or 'somebody'}" + (f", {body['role']}" if body.get("role") else "")
    return Line(time, sump, said, in_words(body, site), str(body.get("note") or ""))


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


def review_line(time: float, sump: str | None, body: dict[str, Any], site: Show) -> Line:
    change = ""
    if body.get("volume_l") is not None:
        makeup = body.get("makeup_pct")
        change = f": {site.volume(body['volume_l'], 1)}" + (f", {mix(makeup)}" if makeup is not None else "")
    event = str(body.get("event", "")).replace("_", " ")
    refused = "" if body.get("to") else " (refused)"
    who = str(body.get("by") or "the logger") + (f", {body['role']}" if body.get("role") not in (None, "agent") else "")
    return Line(time, sump, who, f"instruction: {event}{refused}{change}", str(body.get("reason") or ""))


def _finding(row: dict[str, Any]) -> Line:
    return Line(row["time"], row["sump"], "found", row["text"] or str(row["kind"]).replace("_", " "))


def _waiting(word: Word, site: Show) -> Line:
    if word.kind == "decision":
        text = f"instruction: {ACTIONS_SAID.get(str(word.body.get('action')), 'said something')}"
        return Line(word.time, word.sump, word.person, text, str(word.body.get("reason") or ""), True)
    return Line(word.time, word.sump, word.person, in_words(word.body, site), str(word.body.get("note") or ""), True)
