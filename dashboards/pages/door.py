"""Set-up of the first person, sign in, sign out."""

from __future__ import annotations

import logging
import time

from anyio import CapacityLimiter, to_thread
from starlette.responses import RedirectResponse, Response

from agent.core.review import MAINTENANCE
from dashboards.desk import Ask
from dashboards.guard import set_cookie
from dashboards.language import _
from dashboards.people import NotAccepted, Person, check_secret, fits, hash_secret, same_code, tidy_name
from dashboards.render import page
from dashboards.sessions import COOKIE, LIMITS

LOG = logging.getLogger("sumpside.door")
HASHES_AT_ONCE = CapacityLimiter(2)  # each takes 19 MiB and a core; more tries wait in line


async def hashed(secret: str) -> str:
    return await to_thread.run_sync(hash_secret, secret, limiter=HASHES_AT_ONCE)


async def show_sign_in(ask: Ask) -> Response:
    if ask.desk.people.empty():
        return RedirectResponse("/set-up", 303)
    return page(ask, "sign_in.html", next=_next(ask))


async def sign_in(ask: Ask) -> Response:
    """Name and secret to a session. Unknown name and wrong secret look the same and cost the same."""
    name, keys = ask.form.get("name", ""), _keys(ask, ask.form.get("name", ""))
    wait_s = ask.desk.tries.wait_s(keys, time.monotonic())
    if wait_s > 0:
        return _sign_in_again(ask, _("Too many wrong tries. Try again in {seconds} s.", seconds=f"{wait_s:.0f}"), 429)
    person, kept = ask.desk.people.named(name)
    ok = await to_thread.run_sync(fits, kept, ask.form.get("secret", ""), limiter=HASHES_AT_ONCE)
    if person is None or not ok:
        ask.desk.tries.wrong(keys, time.monotonic())
        LOG.warning("wrong sign-in from %s", _address(ask))
        return _sign_in_again(ask, _("Name and PIN or password do not go together."), 401)
    ask.desk.tries.right(keys)
    return _signed_in(ask, person, _next(ask))


async def show_set_up(ask: Ask) -> Response:
    return page(ask, "set_up.html") if ask.desk.code else RedirectResponse("/sign-in", 303)


async def set_up(ask: Ask) -> Response:
    """The one-time code makes the first person, of maintenance."""
    if ask.desk.code is None:
        return RedirectResponse("/sign-in", 303)
    keys = ("set-up",)
    wait_s = ask.desk.tries.wait_s(keys, time.monotonic())
    if wait_s > 0:
        return _set_up_again(ask, _("Too many wrong codes. Try again in {seconds} s.", seconds=f"{wait_s:.0f}"), 429)
    if not same_code(ask.form.get("code", ""), ask.desk.code):
        ask.desk.tries.wrong(keys, time.monotonic())
        return _set_up_again(ask, _("That is not the code that was printed at the start."), 401)
    name, secret = ask.form.get("name", ""), ask.form.get("secret", "")
    try:
        tidy_name(name)
        check_secret(MAINTENANCE, secret)
        kept = await hashed(secret)
        if not ask.desk.people.empty():  # somebody was quicker with the same code
            return RedirectResponse("/sign-in", 303)
        person = ask.desk.people.add(name, MAINTENANCE, kept, time.time())
    except NotAccepted as why:
        return _set_up_again(ask, str(why), 422)
    ask.desk.code = None
    return _signed_in(ask, person, "/people?said=welcome")


async def sign_out(ask: Ask) -> Response:
    ask.desk.sessions.end(ask.request.cookies.get(COOKIE))
    response = RedirectResponse("/sign-in", 303)
    response.delete_cookie(COOKIE, path="/")
    return response


def _signed_in(ask: Ask, person: Person, next_path: str) -> Response:
    response = RedirectResponse(next_path, 303)
    token = ask.desk.sessions.start(person, time.time())
    set_cookie(ask.request, response, COOKIE, token, max_age_s=LIMITS[person.role][1])
    return response


def _sign_in_again(ask: Ask, problem: str, status: int) -> Response:
    return page(ask, "sign_in.html", status, next=_next(ask), problem=problem, typed={"name": ask.form.get("name", "")})


def _set_up_again(ask: Ask, problem: str, status: int) -> Response:
    return page(ask, "set_up.html", status, problem=problem, typed={"name": ask.form.get("name", "")})


def _next(ask: Ask) -> str:
    """Where the person wanted to go: a path of ours, else the floor."""
    path = ask.form.get("next") or ask.request.query_params.get("next") or "/"
    own = path.startswith("/") and not path.startswith(("//", "/\\", "/sign-", "/set-up"))
    return path if own and path.isprintable() else "/"


def _keys(ask: Ask, name: str) -> tuple[str, ...]:
    return f"name:{' '.join(name.split()).casefold()[:80]}", f"address:{_address(ask)}"


def _address(ask: Ask) -> str:
    return ask.request.client.host if ask.request.client else "local"
