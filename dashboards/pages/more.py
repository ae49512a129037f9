"""Every page there is, with what it is for: where a phone's short bar leads on."""

from __future__ import annotations

from starlette.responses import Response

from agent.core.review import MAINTENANCE
from dashboards.desk import Ask
from dashboards.language import N_
from dashboards.render import page

PLACES = (
    ("/alerts", N_("Alerts"), N_("what a person has to act upon"), None),
    ("/use", N_("Use"), N_("litres, cost, time in the band; the week to print"), None),
    ("/charge", N_("Charge"), N_("plan a new fill, change out in order"), None),
    ("/calendar", N_("Calendar"), N_("shifts, holidays, shutdown"), None),
    ("/health", N_("Health"), N_("sensors, buses, forwarding, the computer"), None),
    ("/calibration", N_("Calibration"), N_("level curve, strength, probe, proportioner; what is in force"), None),
    ("/labels", N_("Labels"), N_("QR codes for the machines"), None),
    ("/me", N_("How I read it"), N_("language, litres or gallons, degrees"), None),
    ("/people", N_("People"), N_("who may sign in"), MAINTENANCE),
)


async def show(ask: Ask) -> Response:
    assert ask.person is not None  # this route is for people signed in
    role = ask.person.role
    return page(ask, "more.html", places=[p for p in PLACES if p[3] in (None, role)])
