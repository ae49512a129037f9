"""A works with a past, its web application, and people who are signed in at it."""

from __future__ import annotations

import copy
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import uvicorn

from agent.io.journal import Journal
from agent.site import load_site
from dashboards.app import make_app
from dashboards.desk import Desk, Folders
from dashboards.people import hash_secret
from dashboards.sessions import COOKIE
from tests.dashboards import works as plant
from tests.dashboards.browsing import browser, open_page, watch  # noqa: F401 - fixtures
from tests.dashboards.visitor import SECRETS, Visitor
from tests.dashboards.works import Works
from tests.services import DEADLINE_S, wait_until

HASHED = {role: hash_secret(secret) for role, secret in SECRETS.items()}  # once: hashing is slow on purpose


@pytest.fixture(scope="session")
def past(tmp_path_factory: pytest.TempPathFactory) -> Works:
    """Four sumps with a day and a half of past, three instructions open, one of them waiting for review: closed."""
    found = plant.build(tmp_path_factory.mktemp("past") / "works", past_days=1.5)
    found.advise(plant.top_off(found))
    found.advise(plant.strengthen(found), state="posted")
    found.advise(plant.read_strength(found))
    found.journal.close()
    return found


@pytest.fixture
def works(past: Works, tmp_path: Path) -> Iterator[Works]:
    """A copy of that works for one test to change."""
    folder = tmp_path / "works"
    shutil.copytree(past.folder, folder)
    journal = Journal.open(folder / "state" / "journal.sqlite")
    found = Works(folder, folder / past.site_path.name, journal, copy.deepcopy(past.plants))
    found.live()
    yield found
    found.journal.close()


def open_desk(works: Works) -> Desk:
    folder = works.folder
    return Desk(load_site(works.site_path), Folders(folder / "state", folder / "inbox", folder / "run"))


@pytest.fixture
def desk(works: Works) -> Iterator[Desk]:
    """The stores with one person a role, named as the role."""
    found = open_desk(works)
    for role, hashed in HASHED.items():
        found.people.add(role, role, hashed, time.time())
    found.code = None
    yield found
    found.close()


@pytest.fixture
def address(desk: Desk) -> Iterator[str]:
    """The application over the desk, served on loopback by the real server."""
    config = uvicorn.Config(make_app(desk), port=0, log_level="error", timeout_graceful_shutdown=1, lifespan="on")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, name="pages")
    thread.start()
    wait_until(lambda: server.started, "the pages to be served")
    yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    server.should_exit = True
    thread.join(DEADLINE_S)
    assert not thread.is_alive()


@pytest.fixture
def visit(desk: Desk, address: str) -> Iterator[Callable[..., Visitor]]:
    """Makes visitors: signed in under a role, or nobody."""
    opened: list[Visitor] = []

    def make(role: str | None = None) -> Visitor:
        visitor = Visitor(address)
        opened.append(visitor)
        if role:
            person = next(p for p in desk.people.all() if p.name == role)
            visitor.client.cookies.set(COOKIE, desk.sessions.start(person, time.time()))
        return visitor

    yield make
    for visitor in opened:
        visitor.client.close()
