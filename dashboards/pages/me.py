"""How who is signed in likes to read: language, litres or gallons, Celsius or Fahrenheit."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from dashboards.desk import Ask
from dashboards.language import LANGUAGES, N_, _
from dashboards.render import page

UNITS = {"litre": N_("litres"), "us_gallon": N_("US gallons and ounces")}
DEGREES = {"celsius": N_("degrees Celsius"), "fahrenheit": N_("degrees Fahrenheit")}


async def show(ask: Ask) -> Response:
    assert ask.person is not None  # this route is for people signed in
    return page(ask, "me.html", languages=LANGUAGES, all_units=UNITS, all_degrees=DEGREES, mine=ask.person)


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
