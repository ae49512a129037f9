"""Both nights of daylight saving in a browser that stands in another zone: graphs, the Log's days, an entry's hour."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from dashboards.desk import Desk
from tests.dashboards import works as plant
from tests.dashboards.browsing import DESK, Open
from tests.dashboards.works import Works

BACK_S, FORWARD_S = 1_761_440_400.0, 1_743_296_400.0  # 01:00 UTC on 26 October and 30 March 2025
FAR_AWAY = {"timezone_id": "America/New_York", "viewport": DESK}
KEEP_TEXTS = """(() => {
  const write = CanvasRenderingContext2D.prototype.fillText;
  window.written = [];
  CanvasRenderingContext2D.prototype.fillText = function (text, ...more) {
    window.written.push(text);
    return write.call(this, text, ...more);
  };
})()"""


@pytest.fixture
def works(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Works]:
    """A works with six hours of past, at the time that the test names."""
    found = plant.build(tmp_path / "works", past_days=0.25, now_s=request.param)
    found.live()
    yield found
    found.journal.close()


def hours_under(page: Page, range_: str) -> list[str]:
    """What stands below the first graph that was drawn, times and days, from left to right."""
    page.add_init_script(KEEP_TEXTS)
    page.goto(f"/sump/mill-2?range={range_}")
    expect(page.locator("#graphs")).to_have_attribute("data-drawn", "1")
    page.wait_for_function("window.written.includes('ahead')")
    texts: list[str] = page.evaluate("window.written")
    first = texts.index("ahead")
    return texts[first + 1 : texts.index("low", first)]


def word(works: Works, time: float, value: float) -> None:
    body = {"time": time, "sump": "mill-2", "signal": "hand_reading", "value": value, "by": "Petra", "role": "operator"}
    works.journal.event("word", time, "mill-2", None, body)
    works.journal.commit()


@pytest.mark.parametrize("works", [BACK_S + 600.0], indirect=True)
def test_the_night_with_an_hour_twice(open_page: Open, works: Works, desk: Desk) -> None:
    word(works, BACK_S - 1800.0, 4.1)
    page = open_page("/more", **FAR_AWAY)
    assert hours_under(page, "1h")[:7] == [
        "02:20 CEST", "26 Oct", "02:30 CEST", "02:40 CEST", "02:50 CEST", "02:00 CET", "02:10 CET"
    ]  # fmt: skip
    assert {"21:00", "00:00", "03:00", "06:00"} <= set(hours_under(page, "1d"))
    for typed, meant_s in (("02:50", -600.0), ("02:05", 300.0)):
        page.goto("/reading/mill-2")
        form = page.get_by_test_id("hand-form")
        form.get_by_label("The refractometer reads").fill("4.6")
        form.locator("summary").first.click()
        form.locator("[name=at]").fill(f"2025-10-26T{typed}")
        form.get_by_test_id("hand-send").click()
        expect(page.get_by_test_id("said")).to_be_visible()
        assert works.said()[-1]["at"] == BACK_S + meant_s
    page.goto("/log?kind=reading&from=2025-10-26&until=2025-10-26")
    expect(page.get_by_test_id("log")).to_contain_text("02:30 CEST")


@pytest.mark.parametrize("works", [FORWARD_S + 1800.0], indirect=True)
def test_the_night_with_an_hour_less_and_its_day_of_twenty_three(open_page: Open, works: Works, desk: Desk) -> None:
    midnight_s = FORWARD_S - 7200.0
    for time, value in ((midnight_s - 60.0, 4.1), (midnight_s + 60.0, 4.2), (FORWARD_S + 60.0, 4.3)):
        word(works, time, value)
    page = open_page("/more", **FAR_AWAY)
    assert hours_under(page, "1h")[:6] == ["01:40", "30 Mar", "01:50", "03:00", "03:10", "03:20"]
    log = page.get_by_test_id("log")
    for day, inside, outside in (("29", ["4.1"], ["4.2", "4.3"]), ("30", ["4.2", "4.3"], ["4.1"])):
        page.goto(f"/log?from=2025-03-{day}&until=2025-03-{day}")
        for value in inside:
            expect(log).to_contain_text(f"{value} Brix")
        for value in outside:
            expect(log).not_to_contain_text(f"{value} Brix")
    expect(log).to_contain_text("03:01")
