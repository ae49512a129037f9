"""People: who may sign in. Maintenance adds them, gives a new secret, switches them off."""

from __future__ import annotations

import logging
import time

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from dashboards.desk import Ask
from dashboards.language import _
from dashboards.pages.door import hashed
from dashboards.people import ROLES, SHORTEST_PASSWORD, SHORTEST_PIN, NotAccepted, check_secret, tidy_name
from dashboards.render import page

LOG = logging.getLogger("sumpside.people")


async def show(ask: Ask, problem: str | None = None, status: int = 200) -> Response:
    typed = {"name": ask.form.get("name", ""), "role": ask.form.get("role", "")}
    return page(
        ask, "people.html", status, problem=problem, typed=typed, people=ask.desk.people.all(), roles=ROLES,
        shortest_pin=SHORTEST_PIN, shortest_password=SHORTEST_PASSWORD,
    )  # fmt: skip


async def change(ask: Ask) -> Response:
    """Adds, renews, switches off or on."""
    try:
        await {"add": _add, "renew": _renew, "off": _off, "on": _on}[ask.form.get("action", "")](ask)
    except KeyError as why:
        raise HTTPException(400, _("This form cannot be read.")) from why
    except NotAccepted as why:
        return await show(ask, str(why), 422)
    assert ask.person is not None  # this route is for maintenance
    LOG.info("%s changed the list of people: %s", ask.person.name, ask.form["action"])
    return RedirectResponse("/people?said=person", 303)


async def _add(ask: Ask) -> None:
    role, secret = ask.form.get("role", ""), ask.form.get("secret", "")
    tidy_name(ask.form.get("name", ""))
    check_secret(role, secret)
    ask.desk.people.add(ask.form.get("name", ""), role, await hashed(secret), time.time())


async def _renew(ask: Ask) -> None:
    person = ask.desk.people.get(_id(ask))
    if person is None:
        raise NotAccepted(_("This person is not on the list."))
    check_secret(person.role, ask.form.get("secret", ""))
    ask.desk.people.set_secret(person.id, await hashed(ask.form["secret"]))


async def _off(ask: Ask) -> None:
    ask.desk.people.set_active(_id(ask), False)


async def _on(ask: Ask) -> None:
    ask.desk.people.set_active(_id(ask), True)


def _id(ask: Ask) -> int:
    text = ask.form.get("person", "")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else 0
