"""Pages from templates: what every page carries, and the headers every answer carries."""

from __future__ import annotations

import hashlib
import secrets
from functools import cache, partial
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.responses import HTMLResponse, Response

from agent.core.review import REVIEWERS
from dashboards import cards, language, live_stream, show
from dashboards.core_sentences import core_text
from dashboards.desk import Ask
from dashboards.language import N_, _
from dashboards.roles import ROLE_NAMES

HERE = Path(__file__).parent
STATIC = HERE / "static"

HEADERS = {
    # Nothing inline and no other host: what is stored can be shown, but never run.
    "Content-Security-Policy": "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; "
    "object-src 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}

# What a page says after a form was taken, by the name in its address.
SAID = {
    "written": N_("Written down. The logger takes it within seconds."),
    "decided": N_("Decided. The logger takes it within seconds."),
    "person": N_("Changed."),
    "secret": N_("Your password is kept. You are signed in here, and nowhere else."),
    "calibrated": N_("Kept as a result. Put it in force when you have looked at it."),
    "welcome": N_("You are signed in. Add the people who work here under People."),
}


STATUS = {"learning": N_("learning"), "settled": N_("settled"), "stale": N_("stale")}


@cache
def version(name: str) -> str:
    """Part of a static file's address: a new file is fetched at once, an old one never asked for again."""
    return hashlib.sha256((STATIC / name).read_bytes()).hexdigest()[:12]


def static(name: str) -> str:
    return f"/static/{name}?v={version(name)}"


@cache
def _environment() -> Environment:
    found = Environment(
        loader=FileSystemLoader(HERE / "templates"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    found.globals |= {"static": static, "REVIEWERS": REVIEWERS, "ROLE_NAMES": ROLE_NAMES, "STATUS": STATUS}
    found.globals |= {"_": language._, "h_": language.h_, "ngettext": language.ngettext}
    found.filters |= {
        "pct": show.pct, "trim": show.trim, "age": show.age, "hours": show.hours, "chance": show.chance,
        "mix": cards.mix, "core": core_text, "hours_in": show.hours_in,
    }  # fmt: skip
    return found


class Typed(dict[str, str]):
    """What a person typed, to be shown again beside the problem; a field never typed in is empty."""

    def __missing__(self, name: str) -> str:
        return ""


def page(ask: Ask, template: str, status: int = 200, **values: Any) -> Response:
    """A whole page of the site as this person sees it."""
    values["typed"] = Typed(values.get("typed", {}))
    text = _environment().get_template(template).render(_always(ask) | values)
    return HTMLResponse(text, status, headers={"Cache-Control": "no-store"})


def _always(ask: Ask) -> dict[str, Any]:
    desk, live = ask.desk, ask.live
    opened = desk.instructions([]) if ask.person else []
    return {
        "site": desk.site,
        "show": ask.show,
        "lang": language.spoken(),
        "script_words": language.script_words(language.spoken()),
        "clock": partial(ask.show.clock, now_s=live.now_s),
        "person": ask.person,
        "here": ask.request.url.path,
        "live": live,
        "quiet": live_stream.silence(live.quiet_s) if live.silent and ask.person else None,
        "journal_fault": desk.queries.fault if ask.person else None,
        "seq": ask.seq,
        "todo_count": sum(o.state in ("approved", "begun") and not o.set_aside(live.now_s) for o in opened),
        "alert_count": sum(a.get("state") in ("raised", "over") for a in live.alerts) if ask.person else 0,
        "review_count": sum(o.state == "posted" for o in opened),
        "form_token": ask.form_token,
        "once": secrets.token_urlsafe(16),
        "said": _(SAID.get(ask.request.query_params.get("said", ""), "")),
        "problem": None,
    }
