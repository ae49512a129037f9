"""One-time codes, sign in, sign out."""

from __future__ import annotations

import logging
import time

from anyio import CapacityLimiter, to_thread
from starlette.responses import RedirectResponse, Response

from agent.core.review import MAINTENANCE
from dashboards.desk import Ask
from dashboards.guard import set_cookie
from dashboards.language import _
from dashboards.people import (
    SHORTEST_SECRET,
    NotAccepted,
    Person,
    check_secret,
    fits,
    hash_secret,
    plain_code,
    same_code,
    tidy_name,
)
from dashboards.render import page
from dashboards.sessions import LIMITS

LOG = logging.getLogger("sumpside.door")
HASHES_AT_ONCE = CapacityLimiter(2)  # each takes 19 MiB and a core; more tries wait in line


async def hashed(secret: str) -> str:
    return await to_thread.run_sync(hash_secret, secret, limiter=HASHES_AT_ONCE)


async def fitting(kept: str, secret: str) -> bool:
    return await to_thread.run_sync(fits, kept, secret, limiter=HASHES_AT_ONCE)


async def good_secret(ask: Ask, person: Person, secret: str) -> str:
    """The hash of a person's new password. Raises `NotAccepted` for one that is too short or too common."""
    known = (person.name, ask.desk.site.name, "sumpside", *ask.desk.site.sumps)
    await to_thread.run_sync(check_secret, person.role, secret, known, limiter=HASHES_AT_ONCE)
    return await hashed(secret)


async def show_sign_in(ask: Ask) -> Response:
    if ask.desk.people.empty():
        return RedirectResponse("/set-up", 303)
    return page(ask, "sign_in.html", next=_next(ask))


async def sign_in(ask: Ask) -> Response:
    """Name and secret to a session. Unknown name and wrong secret look the same and cost the same."""
    name, secret = ask.form.get("name", ""), ask.form.get("secret", "")
    keys = tried_by(ask, name)
    if slowed := too_many(ask, keys):
        return _sign_in_again(ask, slowed, 429)
    person, kept = ask.desk.people.named(name)
    ok = await fitting(kept, secret)
    if person is None or not ok:
        ask.desk.tries.wrong(keys, time.monotonic())
        LOG.warning("wrong sign-in from %s", _address(ask))
        return _sign_in_again(ask, _("Name and PIN or password do not go together."), 401)
    came_in(ask, name)
    if len(secret) < SHORTEST_SECRET:  # from before this was the least
        return _sign_in_again(ask, _("This PIN is too short by now. Maintenance gives you a one-time code."), 403)
    return signed_in(ask, person, _next(ask))


async def show_set_up(ask: Ask) -> Response:
    return page(ask, "set_up.html", first=ask.desk.code is not None)


async def set_up(ask: Ask) -> Response:
    """A one-time code to a password: the first person's, who is of maintenance, or one that maintenance gave."""
    first, name = ask.desk.code is not None, ask.form.get("name", "")
    keys = ("set-up",) if first else tried_by(ask, name)
    wait_s = ask.desk.tries.wait_s(keys, time.monotonic())
    if wait_s > 0:
        return _set_up_again(ask, _("Too many wrong codes. Try again in {seconds} s.", seconds=f"{wait_s:.0f}"), 429)
    person = _first_person(ask, name) if first else await _invited(ask, name)
    if person is None:
        ask.desk.tries.wrong(keys, time.monotonic())
        LOG.warning("wrong one-time code from %s", _address(ask))
        return _set_up_again(ask, _("Name and one-time code do not go together, or the code is too old."), 401)
    try:
        tidy_name(name)
        kept = await good_secret(ask, person, ask.form.get("secret", ""))
        begun = _list_first(ask, name, kept) if first else _take_code(ask, person, kept)
    except NotAccepted as why:
        return _set_up_again(ask, str(why), 422)
    came_in(ask, name)
    return signed_in(ask, begun, "/people?said=welcome" if first else "/?said=secret")


def _first_person(ask: Ask, name: str) -> Person | None:
    """Who the first person will be, when the code is the one that was printed."""
    return Person(0, name, MAINTENANCE) if same_code(ask.form.get("code", ""), ask.desk.code or "") else None


async def _invited(ask: Ask, name: str) -> Person | None:
    person, kept = ask.desk.people.invited(name, time.time())
    return person if await fitting(kept, plain_code(ask.form.get("code", ""))) else None


def _list_first(ask: Ask, name: str, kept: str) -> Person:
    if not ask.desk.people.empty():
        raise NotAccepted(_("Somebody was quicker with the same code."))
    person = ask.desk.people.add(name, MAINTENANCE, kept, time.time())
    ask.desk.code = None
    return person


def _take_code(ask: Ask, person: Person, kept: str) -> Person:
    """The code is used up. Raises `NotAccepted` when it was while the password was looked at."""
    now = ask.desk.people.get(person.id)
    if now is None or not now.active or now.code_until != person.code_until:
        raise NotAccepted(_("Somebody was quicker with the same code."))
    ask.desk.people.set_secret(person.id, kept)
    return person


async def sign_out(ask: Ask) -> Response:
    ask.desk.sessions.end(ask.request.cookies.get(ask.desk.session_cookie))
    response = RedirectResponse("/sign-in", 303)
    response.delete_cookie(ask.desk.session_cookie, path="/", secure=ask.desk.file.web.tls, httponly=True)
    return response


def signed_in(ask: Ask, person: Person, next_path: str) -> Response:
    """A session of its own for this browser, whatever it had before."""
    response = RedirectResponse(next_path, 303)
    token = ask.desk.sessions.start(person, time.time())
    set_cookie(ask.desk, response, ask.desk.session_cookie, token, max_age_s=LIMITS[person.role][1])
    return response


def _sign_in_again(ask: Ask, problem: str, status: int) -> Response:
    return page(ask, "sign_in.html", status, next=_next(ask), problem=problem, typed={"name": ask.form.get("name", "")})


def _set_up_again(ask: Ask, problem: str, status: int) -> Response:
    typed = {"name": ask.form.get("name", "")}
    return page(ask, "set_up.html", status, problem=problem, typed=typed, first=ask.desk.code is not None)


def _next(ask: Ask) -> str:
    """Where the person wanted to go: a path of ours, else the floor."""
    path = ask.form.get("next") or ask.request.query_params.get("next") or "/"
    own = path.startswith("/") and not path.startswith(("//", "/\\", "/sign-", "/set-up"))
    return path if own and path.isprintable() else "/"


def too_many(ask: Ask, keys: tuple[str, ...]) -> str:
    """What to say while wrong tries are slowed; empty when the next one may be made."""
    wait_s = ask.desk.tries.wait_s(keys, time.monotonic())
    return _("Too many wrong tries. Try again in {seconds} s.", seconds=f"{wait_s:.0f}") if wait_s > 0 else ""


def tried_by(ask: Ask, name: str) -> tuple[str, ...]:
    return ask.desk.tries.keys(_plain(name), _address(ask))


def came_in(ask: Ask, name: str) -> None:
    ask.desk.tries.came_in(_plain(name), _address(ask))


def _plain(name: str) -> str:
    return " ".join(name.split()).casefold()[:80]


def _address(ask: Ask) -> str:
    return ask.request.client.host if ask.request.client else "local"
