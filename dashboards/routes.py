"""The one table of routes: what is not listed here does not exist, what is listed names who may take it."""

from __future__ import annotations

from agent.core.review import MAINTENANCE, PEOPLE, REVIEWERS
from dashboards.guard import ANYONE, NOBODY, Way
from dashboards.pages import (
    alerts,
    calendar,
    charge,
    check,
    door,
    floor,
    health,
    labels,
    log,
    machine,
    me,
    more,
    paper,
    people,
    reading,
    review,
    sump,
    todo,
    use,
    what_if,
)

ENGINEERS = frozenset({MAINTENANCE})
STRANGERS = frozenset({NOBODY})

ROUTES = (
    Way("GET", "/healthz", ANYONE, machine.healthz),
    Way("GET", "/sign-in", ANYONE, door.show_sign_in),
    Way("POST", "/sign-in", STRANGERS, door.sign_in),
    Way("GET", "/set-up", STRANGERS, door.show_set_up),
    Way("POST", "/set-up", STRANGERS, door.set_up),
    Way("POST", "/sign-out", PEOPLE, door.sign_out),
    Way("GET", "/", PEOPLE, floor.show),
    Way("GET", "/live", PEOPLE, machine.live),
    Way("GET", "/sump/{sump}", PEOPLE, sump.show),
    Way("GET", "/series/{sump}", PEOPLE, sump.numbers),
    Way("GET", "/explain/{sump}", PEOPLE, sump.explain),
    Way("GET", "/what-if/{sump}", PEOPLE, what_if.show),
    Way("GET", "/todo", PEOPLE, todo.show),
    Way("GET", "/todo/{sump}", PEOPLE, todo.show),
    Way("POST", "/todo", PEOPLE, todo.say),
    Way("GET", "/review", REVIEWERS, review.show),
    Way("POST", "/review", REVIEWERS, review.decide),
    Way("GET", "/reading", PEOPLE, reading.choose),
    Way("GET", "/reading/{sump}", PEOPLE, reading.show),
    Way("POST", "/reading/{sump}", PEOPLE, reading.write),
    Way("GET", "/check/{sump}", PEOPLE, check.show),
    Way("POST", "/check/{sump}", PEOPLE, check.write),
    Way("GET", "/log", PEOPLE, log.show),
    Way("POST", "/log", PEOPLE, log.put_right),
    Way("GET", "/log.csv", PEOPLE, log.as_csv),
    Way("GET", "/log/paper", PEOPLE, paper.show),
    Way("POST", "/log/paper", PEOPLE, paper.read, paper.LONGEST_PAPER_BYTES),
    Way("GET", "/alerts", PEOPLE, alerts.show),
    Way("POST", "/alerts", PEOPLE, alerts.decide),
    Way("GET", "/use", PEOPLE, use.show),
    Way("POST", "/use", PEOPLE, use.write),
    Way("GET", "/charge", PEOPLE, charge.choose),
    Way("GET", "/charge/{sump}", PEOPLE, charge.show),
    Way("POST", "/charge/{sump}", PEOPLE, charge.write),
    Way("GET", "/calendar", PEOPLE, calendar.show),
    Way("POST", "/calendar", REVIEWERS, calendar.write),
    Way("GET", "/health", PEOPLE, health.show),
    Way("GET", "/labels", PEOPLE, labels.show),
    Way("GET", "/me", PEOPLE, me.show),
    Way("POST", "/me", PEOPLE, me.change),
    Way("GET", "/more", PEOPLE, more.show),
    Way("GET", "/people", ENGINEERS, people.show),
    Way("POST", "/people", ENGINEERS, people.change),
)
STATIC_PATH = "/static"  # our own css, js and pictures, and the chart library: open to all, nothing of the site in it
