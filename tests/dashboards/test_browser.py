"""The pages in a real browser: live without a reload, nothing from elsewhere, no fault, large enough for gloves."""

from __future__ import annotations

import re
from typing import Any

import pytest
from playwright.sync_api import Browser, expect

from agent.core.alarms import Alarms, Condition, Step
from dashboards.desk import Desk
from tests.dashboards import works as plant
from tests.dashboards.browsing import DESK, PHONE, Open, Watch
from tests.dashboards.visitor import SECRETS
from tests.dashboards.works import Works
from tests.services import wait_until

SMALLEST_TAP_PX = 48
HIGH = "Mill 1 is above its high mark: about 284 L, the mark is 280 L; add nothing"
PAGES = ("/", "/sump/mill-2", "/todo", "/review", "/reading", "/reading/mill-2", "/log", "/people")
MORE_PAGES = (
    "/check/mill-2", "/what-if/mill-2", "/log/paper", "/alerts", "/use", "/charge/mill-2", "/calendar", "/health",
    "/calibration/mill-2", "/labels", "/me", "/more",
)  # fmt: skip


def test_a_person_signs_in_with_the_keyboard_alone(browser: Browser, watch: Watch) -> None:
    context = browser.new_context(base_url=watch.address)
    watch.over(context)
    page = context.new_page()
    page.goto("/")
    expect(page).to_have_url(f"{watch.address}/sign-in?next=/")
    page.locator("#name").focus()
    page.keyboard.type("operator")
    page.keyboard.press("Tab")
    page.keyboard.type(SECRETS["operator"])
    page.keyboard.press("Enter")
    expect(page).to_have_url(f"{watch.address}/")
    expect(page.get_by_test_id("sump-mill-2")).to_be_visible()
    context.close()


def test_a_new_level_arrives_without_a_reload(open_page: Open, works: Works) -> None:
    page = open_page("/")
    page.evaluate("window.stayed = true")
    card = page.get_by_test_id("sump-mill-1")
    works.plants["mill-1"].volume_l = 222.2
    expect(card.get_by_test_id("level")).to_have_text("222 L")
    expect(card.get_by_test_id("volume")).to_have_text("222 L ± 3")
    assert page.evaluate("window.stayed")


def test_the_point_on_the_map_and_the_word_beside_it_follow(open_page: Open, works: Works) -> None:
    page = open_page("/")
    card = page.get_by_test_id("sump-mill-1")
    before = float(card.locator(".point").get_attribute("cx") or 0)
    works.plants["mill-1"].volume_l = 180.0
    expect(card.get_by_test_id("status")).to_have_text("Low")
    expect(card.get_by_test_id("status")).to_have_attribute("data-state", "out")
    assert float(card.locator(".point").get_attribute("cx") or 0) < before


def test_all_watchers_share_one_look_and_see_the_same(open_page: Open, works: Works) -> None:
    pages = [open_page("/"), open_page("/sump/mill-1", "supervisor"), open_page("/", "maintenance")]
    works.plants["mill-1"].volume_l = 211.0
    for page in pages:
        expect(page.get_by_test_id("level").get_by_text("211 L").first).to_be_visible()


def test_a_new_instruction_comes_up_by_itself(open_page: Open, works: Works) -> None:
    page = open_page("/todo")
    expect(page.get_by_test_id("instruction-mill-2-a1")).to_be_visible()
    works.advise(plant.top_off(works, "mill-1", "mill-1-a9"))
    expect(page.get_by_test_id("instruction-mill-1-a9")).to_be_visible()
    expect(page.locator("#places .count")).to_have_text("3 open")


def test_nobody_is_interrupted_while_typing(open_page: Open, works: Works) -> None:
    page = open_page("/todo")
    card = page.get_by_test_id("instruction-mill-2-a1")
    card.get_by_test_id("done-open").click()
    card.get_by_label("How much, really").fill("77")
    works.advise(plant.top_off(works, "mill-1", "mill-1-a9"))
    expect(page.locator("#places .count")).to_have_text("3 open")  # the news has come
    expect(card.get_by_label("How much, really")).to_have_value("77")
    card.get_by_test_id("done-send").click()
    expect(page.get_by_test_id("said")).to_be_visible()
    assert works.said()[0]["volume_l"] == 77.0


def test_a_silent_agent_is_said_and_unsaid(open_page: Open, works: Works, desk: Desk) -> None:
    page = open_page("/")
    expect(page.locator("#notice")).to_be_hidden()
    works.dead = True
    live = works.folder / "run" / "live.json"
    wait_until(lambda: live.unlink(missing_ok=True) or not live.exists(), "no live file")
    expect(page.locator("#notice")).to_be_visible()
    works.dead = False
    expect(page.locator("#notice")).to_be_hidden()


