"""The pages from outside: nothing that is sent makes them fail, and looking changes nothing."""

from __future__ import annotations

import random
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dashboards.desk import Desk
from dashboards.routes import ROUTES
from dashboards.sessions import COOKIE
from tests.dashboards.visitor import Visitor
from tests.dashboards.works import Works

Visit = Callable[..., Visitor]
STREAMS = ("/live",)  # never ends
GETS = sorted({way.path for way in ROUTES if way.method == "GET" and way.path not in STREAMS})
POSTS = sorted({way.path for way in ROUTES if way.method == "POST"} - {"/sign-out", "/people", "/sign-in", "/set-up"})
# What breaks parsers, paths, numbers, dates, queries and terminals.
NASTY = (
    "", " ", "0", "-1", "1e309", "nan", "9" * 400, "½", "\x00", "\ud7ff", "\u202e", "🜛" * 50, "a" * 5000, "..",
    "../../etc/passwd", "%00", "%2e%2e%2f", "<script>x</script>", "' OR 1=1 --", "{{7*7}}", "=cmd()",
    "\r\nSet-Cookie: x=1", "1970-01-01T00:00", "9999-12-31T23:59",
    "2026-02-30", "null", "[]", '{"a":', "mill-1", "record", "done", "true",
)  # fmt: skip


def filled(path: str, word: str) -> str:
    """The path with its parameters replaced."""
    from urllib.parse import quote

    return "/".join(
        quote(word, safe="", errors="replace") if part.startswith("{") else part for part in path.split("/")
    )


def contents(folder: Path) -> list[Any]:
    """Everything in the inbox and the list of people, sessions apart."""
    found: list[Any] = []
    for path in sorted(folder.rglob("inbox.sqlite")) + sorted(folder.rglob("people.sqlite")):
        db = sqlite3.connect(path)
        names = [n for (n,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'") if n != "session"]
        found += [(path.name, name, db.execute(f"SELECT * FROM {name}").fetchall()) for name in sorted(names)]
        db.close()
    return found


def test_nothing_that_is_sent_is_answered_by_a_fault_of_ours(visit: Visit, long_run: bool) -> None:
    """Every route, drawn words in its path, its query and its form, as the role that may do most."""
    rng = random.Random(random.randrange(10_000))
    visitor = visit("maintenance")
    for path in GETS * (20 if long_run else 1):
        query = {rng.choice(("sump", "span", "from", "to", "next", "kind", "page", "said")): rng.choice(NASTY)}
        answer = visitor.client.get(filled(path, rng.choice(NASTY)), params=query)
        assert answer.status_code < 500, (path, query)
    token = next(form.fields["form_token"] for form in visitor.page("/me").forms if "form_token" in form.fields)
    fields = ("sump", "signal", "value", "volume_l", "pct", "at", "note", "action", "advice", "reason", "seal", "token")
    for path in POSTS * (40 if long_run else 1):
        where = filled(path, rng.choice(NASTY))
        typed = {name: rng.choice(NASTY) for name in rng.sample(fields, 6)} | {"form_token": token}
        data = {key: value.encode("utf-8", "replace").decode() for key, value in typed.items()}
        answer = visitor.client.post(where, data=data, headers=visitor.own)
        assert answer.status_code < 500, (where, typed)


def test_looking_at_pages_writes_nothing(visit: Visit, works: Works) -> None:
    visitor = visit("maintenance")
    before = contents(works.folder)
    assert before
    for path in GETS:
        visitor.get(filled(path, "mill-1"))
    assert contents(works.folder) == before


def test_no_answer_opens_itself_to_another_origin(visit: Visit) -> None:
    visitor = visit("operator")
    for path in ("/", "/healthz", "/series/mill-1", "/sign-in", "/log.csv"):
        answer = visitor.client.get(path, headers={"Origin": "https://elsewhere.example"})
        assert not [name for name in answer.headers if name.startswith("access-control-")]


def test_every_page_names_its_type_and_its_letters(visit: Visit) -> None:
    visitor = visit("maintenance")
    for path in GETS:
        answer = visitor.get(filled(path, "mill-1"))
        kind = answer.headers.get("content-type", "")
        text = kind.startswith("text/")
        assert not answer.content or (kind and (not text or "charset=utf-8" in kind)), path


def test_secrets_are_typed_hidden_and_may_be_pasted(visit: Visit) -> None:
    tags = visit().page("/sign-in").tags
    (secret,) = [given for tag, given in tags if tag == "input" and given.get("name") in ("secret", "password", "pin")]
    assert secret["type"] == "password"
    assert secret.get("autocomplete") != "off"
    assert not [given for _, given in tags if any(name.startswith("on") for name in given)]


def test_session_tokens_are_long_and_never_the_same(desk: Desk) -> None:
    person = desk.people.all()[0]
    tokens = {desk.sessions.start(person, time.time()) for _ in range(50)}
    assert len(tokens) == 50
    assert min(map(len, tokens)) * 6 >= 128  # of letters with 6 bits each
    assert COOKIE


@pytest.mark.parametrize("path", ["/.git/config", "/../pyproject.toml", "/static/../routes.py", "/people.sqlite"])
def test_nothing_lies_beside_the_routes(visit: Visit, path: str) -> None:
    assert visit("maintenance").get(path).status_code in (400, 404)
