"""Entries made on a phone that has lost the network: kept, sent once on return, under the right name and hour."""

from __future__ import annotations

import json

import pytest
from playwright.sync_api import Page, Route, expect

from dashboards.desk import Desk
from tests.dashboards.browsing import PHONE, Open, Watch
from tests.dashboards.works import Works
from tests.services import wait_until

LOST = "ERR_INTERNET_DISCONNECTED"


@pytest.fixture
def phone(open_page: Open, watch: Watch) -> Page:
    """An operator's phone on the page where readings are entered."""
    watch.bearing = (LOST,)
    return open_page("/reading/mill-2", viewport=PHONE, has_touch=True)


def kept(page: Page) -> list[dict[str, object]]:
    found: list[dict[str, object]] = json.loads(page.evaluate("localStorage.getItem('sumpside.kept') ?? '[]'"))
    return found


def enter(page: Page, brix: str) -> None:
    page.get_by_label("The refractometer reads").fill(brix)
    page.get_by_test_id("hand-send").click()


def test_an_entry_without_a_network_is_kept_and_sent_once_on_return(phone: Page, works: Works) -> None:
    phone.context.set_offline(True)
    enter(phone, "4.6")
    expect(phone.get_by_test_id("kept")).to_contain_text("Kept on this device")
    expect(phone.get_by_test_id("kept")).to_contain_text("Hand reading, Mill 2")
    enter(phone, "4.7")
    expect(phone.get_by_test_id("kept")).to_contain_text(";")
    assert works.said() == []
    phone.context.set_offline(False)
    expect(phone.get_by_test_id("kept")).to_contain_text("has been sent")
    assert [(w["signal"], w["value"], w["person"]) for w in works.said()] == [
        ("hand_reading", 4.6, "operator"), ("hand_reading", 4.7, "operator")
    ]  # fmt: skip
    assert kept(phone) == []
    phone.reload()
    expect(phone.get_by_test_id("hand-form")).to_be_visible()
    assert len(works.said()) == 2


def test_an_entry_outlives_the_page_it_was_made_on(phone: Page, works: Works) -> None:
    phone.context.set_offline(True)
    enter(phone, "4.6")
    expect(phone.get_by_test_id("kept")).to_be_visible()
    phone.goto("about:blank")
    phone.context.set_offline(False)
    phone.goto("/todo")
    wait_until(lambda: phone.evaluate("1") and [w["value"] for w in works.said()] == [4.6], "what was kept to be sent")


def test_an_answer_lost_on_its_way_back_makes_no_second_word(phone: Page, works: Works, watch: Watch) -> None:
    """The server had taken it when the network went: what is kept is sent again, and is the same word."""
    watch.bearing = ("ERR_",)

    def take_and_lose(route: Route) -> None:
        route.fetch(max_redirects=0)
        route.abort("internetdisconnected")

    phone.route("**/reading/mill-2", take_and_lose, times=1)
    enter(phone, "4.6")
    expect(phone.get_by_test_id("kept")).to_contain_text("has been sent")
    assert [w["value"] for w in works.said()] == [4.6]


def test_what_was_kept_tells_the_hour_it_was_made(phone: Page, works: Works) -> None:
    phone.context.set_offline(True)
    enter(phone, "4.6")
    expect(phone.get_by_test_id("kept")).to_be_visible()
    hour_ms = 3_600_000
    phone.evaluate(
        """(ms) => localStorage.setItem("sumpside.kept", JSON.stringify(
            JSON.parse(localStorage.getItem("sumpside.kept")).map((one) => ({ ...one, at: one.at - ms }))))""",
        hour_ms,
    )
    phone.context.set_offline(False)
    wait_until(lambda: bool(works.said()) or phone.evaluate("0"), "the entry to be sent")
    (said,) = works.said()
    assert said["time"] - said["at"] == pytest.approx(3600.0, abs=30.0)


def test_what_one_person_made_is_not_sent_under_the_name_of_another(
    phone: Page, works: Works, desk: Desk, open_page: Open
) -> None:
    phone.context.set_offline(True)
    enter(phone, "4.6")
    expect(phone.get_by_test_id("kept")).to_be_visible()
    mine = phone.evaluate("localStorage.getItem('sumpside.kept')")
    other = open_page("/reading", "supervisor")
    other.evaluate("(kept) => localStorage.setItem('sumpside.kept', kept)", mine)
    other.goto("/reading/mill-1")
    other.get_by_label("The refractometer reads").fill("5")
    other.get_by_test_id("hand-send").click()
    expect(other.get_by_test_id("said")).to_be_visible()
    assert [(w["person"], w["value"]) for w in works.said()] == [("supervisor", 5.0)]
    assert json.loads(mine) == kept(other)


def test_what_the_server_does_not_take_is_said_and_not_lost(phone: Page, works: Works, watch: Watch) -> None:
    watch.bearing = (LOST, "422")
    phone.context.set_offline(True)
    enter(phone, "99")
    expect(phone.get_by_test_id("kept")).to_be_visible()
    phone.context.set_offline(False)
    expect(phone.get_by_test_id("kept")).to_contain_text("did not take this")
    assert works.said() == [] and [one["what"] for one in kept(phone)] == ["Hand reading, Mill 2"]
    phone.get_by_role("button", name="I have seen it").click()
    expect(phone.get_by_test_id("kept")).to_be_hidden()
    assert kept(phone) == []


def test_with_a_network_an_entry_goes_its_usual_way(phone: Page, works: Works, watch: Watch) -> None:
    watch.bearing = ("422",)
    enter(phone, "4.6")
    expect(phone.get_by_test_id("said")).to_be_visible()
    assert [w["value"] for w in works.said()] == [4.6] and "at" not in works.said()[0]
    enter(phone, "99")
    expect(phone.get_by_test_id("problem")).to_contain_text("outside")
    assert kept(phone) == []
