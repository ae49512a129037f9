"""The pages for everybody: an accessibility engine over each of them, the keyboard alone, light, dark, own choice."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import axe_playwright_python
import pytest
from playwright.sync_api import Browser, Page, expect

from agent.core.outputs import Finding
from dashboards.routes import ROUTES
from tests.dashboards import works as plant
from tests.dashboards.browsing import DESK, PHONE, Open, Watch
from tests.dashboards.works import Works
from tests.io.test_doses import DOSING
from tests.services import wait_until

ENGINE = Path(axe_playwright_python.__file__).parent / "axe.min.js"
RULES = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice")
DARK = ("/", "/sump/mill-2", "/todo", "/review", "/log", "/alerts", "/health")
NO_PAGES = ("/live", "/healthz", "/set-up", "/series/{sump}", "/explain/{sump}")


def pages() -> list[str]:
    """Every address of the table of routes that can be opened, one sump standing for all."""
    found = (way.path for way in ROUTES if way.method == "GET" and way.path not in NO_PAGES)
    return [path.replace("{sump}", "mill-2") for path in found if "{" not in path.replace("{sump}", "")]


@pytest.fixture
def busy(works: Works) -> Works:
    """A works with all on its pages that there is: somebody pours, a question, an alert."""
    start = works.now_s - 5 * 3600.0
    found = Finding(
        "mill-1-f1", 1, start + 900.0, "mill-1", "top_off", start, start + 300.0, 38.0, 1.0, 2.4, 1.3, None, None, ""
    )  # fmt: skip
    works.journal.event("finding", found.time, found.sump, found.id, found.row())
    works.advise(plant.top_off(works, "mill-1", "mill-1-q1", kind="ask", of=found.id, volume_l=None, makeup_pct=None))
    works.filling = {"mill-2": {"poured_l": 31.0, "to_go_l": 41.0, "rate_l_per_min": 9.8, "to_high_s": 100.0}}
    works.fit_valve(DOSING, "mill-2")
    selected = {"phase": "selected", "why": "", "key": "k", "until": works.now_s + 500.0, "instruction": "mill-2-a1"}
    works.dosing = {"mill-2": {**selected, "volume_l": 20.0, "poured_l": 0.0, "valve": {"on": False, "fault": ""}}}
    works.alerts = [{
        "id": "a1", "kind": "sensor", "sump": "grinder-1", "subject": "level", "severity": "act soon",
        "state": "raised", "since": works.now_s - 2400.0, "text": "Grinder 1: the level has not moved for 3 h",
        "by": None, "reason": None, "until": None,
    }]  # fmt: skip
    return works


def opened(page: Page, path: str) -> bool:
    """Opens a page, with all that folds unfolded; False where it is no page (a table to download, a picture)."""
    answer = page.request.get(path)
    assert answer.ok, f"{path}: {answer.status}"
    if "html" not in answer.headers["content-type"]:
        return False
    page.goto(path)
    page.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")
    return True


def violations(page: Page) -> list[str]:
    """What the engine finds, with where."""
    page.evaluate(ENGINE.read_text())
    found: dict[str, Any] = page.evaluate(
        "(rules) => axe.run(document, {runOnly: rules, resultTypes: ['violations']})", list(RULES)
    )
    return [
        f"{one['id']}: {node['html'][:160]} {node['failureSummary'][:200]}"
        for one in found["violations"] for node in one["nodes"]
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("size", "scheme"), [(PHONE, "light"), (DESK, "dark")], ids=["phone-light", "desk-dark"]
)  # fmt: skip
def test_no_page_has_a_barrier(busy: Works, open_page: Open, size: dict[str, int], scheme: str, long_run: bool) -> None:
    """Layout hangs on the width and the page, colours on the scheme: all pages on a phone, some of them dark on a desk;
    a long run takes every page at both widths and in both."""
    page = open_page("/", "maintenance", viewport=size, color_scheme=scheme)
    found = {}
    for path in pages() if long_run or size == PHONE else DARK:
        if opened(page, path):
            found[path] = violations(page)
            if long_run:
                page.emulate_media(color_scheme="dark" if scheme == "light" else "light")
                found[path] += violations(page)
                page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
    assert {path: broken for path, broken in found.items() if broken} == {}


def test_the_door_has_no_barrier_either(browser: Browser, watch: Watch) -> None:
    context = browser.new_context(base_url=watch.address, viewport=PHONE)  # type: ignore[arg-type]
    watch.over(context)
    page = context.new_page()
    page.goto("/sign-in")
    expect(page.get_by_test_id("sign-in")).to_be_visible()
    assert violations(page) == []
    page.get_by_role("link", name="I have a one-time code").click()
    expect(page.get_by_test_id("set-up")).to_be_visible()
    assert violations(page) == []
    context.close()


def tab_to(page: Page, test_id: str, most: int = 80) -> None:
    """Presses Tab until something within `test_id` has the focus."""
    for _ in range(most):
        page.keyboard.press("Tab")
        if page.evaluate("(id) => !!document.activeElement.closest(`[data-testid='${id}']`)", test_id):
            return
    raise AssertionError(f"Tab does not reach {test_id}")


def test_the_graphs_are_looked_into_by_keyboard_and_move_together(open_page: Open) -> None:
    page = open_page("/sump/mill-2")
    graphs = page.locator("#graphs[data-drawn]")
    graphs.wait_for()

    def shown() -> tuple[int, int]:
        return int(graphs.get_attribute("data-from") or 0), int(graphs.get_attribute("data-until") or 0)

    whole = shown()
    tab_to(page, "level-graph")
    page.keyboard.press("+")
    closer = shown()
    assert whole[0] < closer[0] < closer[1] < whole[1]
    page.keyboard.press("ArrowLeft")
    wait_until(lambda: shown()[0] < closer[0], "the graphs to move")
    page.keyboard.press("Escape")
    wait_until(lambda: shown()[1] - shown()[0] == pytest.approx(whole[1] - whole[0], abs=3), "the whole range")
    expect(page.get_by_role("button", name="Whole range")).to_be_disabled()


def test_dragging_across_one_graph_moves_both_and_fetches_what_is_finer(open_page: Open) -> None:
    page = open_page("/sump/mill-2?range=1w")
    graphs = page.locator("#graphs[data-drawn]")
    graphs.wait_for()
    assert graphs.get_attribute("data-step") == "600"
    over = page.get_by_test_id("strength-graph").locator(".u-over")
    over.scroll_into_view_if_needed()
    box = over.bounding_box()
    assert box
    page.mouse.move(box["x"] + 0.62 * box["width"], box["y"] + 40)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.70 * box["width"], box["y"] + 60, steps=4)
    page.mouse.up()
    expect(page.locator("#graphs[data-step='60']")).to_be_visible()
    page.get_by_test_id("level-graph").locator(".u-over").dblclick()
    expect(page.locator("#graphs[data-step='600']")).to_be_visible()


def test_what_if_answers_to_the_keyboard(open_page: Open) -> None:
    page = open_page("/sump/mill-2")
    answer = page.get_by_test_id("what-if-answer")
    tab_to(page, "what-if-form")
    page.keyboard.press("Home")
    expect(answer).to_contain_text("drain")
    page.keyboard.press("End")
    expect(answer).to_contain_text("of water and")
    page.keyboard.press("Tab")
    page.keyboard.press("Home")
    expect(answer).to_contain_text("plain water only when a person has decided it")
    expect(answer).to_contain_text("not at all")


def test_an_instruction_is_answered_by_keyboard(open_page: Open, works: Works) -> None:
    page = open_page("/todo/mill-2")
    tab_to(page, "done-open")
    page.keyboard.press("Enter")
    tab_to(page, "done-send")
    page.keyboard.press("Enter")
    expect(page.get_by_test_id("said")).to_be_visible()
    assert works.said()[0]["action"] == "done"


@pytest.fixture
def page_of_words(open_page: Open) -> Iterator[Page]:
    yield open_page("/", color_scheme="light")


def test_light_and_dark_are_the_systems_wish_until_a_person_chooses(page_of_words: Page) -> None:
    page = page_of_words
    ground = "getComputedStyle(document.body).backgroundColor"
    light = page.evaluate(ground)
    page.emulate_media(color_scheme="dark")
    dark = page.evaluate(ground)
    assert light != dark
    page.get_by_role("button", name="Light", exact=True).click()
    assert page.evaluate(ground) == light
    page.reload()
    assert page.evaluate(ground) == light
    page.get_by_role("button", name="As the system").click()
    assert page.evaluate(ground) == dark
    page.emulate_media(color_scheme="light")
    page.get_by_role("button", name="Dark", exact=True).click()
    assert page.evaluate(ground) == dark
