"""Words that are kept but tell the estimator nothing: checks of pH and the like, an old paper log, stock, the calendar.

They are `word` rows as all others, with a `signal` that the core does not know; what refuses one says why, and the
word is kept all the same.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from math import isfinite
from typing import Any, Final

from agent.core.checks import CHECKS
from agent.core.review import PEOPLE, REVIEWERS
from agent.core.spec import SiteSpec
from agent.errors import BadRecord
from agent.io.inbox import Word

NOTES: Final = ("check", "past", "stock", "calendar")  # kinds of the inbox, and `signal` in the row
PAST_SIGNALS: Final = ("hand_reading", "titration", "addition", "recharge", "drained", *CHECKS)
LONGEST_NOTE: Final = 500
MOST_L: Final = 1e6
MOST_CLOSED_DAYS: Final = 366


def noted(word: Word, site: SiteSpec) -> dict[str, Any]:
    """The row's body for such a word. Raises BadRecord."""
    if word.role not in PEOPLE:
        raise BadRecord(f"nobody is {word.role}")
    about = {"time": word.time, "sump": word.sump, "signal": word.kind, "by": word.person, "role": word.role}
    body = about | _READERS[word.kind](word, site)
    for name in ("note", "taken_at", "entered"):
        if word.body.get(name) is not None:
            body[name] = _text(word.body[name]) if name == "note" else _number(word.body, name, 0.0, 1e11)
    return body


def _check(word: Word, site: SiteSpec) -> dict[str, Any]:
    _of_the_site(word, site)
    if word.body.get("takes_back") is not None:
        return {"takes_back": _text(word.body["takes_back"])}
    name = str(word.body.get("check"))
    if name not in CHECKS:
        raise BadRecord(f"no such check: {name[:40]}")
    value = _number(word.body, "value", CHECKS[name].least, CHECKS[name].most)
    return {"check": name, "value": value, "first_fill": bool(word.body.get("first_fill"))}


def _past(word: Word, site: SiteSpec) -> dict[str, Any]:
    """A line of an old paper log: for the book, not for the estimate."""
    _of_the_site(word, site)
    what = str(word.body.get("what"))
    if what not in PAST_SIGNALS:
        raise BadRecord(f"no such entry of a paper log: {what[:40]}")
    body: dict[str, Any] = {"what": what, "written_by": _text(word.body.get("written_by") or "")}
    for name, most in (("value", 1e9), ("volume_l", MOST_L), ("pct", 100.0)):
        if word.body.get(name) is not None:
            body[name] = _number(word.body, name, 0.0, most)
    if len(body) == 2:
        raise BadRecord("the line says neither a value nor an amount")
    return body


def _stock(word: Word, site: SiteSpec) -> dict[str, Any]:
    """Concentrate in stock: counted, or delivered since; of one product."""
    what = str(word.body.get("what"))
    if what not in ("counted", "delivered"):
        raise BadRecord("stock is counted or delivered")
    return {
        "what": what,
        "fluid": _text(word.body.get("fluid") or ""),
        "volume_l": _number(word.body, "volume_l", 0.0, MOST_L),
    }


def _calendar(word: Word, site: SiteSpec) -> dict[str, Any]:
    """Days on which nobody works, added or taken away."""
    if word.role not in REVIEWERS:
        raise BadRecord(f"the calendar is for {', '.join(sorted(REVIEWERS))}, not for {word.role}")
    what = str(word.body.get("what"))
    if what not in ("close", "open"):
        raise BadRecord("days are closed or opened")
    first, last = _day(word.body.get("first")), _day(word.body.get("last"))
    if not 0 <= (last - first).days < MOST_CLOSED_DAYS:
        raise BadRecord("the last day lies before the first, or more than a year after")
    return {"what": what, "first": first.isoformat(), "last": last.isoformat()}


_READERS: Final[dict[str, Callable[[Word, SiteSpec], dict[str, Any]]]] = {
    "check": _check,
    "past": _past,
    "stock": _stock,
    "calendar": _calendar,
}


def _of_the_site(word: Word, site: SiteSpec) -> None:
    if word.sump not in site.sumps:
        raise BadRecord(f"the site has no sump {word.sump!r}")


def _number(body: dict[str, Any], name: str, low: float, high: float) -> float:
    value = body.get(name)
    if not isinstance(value, int | float) or isinstance(value, bool) or not isfinite(value):
        raise BadRecord(f"{name} is no number")
    if not low <= value <= high:
        raise BadRecord(f"{name} lies outside {low:g} to {high:g}")
    return float(value)


def _text(value: object) -> str:
    return str(value)[:LONGEST_NOTE]


def _day(text: object) -> date:
    try:
        return date.fromisoformat(str(text)[:10])
    except ValueError as why:
        raise BadRecord("no such day") from why
