"""The door of every route: who may pass, and whether a form is really ours. Nothing is answered around it."""

from __future__ import annotations

import secrets
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from urllib.parse import parse_qsl, quote

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from dashboards import seal
from dashboards.desk import Ask, Desk
from dashboards.language import _, speak
from dashboards.people import ROLES, Person
from dashboards.render import page

NOBODY = "nobody"
ANYONE = frozenset({NOBODY, *ROLES})
LARGEST_FORM_BYTES = 32_768
MOST_FIELDS = 60
Handler = Callable[[Ask], Awaitable[Response]]


@dataclass(frozen=True, slots=True)
class Way:
    """One route: method, path, who may take it, what answers. Without roles there is no way."""

    method: str
    path: str
    roles: frozenset[str]
    handler: Handler
    most_bytes: int = LARGEST_FORM_BYTES  # of a form

    def __post_init__(self) -> None:
        if not self.roles or not self.roles <= ANYONE:
            raise ValueError(f"{self.method} {self.path}: name the roles that may take it")


async def answer(way: Way, desk: Desk, request: Request) -> Response:
    """Lets the request through to its page, or says why not."""
    token = request.cookies.get(desk.session_cookie)
    session = desk.sessions.find(token, time.time(), touch=way.path != "/live")
    person = session.person if session else None
    door = request.cookies.get(desk.door_cookie) or secrets.token_urlsafe(24)
    cookie = (token or "") if person else door
    read_by = desk.show_for(person, request.headers.get("accept-language"))
    speak(read_by.language, read_by.units)
    form = await _checked_form(request, desk, cookie, way.most_bytes) if request.method == "POST" else {}
    ask = Ask(request, desk, person, cookie, desk.live(), form, desk.queries.last_seq() if person else 0)
    role = person.role if person else NOBODY
    response = await way.handler(ask) if role in way.roles else _refusal(ask, person)
    if person is None and way.path != "/healthz" and request.cookies.get(desk.door_cookie) != door:
        set_cookie(desk, response, desk.door_cookie, door)
    return response


def set_cookie(desk: Desk, response: Response, name: str, value: str, max_age_s: float | None = None) -> None:
    """A cookie out of reach of scripts, of other sites and of plain HTTP; without an age it ends with the browser.

    Only on this machine itself, where no network is, does it come without TLS: some browsers would drop it there.
    """
    age_s = None if max_age_s is None else int(max_age_s)
    response.set_cookie(name, value, age_s, httponly=True, samesite="strict", secure=desk.file.web.tls, path="/")


def _refusal(ask: Ask, person: Person | None) -> Response:
    if person is not None:
        return page(ask, "message.html", 403, heading=_("Not for you"), text=_("Your role does not open this page."))
    path = ask.request.url.path
    if ask.request.method != "GET" or path in ("/live",) or path.startswith("/series/"):
        return page(
            ask, "message.html", 401, heading=_("Sign in first"), text=_("You are not signed in, or no longer.")
        )
    first = "/set-up" if ask.desk.people.empty() else "/sign-in"
    return RedirectResponse(f"{first}?next={quote(path)}", 303)


async def _checked_form(request: Request, desk: Desk, cookie: str, most_bytes: int) -> dict[str, str]:
    """The fields of a form of ours. Raises HTTPException: 403 foreign or stale, 413 too large, 415 no form."""
    headers = request.headers
    if not seal.same_origin(headers.get("origin"), headers.get("sec-fetch-site"), headers.get("host")):
        raise HTTPException(403, _("This form was not sent from our own page."))
    form = await _read_form(request, most_bytes)
    if not seal.form_token_ok(desk.seal_key, cookie, form.get("form_token", "")):
        raise HTTPException(403, _("This page has grown old. Open it again and repeat your entry."))
    return form


async def _read_form(request: Request, most_bytes: int) -> dict[str, str]:
    if request.headers.get("content-type", "").split(";")[0].strip() != "application/x-www-form-urlencoded":
        raise HTTPException(415, _("Only plain forms are taken here."))
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > most_bytes:
            raise HTTPException(413, _("That is too long."))
    try:
        pairs = parse_qsl(body.decode("utf-8"), keep_blank_values=True, max_num_fields=MOST_FIELDS)
    except ValueError as why:
        raise HTTPException(400, _("This form cannot be read.")) from why
    return {name: value.replace("\0", "") for name, value in pairs}
