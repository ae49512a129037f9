"""Who may sign in. Maintenance adds them, gives one-time codes, switches them off."""

from __future__ import annotations

import logging
import time

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from dashboards.desk import Ask
from dashboards.language import _
from dashboards.pages.door import hashed
from dashboards.people import CODE_LASTS_S, ROLES, NotAccepted, check_role, plain_code, set_up_code, tidy_name
from dashboards.render import page

LOG = logging.getLogger("sumpside.people")


async def show(
    ask: Ask, problem: str | None = None, status: int = 200, given: dict[str, str] | None = None
) -> Response:
    """The list. `given`: a one-time code made just now and whose it is, to be seen this once."""
    typed = {"name": ask.form.get("name", ""), "role": ask.form.get("role", "")}
    return page(
        ask, "people.html", status, problem=problem, typed={} if given else typed, people=ask.desk.people.all(),
        roles=ROLES, code_h=round(CODE_LASTS_S / 3600), given=given or {}, now_s=time.time(),
    )  # fmt: skip


async def change(ask: Ask) -> Response:
    """Adds, renews, switches off or on."""
    try:
        given = await {"add": _add, "renew": _renew, "off": _off, "on": _on}[ask.form.get("action", "")](ask)
    except KeyError as why:
        raise HTTPException(400, _("This form cannot be read.")) from why
    except NotAccepted as why:
        return await show(ask, str(why), 422)
    assert ask.person is not None  # this route is for maintenance
    LOG.info("%s changed the list of people: %s", ask.person.name, ask.form["action"])
    return await show(ask, given=given) if given else RedirectResponse("/people?said=person", 303)


async def _add(ask: Ask) -> dict[str, str]:
    role, name = ask.form.get("role", ""), tidy_name(ask.form.get("name", ""))
    check_role(role)
    code, now_s = set_up_code(), time.time()
    ask.desk.people.add(name, role, await hashed(plain_code(code)), now_s, now_s + CODE_LASTS_S)
    return {"name": name, "code": code}


async def _renew(ask: Ask) -> dict[str, str]:
    person = ask.desk.people.get(_id(ask))
    if person is None:
        raise NotAccepted(_("This person is not on the list."))
    if person == ask.person:
        raise NotAccepted(_("Your own password is changed under your name."))
    code = set_up_code()
    ask.desk.people.set_secret(person.id, await hashed(plain_code(code)), time.time() + CODE_LASTS_S)
    return {"name": person.name, "code": code}


async def _off(ask: Ask) -> dict[str, str]:
    ask.desk.people.set_active(_id(ask), False)
    return {}


async def _on(ask: Ask) -> dict[str, str]:
    ask.desk.people.set_active(_id(ask), True)
    return {}


def _id(ask: Ask) -> int:
    text = ask.form.get("person", "")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else 0
