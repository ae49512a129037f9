"""The web application: the table of routes behind their door, headers on every answer, the live stream beside it."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine
from contextlib import asynccontextmanager
from functools import partial

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from dashboards import guard
from dashboards.desk import Ask, Desk
from dashboards.language import _, speak
from dashboards.live_stream import LiveStream
from dashboards.render import HEADERS, STATIC, page
from dashboards.routes import ROUTES, STATIC_PATH

Beat = Callable[[LiveStream], Coroutine[None, None, None]]
HSTS = (b"strict-transport-security", b"max-age=31536000")  # a year: this host by TLS alone
LONG_CACHE = b"public, max-age=31536000, immutable"  # the address holds a hash of the content


def make_app(desk: Desk, beside: Beat | None = None) -> Starlette:
    """The application over a desk. `beside` runs as long as it does (the watchdog's beat)."""

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        app.state.stream = stream = LiveStream(desk)
        tasks = [asyncio.create_task(stream.run())]
        if beside:
            tasks.append(asyncio.create_task(beside(stream)))
        yield
        stream.stopping.set()
        await asyncio.gather(*tasks)

    routes = [Route(w.path, _endpoint(w, desk), methods=[w.method], name=f"{w.method} {w.path}") for w in ROUTES]
    app = Starlette(
        routes=[*routes, Mount(STATIC_PATH, StaticFiles(directory=STATIC), name="static")],
        lifespan=lifespan,
        exception_handlers={HTTPException: partial(_say_why, desk), Exception: partial(_say_sorry, desk)},
    )
    app.router.redirect_slashes = False
    app.add_middleware(Headers, tls=desk.file.web.tls)
    return app


def _endpoint(way: guard.Way, desk: Desk) -> Callable[[Request], Awaitable[Response]]:
    async def endpoint(request: Request) -> Response:
        return await guard.answer(way, desk, request)

    return endpoint


async def _say_why(desk: Desk, request: Request, why: Exception) -> Response:
    assert isinstance(why, HTTPException)
    ask = _ask(desk, request)
    headings = {403: _("Not taken"), 404: _("Nothing here"), 405: _("Not taken")}
    heading = headings.get(why.status_code, _("That did not work"))
    text = _("There is no such page.") if why.detail == "Not Found" else why.detail
    return page(ask, "message.html", why.status_code, heading=heading, text=text)


async def _say_sorry(desk: Desk, request: Request, why: Exception) -> Response:
    text = _("Something here is broken. It has been written to the program's log.")
    stranger = Ask(request, desk, None, "", desk.live())  # the least that a page needs: what broke may break it again
    return page(stranger, "message.html", 500, heading=_("Our fault"), text=text)


def _ask(desk: Desk, request: Request) -> Ask:
    session = desk.sessions.find(request.cookies.get(desk.session_cookie), time.time())
    cookie = request.cookies.get(desk.session_cookie if session else desk.door_cookie) or ""
    person = session.person if session else None
    ask = Ask(request, desk, person, cookie, desk.live(), seq=desk.queries.last_seq() if person else 0)
    speak(ask.show.language, ask.show.units)
    return ask


class Headers:
    """Puts the security headers on every answer, and a long life on static files asked for by their hash.

    With `tls` no page goes out without it: a proxy that passes on plain HTTP gets a word and no page.
    """

    def __init__(self, app: ASGIApp, tls: bool) -> None:
        self.app = app
        self.tls = tls

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message["headers"], *_headers(scope), *([HSTS] if self.tls else [])]
            await send(message)

        if scope["type"] != "http":
            return await self.app(scope, receive, send)
        plain = self.tls and scope["scheme"] != "https" and scope["path"] != "/healthz"
        answer = PlainTextResponse("Only by https.\n", 403) if plain else self.app
        return await answer(scope, receive, send_with_headers)


def _headers(scope: Scope) -> list[tuple[bytes, bytes]]:
    fixed = [(name.lower().encode(), value.encode()) for name, value in HEADERS.items()]
    hashed = scope["path"].startswith(f"{STATIC_PATH}/") and scope["query_string"].startswith(b"v=")
    return [*fixed, (b"cache-control", LONG_CACHE)] if hashed else fixed
