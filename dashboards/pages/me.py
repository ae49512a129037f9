"""What is one's own: language, litres or gallons, Celsius or Fahrenheit, and the password."""

from __future__ import annotations

import time

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from dashboards.desk import Ask
from dashboards.language import LANGUAGES, N_, _
from dashboards.pages.door import came_in, fitting, good_secret, signed_in, too_many, tried_by
from dashboards.people import SHORTEST_SECRET, NotAccepted
from dashboards.render import page

UNITS = {"litre": N_("litres"), "us_gallon": N_("US gallons and ounces")}
DEGREES = {"celsius": N_("degrees Celsius"), "fahrenheit": N_("degrees Fahrenheit")}


async def show(ask: Ask, problem: str | None = None, status: int = 200) -> Response:
    assert ask.person is not None  # this route is for people signed in
    return page(
        ask, "me.html", status, problem=problem, languages=LANGUAGES, all_units=UNITS, all_degrees=DEGREES,
        mine=ask.person, shortest=SHORTEST_SECRET,
    )  # fmt: skip


async def change(ask: Ask) -> Response:
    """An empty choice leaves it to the browser and the site file."""
    assert ask.person is not None  # this route is for people signed in
    chosen = [ask.form.get(name, "") for name in ("language", "units", "degrees")]
    known: list[dict[str, str]] = [LANGUAGES, UNITS, DEGREES]
    if any(value and value not in allowed for value, allowed in zip(chosen, known, strict=True)):
        raise HTTPException(400, _("This form cannot be read."))
    language, units, degrees = (value or None for value in chosen)
    ask.desk.people.prefer(ask.person.id, language, units, degrees)
    return RedirectResponse("/me?said=person", 303)


async def change_secret(ask: Ask) -> Response:
    """One's own password, the current one asked for. All sessions of that person end; this browser gets a new one."""
    assert ask.person is not None  # this route is for people signed in
    mine, new, keys = ask.person, ask.form.get("secret", ""), tried_by(ask, ask.person.name)
    if slowed := too_many(ask, keys):
        return await show(ask, slowed, 429)
    if not await fitting(ask.desk.people.named(mine.name)[1], ask.form.get("current", "")):
        ask.desk.tries.wrong(keys, time.monotonic())
        return await show(ask, _("That is not your current password."), 422)
    came_in(ask, mine.name)
    try:
        kept = await good_secret(ask, mine, new)
    except NotAccepted as why:
        return await show(ask, str(why), 422)
    ask.desk.people.set_secret(mine.id, kept)
    return signed_in(ask, mine, "/me?said=secret")