def test_the_graphs_are_drawn_grow_live_and_move_together(open_page: Open, works: Works) -> None:
    page = open_page("/sump/mill-2?range=1h")
    graphs = page.locator("#graphs")
    expect(graphs).to_have_attribute("data-drawn", "1")
    expect(page.locator("#level-graph canvas")).to_be_visible()
    expect(graphs).to_have_attribute("data-live", re.compile(r"^([2-9]|\d\d+)$"))
    over = page.locator("#level-graph .u-over")
    area = over.bounding_box()
    assert area
    over.hover(position={"x": area["width"] * 0.4, "y": area["height"] / 2})
    expect(page.locator("#level-readout")).to_contain_text(" L")
    expect(page.locator("#strength-readout")).to_contain_text(" %")  # the same moment on the other graph
    lines = page.evaluate("[...document.querySelectorAll('.u-cursor-x')].map((x) => x.style.transform)")
    assert len(set(lines)) == 1


def test_every_range_draws(open_page: Open) -> None:
    page = open_page("/sump/mill-2")
    for name in ("1 hour", "1 week", "1 month", "1 day"):
        page.get_by_role("link", name=name).click()
        expect(page.get_by_role("link", name=name)).to_have_attribute("aria-current", "true")
        expect(page.locator("#graphs")).to_have_attribute("data-drawn", "1")


def test_the_strength_is_shown_as_the_brix_is_typed(open_page: Open) -> None:
    page = open_page("/reading/mill-2")
    page.get_by_label("The refractometer reads").fill("4,6")
    expect(page.locator("#brix-strength")).to_have_text("4.6 Brix × 1.5 = 6.9 % strength")
    page.get_by_label("The refractometer reads").fill("")
    expect(page.locator("#brix-strength")).to_contain_text("the target of 7 %")
    page.get_by_label("Strength by titration").fill("5")
    expect(page.locator("#titration-mix")).to_have_text("5 % of the mix (5.26 per 100 of water)")


def test_an_impatient_thumb_is_one_word(open_page: Open, works: Works) -> None:
    page = open_page("/reading/mill-2", viewport=PHONE, has_touch=True)
    page.get_by_label("The refractometer reads").fill("4.6")
    page.get_by_test_id("hand-send").dblclick(no_wait_after=True)
    expect(page.get_by_test_id("said")).to_be_visible()
    assert [w["value"] for w in works.said()] == [4.6]


def test_a_review_is_decided_on_the_page(open_page: Open, works: Works) -> None:
    page = open_page("/review", "supervisor")
    card = page.get_by_test_id("review-lathe-1-a7")
    card.get_by_test_id("amend-open").click()
    card.get_by_label("Volume").fill("20")
    card.get_by_label("Why the change").fill("less foam")
    card.get_by_test_id("amend-send").click()
    expect(page.get_by_test_id("waiting")).to_contain_text("has decided")
    (said,) = works.said()
    assert (said["action"], said["volume_l"], said["seen"]["advice"]["volume_l"]) == ("amend", 20.0, 24.0)


def test_everything_can_be_said_without_scripts(open_page: Open, works: Works) -> None:
    page = open_page("/todo", java_script_enabled=False, viewport=PHONE)
    card = page.get_by_test_id("instruction-mill-2-a1")
    card.get_by_test_id("not-now-open").click()
    card.get_by_text("The numbers do not look right").click()
    card.get_by_test_id("not-now-send").click()
    expect(page.get_by_test_id("said")).to_be_visible()
    page.goto("/sump/mill-2")
    page.get_by_text("The same as a table").click()
    expect(page.get_by_role("cell", name=" L ± ").first).to_be_visible()
    assert works.said()[0]["action"] == "not_now"


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_every_page_fits_its_screen_and_is_large_enough_for_gloves(
    open_page: Open, size: dict[str, int], scheme: str
) -> None:
    """German, whose words are longer, in the dark; English in the light."""
    language = "de" if scheme == "dark" else "en"
    page = open_page("/", "maintenance", viewport=size, color_scheme=scheme, locale=language)
    for path in (*PAGES, *MORE_PAGES):
        page.goto(path)
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], path
        small = page.evaluate(
            """(least) => [...document.querySelectorAll("a, button, summary, input:not([type=hidden]), .choice, .tick")]
                .filter((e) => e.checkVisibility() && !e.matches(".skip, .foot a"))
                .filter((e) => !e.closest(":is(.choice, .tick):not(:scope)"))
                .filter((e) => !e.closest("svg") && !e.closest("p"))
                .map((e) => [e.outerHTML.slice(0, 90), e.getBoundingClientRect()])
                .filter(([, box]) => box.height < least || box.width < least)
                .map(([html, box]) => `${html} ${box.width}x${box.height}`)""",
            SMALLEST_TAP_PX,
        )
        assert small == [], path


def test_the_focus_can_be_seen_on_everything_that_takes_it(open_page: Open) -> None:
    page = open_page("/todo/mill-2")
    seen = 0
    for _ in range(25):
        page.keyboard.press("Tab")
        width = page.evaluate("parseFloat(getComputedStyle(document.activeElement).outlineWidth)")
        on_body = page.evaluate("document.activeElement === document.body")
        assert on_body or width >= 2
        seen += not on_body
    assert seen > 10


