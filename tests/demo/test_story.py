"""The whole job once, in a real browser: from a falling level to a proven top-off, and from a weak reading to a
proven correction that a supervisor changed.

The plant, its ports, the agent and the dashboards are those of `sumpside demo`; the test plays the people. What an
operator does at the machine (pour, dip) goes to the plant; what is said of it goes in at the pages.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Locator, Page, expect, sync_playwright

from .stage import Stage

SPEED = "240"
LONG_MS = 240_000  # hours of the plant's time pass between some of the steps
BROWSER = "/usr/bin/chromium"
QUIET = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update",
]  # fmt: skip


@pytest.fixture(scope="module")
def stage() -> Iterator[Stage]:
    with Stage("--story", "--seed", "1", "--speed", SPEED) as running:
        running.wait_ready()
        yield running


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=BROWSER, args=QUIET)
        yield running
        running.close()


def signed_in(browser: Browser, stage: Stage, name: str) -> Page:
    """A person with a browser of their own."""
    page = browser.new_context().new_page()
    page.set_default_timeout(LONG_MS)
    page.goto(f"{stage.address}/sign-in")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password or PIN").fill(stage.secret(name))
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_test_id("simulated")).to_be_visible()
    return page


def card(page: Page, sump: str, kind: str) -> Locator:
    """An instruction's card on the page that is open."""
    return page.locator(f"article.instruction[data-sump='{sump}'][data-kind='{kind}']")


def number(text: str | None) -> float:
    """The first number in a text."""
    found = re.search(r"-?\d+(\.\d+)?", text or "")
    assert found, text
    return float(found[0])


@pytest.mark.timeout(900)  # it lives through hours of the plant, on a machine that may be busy
def test_from_a_falling_level_to_a_correction_that_proved_itself(stage: Stage, browser: Browser) -> None:
    operator, supervisor = (signed_in(browser, stage, name) for name in ("operator", "supervisor"))
    top_off(stage, operator)
    correction(stage, operator, supervisor)


def top_off(stage: Stage, operator: Page) -> None:
    """Grinder 1's level falls; a top-off is posted; an operator does it and says so; the level bears it out."""
    level = operator.get_by_test_id("sump-grinder-1").get_by_test_id("level")
    before = number(level.text_content())
    stage.order("work grinder-1 7", "works 7 times")
    operator.wait_for_function(
        "([id, before]) => parseFloat(document.querySelector(`[data-testid=sump-${id}] [data-testid=level]`)"
        ".textContent) < before - 5",
        arg=["grinder-1", before],
        timeout=LONG_MS,
    )
    operator.goto(f"{stage.address}/todo/grinder-1")
    todo = card(operator, "grinder-1", "top_off")
    expect(todo).to_be_visible(timeout=LONG_MS)
    stage.order("work grinder-1 1", "works 1 times")
    todo.get_by_test_id("begin").click()
    expect(todo).to_have_attribute("data-instruction-state", "begun", timeout=LONG_MS)
    todo.get_by_test_id("done-open").click()
    litres = number(todo.get_by_label("How much, really").input_value())
    pct = number(todo.get_by_label("Of which mix").input_value())
    stage.order(f"pour grinder-1 {litres:g} {pct:g}", "pouring")
    with operator.expect_navigation():
        todo.get_by_test_id("done-send").click()
    expect_proven(operator, stage, "Grinder 1", litres)


def correction(stage: Stage, operator: Page, supervisor: Page) -> None:
    """Mill 1 reads weak; a correction is put up; a supervisor changes it; it is done and proven."""
    supervisor.goto(f"{stage.address}/review")
    expect(card(supervisor, "mill-1", "strengthen")).to_have_count(0)
    brix = number(stage.order("dip mill-1", "reads").split("reads")[1])
    operator.goto(f"{stage.address}/reading/mill-1")
    operator.get_by_label("The refractometer reads").fill(f"{brix:.1f}")
    operator.get_by_test_id("hand-send").click()
    review = card(supervisor, "mill-1", "strengthen")
    expect(review).to_be_visible(timeout=LONG_MS)
    litres, pct = changed(review)
    expect(review).to_have_count(0, timeout=LONG_MS)
    operator.goto(f"{stage.address}/todo/mill-1")
    todo = card(operator, "mill-1", "strengthen")
    expect(todo).to_contain_text("Changed by supervisor in review.")
    stage.order(f"pour mill-1 {litres:g} {pct:g}", "pouring")
    todo.get_by_test_id("done-open").click()
    assert number(todo.get_by_label("How much, really").input_value()) == litres
    with operator.expect_navigation():
        todo.get_by_test_id("done-send").click()
    expect_proven(operator, stage, "Mill 1", litres)


def changed(review: Locator) -> tuple[float, float]:
    """Approve with two litres less and half a point leaner. Gives what was approved."""
    review.get_by_test_id("amend-open").click()
    volume, mix = review.get_by_label("Volume"), review.get_by_label(re.compile("^Mix"))
    litres, pct = number(volume.input_value()) - 2.0, number(mix.input_value()) - 0.5
    volume.fill(f"{litres:g}")
    mix.fill(f"{pct:g}")
    review.get_by_label("Why the change").fill("The can holds no more")
    review.get_by_test_id("amend-send").click()
    return litres, pct


def expect_proven(page: Page, stage: Stage, sump: str, litres: float) -> None:
    """The log says that the sump answered, and by how much its level rose."""
    page.goto(f"{stage.address}/log")
    proof = page.get_by_test_id("log").locator("li", has_text=sump).filter(has_text=re.compile("· (not )?proven"))
    expect(proof.first).to_be_visible(timeout=LONG_MS)
    told = proof.first.inner_text()
    assert "not proven" not in told, told
    rose = re.search(r"level rose by (\d+\.\d) ±", told)
    assert rose and abs(float(rose[1]) - litres) < 0.15 * litres + 3.0, told
