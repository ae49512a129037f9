"""Who comes through which door: every role at every route, foreign forms, the first person, wrong secrets."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

import pytest
from argon2 import PasswordHasher
from httpx import Response
from starlette.routing import Mount, Route

from dashboards.app import make_app
from dashboards.desk import Desk
from dashboards.guard import NOBODY, Way
from dashboards.people import ROLES, hash_secret
from dashboards.render import HEADERS
from dashboards.routes import ROUTES, STATIC_PATH
from dashboards.sessions import COOKIE
from dashboards.tries import FREE_TRIES
from tests.dashboards.conftest import open_desk
from tests.dashboards.visitor import SECRETS, Visitor
from tests.dashboards.works import Works

Visit = Callable[..., Visitor]

# Written out by hand, so that a change of the table has to be meant: path → who may GET, who may POST.
ALL, REVIEW, MAINTENANCE = set(ROLES), {"supervisor", "maintenance"}, {"maintenance"}
MATRIX: dict[str, tuple[set[str], set[str]]] = {
    "/": (ALL, set()),
    "/live": (ALL, set()),
    "/sump/{sump}": (ALL, set()),
    "/series/{sump}": (ALL, set()),
    "/explain/{sump}": (ALL, set()),
    "/what-if/{sump}": (ALL, set()),
    "/todo": (ALL, ALL),
    "/todo/{sump}": (ALL, set()),
    "/review": (REVIEW, REVIEW),
    "/dose/{sump}/select": (set(), REVIEW),
    "/dose/{sump}/operate": (set(), ALL),
    "/dose/{sump}/stop": (set(), ALL),
    "/dose/{sump}/lock": (set(), ALL),
    "/dose/{sump}/reset": (set(), REVIEW),
    "/reading": (ALL, set()),
    "/reading/{sump}": (ALL, ALL),
    "/check/{sump}": (ALL, ALL),
    "/log": (ALL, ALL),
    "/log.csv": (ALL, set()),
    "/log/paper": (ALL, ALL),
    "/alerts": (ALL, ALL),
    "/use": (ALL, ALL),
    "/charge": (ALL, set()),
    "/charge/{sump}": (ALL, ALL),
    "/calendar": (ALL, REVIEW),
    "/health": (ALL, set()),
    "/calibration": (ALL, set()),
    "/calibration/{sump}": (ALL, {"maintenance"}),
    "/labels": (ALL, set()),
    "/me": (ALL, ALL),
    "/me/secret": (set(), ALL),
    "/more": (ALL, set()),
    "/people": (MAINTENANCE, MAINTENANCE),
    "/sign-out": (set(), ALL),
    "/healthz": (ALL | {NOBODY}, set()),
    "/sign-in": (ALL | {NOBODY}, {NOBODY}),
    "/set-up": ({NOBODY}, {NOBODY}),
}


def test_the_matrix_names_every_route_and_no_other() -> None:
    assert set(MATRIX) == {way.path for way in ROUTES}
    for way in ROUTES:
        gets, posts = MATRIX[way.path]
        assert set(way.roles) == (gets if way.method == "GET" else posts), way
    methods = {(way.method, way.path) for way in ROUTES}
    assert len(methods) == len(ROUTES)
    assert methods == {("GET", p) for p, (g, _) in MATRIX.items() if g} | {
        ("POST", p) for p, (_, q) in MATRIX.items() if q
    }


def test_the_application_has_no_route_beside_the_table(desk: Desk) -> None:
    for route in make_app(desk).routes:
        if isinstance(route, Mount):
            assert route.path == STATIC_PATH
            continue
        assert isinstance(route, Route)
        assert {(m, route.path) for m in (route.methods or set()) - {"HEAD"}} <= {(w.method, w.path) for w in ROUTES}


@pytest.mark.parametrize("roles", [frozenset(), frozenset({"everybody"})])
def test_a_route_without_known_roles_cannot_be_made(roles: frozenset[str]) -> None:
    with pytest.raises(ValueError, match="name the roles"):
        Way("GET", "/new", roles, ROUTES[0].handler)


@pytest.mark.parametrize("role", [NOBODY, *ROLES])
def test_every_role_at_every_route(visit: Visit, role: str) -> None:
    for way in (w for w in ROUTES if w.path not in ("/live", "/sign-out")):
        visitor = visit(None if role == NOBODY else role)
        path = way.path.replace("{sump}", "mill-2")
        if way.method == "GET":
            status = visitor.get(path).status_code
        else:
            status = visitor.client.post(path, data=_token(visitor), headers=visitor.own).status_code
        if role in way.roles:
            assert status not in (401, 403) or way.path in ("/sign-in", "/set-up"), (role, way.method, path, status)
            assert status < 500
        elif role == NOBODY and way.method == "GET" and way.path != "/series/{sump}":
            assert status == 303, (role, way.method, path, status)
        else:
            assert status in (401, 403), (role, way.method, path, status)


def _token(visitor: Visitor) -> dict[str, str]:
    """The form token of this visitor, from any page that has a form."""
    for path in ("/todo", "/sign-in"):
        answer = visitor.get(path)
        if answer.status_code == 200 and 'name="form_token"' in answer.text:
            return {"form_token": answer.text.split('name="form_token" value="')[1].split('"')[0]}
    raise AssertionError("no form anywhere")


@pytest.mark.parametrize("path", ["/nothing", "/sump/none", "/series/none", "/todo/none", "/reading/none", "/people/1"])
def test_what_is_not_there_is_not_found(visit: Visit, path: str) -> None:
    assert visit("maintenance").get(path).status_code == 404


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_methods_are_not_taken(visit: Visit, method: str) -> None:
    assert visit("maintenance").client.request(method, "/todo").status_code == 405


def test_static_files_are_open_and_stay_in_their_folder(visit: Visit) -> None:
    assert visit().get("/static/sumpside.css").status_code == 200
    for path in ("/static/../app.py", "/static/%2e%2e/app.py", "/static/", "/static/vendor/"):
        assert visit().get(path).status_code == 404


@pytest.mark.parametrize("path", ["/healthz", "/sign-in", "/", "/static/live.js", "/nothing"])
def test_every_answer_carries_the_security_headers(visit: Visit, path: str) -> None:
    answer = visit().get(path)
    for name, value in HEADERS.items():
        assert answer.headers[name] == value
    assert "unsafe" not in HEADERS["Content-Security-Policy"]


def test_pages_are_not_kept_by_caches_and_hashed_files_are(visit: Visit) -> None:
    visitor = visit("operator")
    page = visitor.get("/")
    assert page.headers["cache-control"] == "no-store"
    css = page.text.split('rel="stylesheet" href="')[1].split('"')[0]
    assert "immutable" in visitor.get(css).headers["cache-control"]


# ── foreign forms ──


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 403),
        ({"Origin": "http://elsewhere.test"}, 403),
        ({"Origin": "OWN", "Sec-Fetch-Site": "cross-site"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": "OWN"}, 303),
    ],
)
def test_a_form_from_elsewhere_writes_nothing(visit: Visit, works: Works, headers: dict[str, str], status: int) -> None:
    visitor = visit("operator")
    form = visitor.form("/reading/mill-2", "hand-form")
    sent = {name: value.replace("OWN", visitor.address) for name, value in headers.items()}
    assert visitor.send(form, headers=sent, value="4.7").status_code == status
    assert len(works.said()) == (1 if status == 303 else 0)


@pytest.mark.parametrize("token", [None, "", "0" * 64])
def test_a_form_without_its_token_writes_nothing(visit: Visit, works: Works, token: str | None) -> None:
    visitor = visit("operator")
    form = visitor.form("/reading/mill-2", "hand-form")
    assert visitor.send(form, value="4.7", form_token=token).status_code == 403
    assert works.said() == []


def test_the_token_of_another_session_is_refused(visit: Visit, works: Works) -> None:
    one, other = visit("operator"), visit("supervisor")
    token = other.form("/reading/mill-2", "hand-form").fields["form_token"]
    assert one.send(one.form("/reading/mill-2", "hand-form"), value="4.7", form_token=token).status_code == 403
    assert works.said() == []


def test_a_form_of_another_kind_or_too_long_is_refused(visit: Visit) -> None:
    visitor = visit("operator")
    assert visitor.client.post("/todo", json={"a": 1}, headers=visitor.own).status_code == 415
    assert visitor.client.post("/todo", data={"note": "x" * 40_000}, headers=visitor.own).status_code == 413
    many = {f"f{i}": "1" for i in range(100)}
    assert visitor.client.post("/todo", data=many, headers=visitor.own).status_code == 400


# ── in and out ──


@pytest.mark.parametrize("role", ROLES)
def test_a_person_signs_in_and_comes_to_where_they_wanted(visit: Visit, role: str) -> None:
    visitor = visit()
    answer = visitor.get("/todo/mill-2")
    assert answer.headers["location"] == "/sign-in?next=/todo/mill-2"
    form = visitor.form(answer.headers["location"], "sign-in")
    answer = visitor.send(form, name=role.upper(), secret=SECRETS[role])
    assert answer.headers["location"] == "/todo/mill-2"
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=strict" in cookie
    assert f"{role}</b>" in visitor.get("/todo/mill-2").text


def test_signing_in_leads_nowhere_else(visit: Visit) -> None:
    for wanted in ("//elsewhere.test/", "http://elsewhere.test/", "/\\elsewhere.test", "/sign-in", ""):
        visitor = visit()
        form = visitor.form("/sign-in", "sign-in")
        answer = visitor.send(form, name="operator", secret=SECRETS["operator"], next=wanted)
        assert answer.headers["location"] == "/"


def test_wrong_secrets_are_slowed_by_name_and_address_and_tell_nothing(visit: Visit) -> None:
    visitor = visit()
    form = visitor.form("/sign-in", "sign-in")
    answers = [visitor.send(form, name=name, secret="wrong") for name in ["operator", "nobody"] * 3]
    texts = {a.text.split('data-testid="problem">')[1].split("<")[0] for a in answers[:FREE_TRIES]}
    assert len(texts) == 1 and {a.status_code for a in answers[:FREE_TRIES]} == {401}
    assert answers[FREE_TRIES].status_code == 429
    assert visitor.send(form, name="operator", secret=SECRETS["operator"]).status_code == 429


def test_pages_are_answered_while_a_password_is_looked_at(visit: Visit, desk: Desk) -> None:
    """The look takes some fifty times as long as a page here: a hash says itself how costly it is."""
    person = next(p for p in desk.people.all() if p.name == "operator")
    desk.people.set_secret(person.id, PasswordHasher(time_cost=60, memory_cost=19_456, parallelism=1).hash("x" * 8))
    one, other = visit(), visit()
    form = one.form("/sign-in", "sign-in")
    looked = threading.Thread(target=lambda: one.send(form, name="operator", secret="wrong-wrong"))
    looked.start()
    assert other.get("/sign-in").status_code == 200
    assert looked.is_alive()
    looked.join()


def test_signing_out_ends_the_session_for_good(visit: Visit) -> None:
    visitor = visit("operator")
    token = visitor.client.cookies[COOKIE]
    form = next(f for f in visitor.page("/").forms if f.action == "/sign-out")
    assert visitor.send(form).status_code == 303
    visitor.client.cookies.set(COOKIE, token)
    assert visitor.get("/").status_code == 303


def test_whoever_is_switched_off_is_out_at_once(visit: Visit, desk: Desk) -> None:
    visitor = visit("operator")
    person = next(p for p in desk.people.all() if p.role == "operator")
    desk.people.set_active(person.id, False)
    assert visitor.get("/").status_code == 303


# ── the first person, and the others ──


def test_the_one_time_code_makes_the_first_person_and_is_used_up(works: Works, address: str, desk: Desk) -> None:
    desk.store.execute("DELETE FROM person")
    desk.code = "ABCDE-FGH23"
    visitor = Visitor(address)
    assert visitor.get("/").headers["location"].startswith("/set-up")
    form = visitor.form("/set-up", "set-up")
    assert visitor.send(form, code="ABCDE-FGH24", name="Maria", secret="slow-otter-17").status_code == 401
    assert visitor.send(form, code=desk.code, name="Maria", secret="short").status_code == 422
    answer = visitor.send(form, code="abcde fgh23", name="Maria", secret="slow-otter-17")
    assert answer.headers["location"].startswith("/people")
    assert [(p.name, p.role) for p in desk.people.all()] == [("Maria", "maintenance")]
    assert desk.code is None
    again = Visitor(address)
    assert (
        again.send(again.form("/set-up", "set-up"), code="ABCDE-FGH23", name="Eve", secret="slow-otter-17").status_code
        == 401
    )
    assert len(desk.people.all()) == 1


def test_the_code_cannot_be_guessed_in_a_hurry(address: str, desk: Desk) -> None:
    desk.store.execute("DELETE FROM person")
    desk.code = "ABCDE-FGH23"
    visitor = Visitor(address)
    form = visitor.form("/set-up", "set-up")
    statuses = [visitor.send(form, code="WRONG", name="M", secret="slow-otter-17").status_code for _ in range(6)]
    assert statuses == [401] * FREE_TRIES + [429]


def test_a_code_is_made_only_while_nobody_is_listed(works: Works, desk: Desk) -> None:
    again = open_desk(works)
    assert again.code is None
    again.store.execute("DELETE FROM person")
    again.close()
    third = open_desk(works)
    assert third.code is not None
    third.close()


def test_maintenance_adds_renews_and_switches_off(visit: Visit, desk: Desk) -> None:
    visitor = visit("maintenance")
    form = visitor.form("/people", "add-person")
    first = code_in(visitor.send(form, name="Petra", role="operator"))
    petra = desk.people.invited("petra", time.time())[0]
    assert petra is not None and petra.role == "operator"
    assert visitor.send(form, name="Petra", role="operator").status_code == 422
    assert visitor.send(form, name="Josef", role="chief").status_code == 422
    code = code_in(visitor.send(form, action="renew", person=petra.id))
    login = visit()
    door = login.form("/set-up", "set-up")
    assert login.send(login.form("/sign-in", "sign-in"), name="Petra", secret=code).status_code == 401
    assert login.send(door, name="Petra", code=first, secret="wet-anvil-93").status_code == 401
    assert login.send(door, name="Petra", code=code, secret="password1").status_code == 422
    assert login.send(door, name="Petra", code=code.lower(), secret="wet-anvil-93").status_code == 303
    assert login.get("/").status_code == 200
    other = visit()
    again = other.form("/set-up", "set-up")
    assert other.send(again, name="Petra", code=code, secret="dry-anvil-93").status_code == 401
    assert visitor.send(form, action="off", person=petra.id).status_code == 303
    assert login.get("/").status_code == 303
    assert visitor.send(form, action="on", person=petra.id).status_code == 303
    assert visitor.send(form, action="renew", person="x").status_code == 422
    assert visitor.send(form, action="promote", person=petra.id).status_code == 400
    mine = next(p for p in desk.people.all() if p.name == "maintenance")
    assert visitor.send(form, action="renew", person=mine.id).status_code == 422  # would lock oneself out


def code_in(answer: Response) -> str:
    """The one-time code that the page of people shows once."""
    assert answer.status_code == 200 and answer.headers["cache-control"] == "no-store"
    return answer.text.split('data-testid="code">')[1].split("<")[0]


def test_a_person_changes_their_password_knowing_the_old_one_and_is_out_elsewhere(visit: Visit) -> None:
    here, elsewhere = visit(), visit("operator")
    here.send(here.form("/sign-in", "sign-in"), name="operator", secret=SECRETS["operator"])
    before = here.client.cookies[COOKIE]
    form = here.form("/me", "secret-form")
    assert here.send(form, current="wrong", secret="wet-anvil-93").status_code == 422
    assert here.send(form, current=SECRETS["operator"], secret="password1").status_code == 422
    assert elsewhere.get("/").status_code == 200
    assert here.send(form, current=SECRETS["operator"], secret="wet-anvil-93").status_code == 303
    assert here.client.cookies[COOKIE] != before and here.get("/").status_code == 200
    assert elsewhere.get("/").status_code == 303
    door = elsewhere.form("/sign-in", "sign-in")
    assert elsewhere.send(door, name="operator", secret=SECRETS["operator"]).status_code == 401
    assert elsewhere.send(door, name="operator", secret="wet-anvil-93").status_code == 303


def test_wrong_passwords_of_now_are_slowed_like_signing_in(visit: Visit) -> None:
    visitor = visit("operator")
    form = visitor.form("/me", "secret-form")
    statuses = [visitor.send(form, current="wrong", secret="wet-anvil-93").status_code for _ in range(FREE_TRIES + 1)]
    assert statuses == [422] * FREE_TRIES + [429]


def test_a_pin_from_before_eight_were_asked_for_lets_nobody_in(visit: Visit, desk: Desk) -> None:
    person = next(p for p in desk.people.all() if p.name == "operator")
    desk.people.set_secret(person.id, hash_secret("271828"))
    visitor = visit()
    answer = visitor.send(visitor.form("/sign-in", "sign-in"), name="operator", secret="271828")
    assert (
        answer.status_code == 403
        and "one-time code" in answer.text
        and COOKIE not in answer.headers.get("set-cookie", "")
    )