@pytest.mark.parametrize("language", ["en", "de"])
def test_the_week_is_printed_as_ink_on_one_sheet_whatever_the_screen_is_set_to(open_page: Open, language: str) -> None:
    page = open_page("/use", "supervisor", color_scheme="dark", locale=language)
    page.get_by_test_id("themes").get_by_role("button").nth(1).click()  # dark by choice too
    assert page.locator("html").get_attribute("data-theme") == "dark"
    assert len(re.findall(rb"/Type\s*/Page\b", page.pdf(format="A4"))) == 1
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 688, "height": 1017})  # A4 within its margins
    assert page.evaluate("document.documentElement.scrollWidth") <= 688
    colours = "e => [getComputedStyle(e).color, getComputedStyle(e).backgroundColor]"
    assert page.get_by_test_id("use").evaluate(colours) == ["rgb(0, 0, 0)", "rgb(255, 255, 255)"]
    expect(page.locator(".print-head")).to_contain_text("Harrow Lane Gearworks · 19")
    expect(page.locator(".tabs, .places, .foot, [data-print]").filter(visible=True)).to_have_count(0)


# ── a person's word, and what becomes of it ──


class Alarmed:
    """The agent's part in an alert: its own table of an alert's life, its rows, its list in the live file."""

    def __init__(self, works: Works) -> None:
        self.works, self.alarms = works, Alarms()

    def look(self, now_s: float) -> None:
        cause = Condition("high_mark", "mill-1", on=True, off=False, text=HIGH)
        for seconds in (0.0, 60.0):
            self._write(self.alarms.look([cause], now_s + seconds, now_s + seconds))

    def hear(self) -> None:
        (word,) = self.works.said()
        until_s, reason = word["until"], word["reason"]
        self._write([self.alarms.decide(
            word["alert"], word["action"], word["person"], word["role"], self.works.now_s, until_s, reason
        )])  # fmt: skip
        self.works.take_words()

    def _write(self, steps: list[Step]) -> None:
        for step in steps:
            self.works.journal.event("alert", step.time, "mill-1", step.alert.id, step.body())
            self.alarms.absorb(step, step.time, step.time)
        self.works.alerts = [alert.shown() for alert in self.alarms.listed()]


def test_an_alert_is_set_aside_for_a_reason_and_comes_back_unseen(open_page: Open, works: Works) -> None:
    page = open_page("/alerts", viewport=PHONE)
    expect(page.get_by_test_id("no-alerts")).to_be_visible()
    agent = Alarmed(works)
    agent.look(works.now_s)
    card = page.locator(".card.alert")
    expect(card).to_contain_text("Mill 1 is above its high mark")  # by itself
    card.get_by_test_id("aside-open").click()
    card.get_by_label("1 hour").check()
    card.get_by_test_id("aside-send").click()  # without a reason the browser lets nothing go
    card.get_by_label("Why").fill("drum is being moved")
    card.get_by_test_id("aside-send").click()
    expect(card).to_contain_text("Answered")
    agent.hear()
    expect(card).to_contain_text("set aside, operator, until")
    expect(card).to_contain_text("“drum is being moved”")
    agent.look(works.now_s + 3700.0)
    expect(card).to_contain_text("not seen by anybody yet")
    expect(page.locator("#alert-history")).to_contain_text("came back: Mill 1 is above its high mark")


def test_a_line_of_the_log_is_taken_back_and_another_put_right(open_page: Open, works: Works) -> None:
    def write(time: float, body: dict[str, Any]) -> None:
        works.journal.event("word", time, "mill-2", None, {"time": time, "sump": "mill-2", "by": "Petra", **body})

    def hear() -> None:
        for word in works.said()[heard[0] :]:
            heard[0] += 1
            write(word["time"], {k: v for k, v in word.items() if k not in ("kind", "person", "role")})
        works.take_words()

    heard = [0]
    write(works.now_s - 3000.0, {"signal": "hand_reading", "value": 46.0})
    write(works.now_s - 2000.0, {"signal": "addition", "volume_l": 33.0, "pct": 2.5})
    page = open_page("/log?sump=mill-2")
    reading, addition = (page.get_by_test_id("log-line").filter(has_text=text) for text in ("46 Brix", "33.0 L"))
    for row, field, what, button in (
        (addition, "Why", "it was the lathe", "Take it back"),
        (reading, "Value", "4,6", "Put it right"),
    ):
        row.locator("summary").click()
        row.get_by_label(field).fill(what)
        row.get_by_role("button", name=button).click()
        expect(page.get_by_test_id("said")).to_be_visible()
        hear()
        expect(row).to_contain_text("(taken back)")
    expect(addition.locator("summary")).to_have_count(0)
    expect(page.get_by_test_id("log-line").filter(has_text="4.6 Brix").first).not_to_contain_text("(taken back)")
