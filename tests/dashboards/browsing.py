"""Browsers for the tests of the pages: opened as a role, watched for faults and for words to any other host."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import pytest
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, Request, expect, sync_playwright

from dashboards.desk import Desk
from dashboards.sessions import COOKIE
from tests.dashboards.works import Works

CHROMIUM = "/usr/bin/chromium"
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
DEADLINE_MS = 20_000
PHONE, DESK = {"width": 360, "height": 740}, {"width": 1440, "height": 900}
expect.set_options(timeout=DEADLINE_MS)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield found
        found.close()


@dataclass
class Watch:
    """What a page did beside what it showed."""

    address: str
    faults: list[str] = field(default_factory=list)
    bearing: tuple[str, ...] = ()  # of faults that a test provokes itself: what they say
    foreign: list[str] = field(default_factory=list)

    def over(self, context: BrowserContext) -> None:
        context.on("console", self._console)
        context.on("weberror", lambda error: self.faults.append(str(error.error)))
        context.on("request", self._request)
        context.on("requestfailed", self._failed)

    def _borne(self, words: str) -> bool:
        return any(part in words for part in self.bearing)

    def _console(self, message: ConsoleMessage) -> None:
        if message.type in ("error", "warning") and not self._borne(message.text):
            self.faults.append(message.text)

    def _request(self, request: Request) -> None:
        if not request.url.startswith(self.address):
            self.foreign.append(request.url)

    def _failed(self, request: Request) -> None:
        left = request.failure == "net::ERR_ABORTED"  # under way when the page was left: a stream, a picture
        if not left and not self._borne(str(request.failure)):
            self.faults.append(f"{request.url}: {request.failure}")


Open = Callable[..., Page]


@pytest.fixture
def watch(address: str) -> Iterator[Watch]:
    """Every browser test ends with this: no fault on any page, no word to any other host."""
    found = Watch(address)
    yield found
    assert found.faults == [] and found.foreign == []


@pytest.fixture
def open_page(browser: Browser, watch: Watch, works: Works, desk: Desk) -> Iterator[Open]:
    """Opens a page as a role, in a context of its own, beside an agent that lives."""
    contexts: list[BrowserContext] = []

    def make(path: str, role: str = "operator", **options: object) -> Page:
        settings = {"viewport": DESK, "reduced_motion": "reduce"} | options
        context = browser.new_context(base_url=watch.address, **settings)  # type: ignore[arg-type]
        context.set_default_timeout(DEADLINE_MS)
        contexts.append(context)
        watch.over(context)
        person = next(p for p in desk.people.all() if p.role == role)
        context.add_cookies([{"name": COOKIE, "value": desk.sessions.start(person, time.time()), "url": watch.address}])
        page = context.new_page()
        page.goto(path)
        return page

    with works.agent_lives():
        yield make
        for context in contexts:
            context.close()
