"""The pages of a sump beyond its figures: why it is believed, what if, somebody pouring, alerts, before and after."""

from __future__ import annotations

import json
import os
import re
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from playwright.sync_api import expect

from agent.core.what_if import from_belief
from dashboards import explained, filling
from dashboards.desk import Desk
from tests.dashboards.browsing import PHONE, Open
from tests.dashboards.visitor import Visitor
from tests.dashboards.works import Works

Visit = Callable[..., Visitor]
POURING = {"since": 0.0, "poured_l": 31.4, "to_go_l": 41.0, "rate_l_per_min": 9.8, "to_high_s": 600.0}


def explain(works: Works, text: str, age_s: float = 20.0) -> None:
    body = {"time": works.now_s - age_s, "sumps": {"mill-2": text}, "doubts": {"mill-2": []}}
    (works.folder / "run" / "explain.json").write_text(json.dumps(body))


# ── why it is believed ──


def test_the_page_says_why_it_is_believed_and_how_old_that_is(visit: Visit, works: Works) -> None:
    explain(works, "Mill 2: 268 ± 2 L at 7.0 %.\n- 53 h ago 71.2 L in.\n- 9 h ago 20.0 L in.\nLearned: 62 %.")
    page = visit("operator").page("/explain/mill-2")
    assert "53 h ago 71.2 L in." in page.text and re.search(r"As of 15:33, \d+ s ago\.", page.text)
    assert [tag for tag, _ in page.tags].count("li") == 2
    works.now_s += 3600.0
    works.live()
    page = visit("operator").page("/sump/mill-2")
    assert re.search(r"6\d min ago", page.text) and any("old" in (given.get("class") or "") for tag, given in page.tags)


def test_words_that_are_not_there_or_not_the_agents_are_no_fault(visit: Visit, works: Works) -> None:
    assert "has not put it into words yet" in visit("operator").page("/sump/mill-2").text
    for body in ("", "[]", '{"time": "x", "sumps": {}}', '{"time": 1}'):
        (works.folder / "run" / "explain.json").write_text(body)
        assert explained.read(works.folder / "run") == explained.Explained()
        assert "has not put it into words yet" in visit("operator").page("/explain/mill-2").text


def test_the_numbers_of_the_graphs_are_asked_for_once_and_early(open_page: Open) -> None:
    page = open_page("/", "operator")
    asked: list[str] = []
    page.on(
        "request", lambda request: asked.append(request.url.partition("?")[0].rpartition("/")[0].rpartition("/")[2])
    )
    page.goto("/sump/mill-2?range=1y")
    page.locator("#graphs[data-drawn]").wait_for()
    assert asked.count("series") == 1


# ── what if ──


def test_what_if_tells_what_the_core_computes(visit: Visit, works: Works, desk: Desk) -> None:
    belief = desk.live().belief("mill-2")
    assert belief
    found = from_belief(belief, works.specs["mill-2"], 50.0, 2.5)
    text = visit("operator").page("/what-if/mill-2?volume_l=50&makeup_pct=2.5").text
    assert f"{found.strength_pct:.1f} %, nine times in ten" in text
    assert f"{found.volume_l:.0f} L ±" in text and f"{100 * found.chance_in_band:.0f} in 100" in text
    assert "49 L of water and 1.2 L of concentrate" in text


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ("volume=200&makeup_pct=2.5", "Above the high mark of 360 L"),
        ("volume=20&makeup_pct=0", "plain water only when a person has decided it"),
        ("volume=20&makeup_pct=40", "Richer than the 14 % that is allowed here"),
        ("volume=-30&makeup_pct=2.5", "drain 30 L"),
        ("volume=-30&makeup_pct=2.5", "not at all: the level is below its mark"),
        ("volume=0&makeup_pct=2.5", "nothing"),
    ],
)
def test_what_if_warns_of_what_would_not_do(visit: Visit, works: Works, asked: str, words: str) -> None:
    assert words in visit("operator").page(f"/what-if/mill-2?{asked}").text


@pytest.mark.parametrize("asked", ["volume=x", "volume=1e9", "makeup_pct=101", "volume=-300", "volume_l=nan"])
def test_what_if_refuses_what_is_no_question(visit: Visit, asked: str) -> None:
    answer = visit("operator").get(f"/what-if/mill-2?{asked}")
    assert answer.status_code == 422 and "problem" in answer.text
    assert visit("operator").get(f"/what-if/mill-2?{asked}&part=1").status_code == 422


def test_what_if_begins_with_what_the_open_instruction_asks(visit: Visit, works: Works) -> None:
    fields = visit("operator").form("/what-if/lathe-1", "what-if-form").fields
    assert (float(fields["volume"]), float(fields["makeup_pct"])) == (24.0, 8.5)


# ── somebody pours ──


@pytest.mark.parametrize(
    ("to_go_l", "rate", "text", "stop"),
    [
        (41.0, 9.8, "41 L to go", False),
        (4.3, 9.8, "4.3 L to go", False),
        (0.4, 9.8, "Stop", True),  # 3 s of it are on their way
        (0.4, 1.0, "0.4 L to go", False),
        (-0.5, 9.8, "Stop", True),
        (-2.5, 9.8, "Stop: 2.5 L too much", True),
    ],
)
def test_the_countdown_says_how_much_more_and_when_to_stop(
    desk: Desk, to_go_l: float, rate: float, text: str, stop: bool
) -> None:
    found = filling.told(POURING | {"to_go_l": to_go_l, "rate_l_per_min": rate}, desk.show)
    assert found and (found.text, found.stop) == (text, stop)


@pytest.mark.parametrize(
    ("to_go_l", "sd", "units", "text"),
    [
        (12.0, 0.5, "litre", "12 ± 1 L to go"),
        (41.0, 2.0, "litre", "41 ± 3 L to go"),
        (4.3, 0.5, "litre", "4.3 ± 0.8 L to go"),
        (4.3, 0.01, "litre", "4.3 ± 0.1 L to go"),
        (41.0, 2.0, "us_gallon", "11 ± 1 gal to go"),
    ],
)
def test_the_countdown_carries_its_uncertainty(desk: Desk, to_go_l: float, sd: float, units: str, text: str) -> None:
    found = filling.told(POURING | {"to_go_l": to_go_l, "poured_sd": sd}, replace(desk.show, units=units))
    assert found and found.text.replace("\u00a0", " ") == text


def test_the_high_mark_is_spoken_of_when_it_is_near(desk: Desk) -> None:
    def warning(to_high_s: float | None) -> str:
        found = filling.told(POURING | {"to_high_s": to_high_s}, desk.show)
        return found.warning if found else "none"

    assert [warning(seconds) for seconds in (None, 600.0)] == ["", ""]
    assert warning(50.0) == "At this rate the high mark is reached in 50 s."
    assert warning(0.0) == "Above the high mark."
    assert filling.told(None, desk.show) is None and filling.told({"since": 1.0}, desk.show) is None


def test_the_card_counts_down_while_somebody_pours(open_page: Open, works: Works) -> None:
    page = open_page("/todo", viewport=PHONE)
    card = page.get_by_test_id("instruction-mill-2-a1")
    countdown = card.get_by_test_id("pouring-mill-2")
    expect(countdown).to_be_hidden()
    works.filling = {"mill-2": POURING}
    expect(countdown).to_contain_text("41 L to go")
    works.filling = {"mill-2": POURING | {"poured_l": 60.0, "to_go_l": 12.0, "poured_sd": 0.6}}
    expect(countdown).to_contain_text("12 ± 1 L to go")
    works.filling = {"mill-2": POURING | {"poured_l": 72.0, "to_go_l": 0.1, "to_high_s": 90.0}}
    expect(countdown).to_contain_text("Stop")
    expect(countdown).to_contain_text("the high mark is reached in 90 s")
    works.filling = {"grinder-1": POURING | {"to_go_l": None}}
    expect(countdown).to_be_hidden()
    expect(page.locator("[data-alone=grinder-1]")).to_contain_text("Being filled")


def test_a_silent_agent_counts_nothing_down(visit: Visit, works: Works) -> None:
    works.filling = {"mill-2": POURING}
    works.live()
    assert "41 L to go" in visit("operator").page("/todo").text
    assert "41 L to go" in visit("operator").page("/").text
    long_ago = time.time() - 60.0
    os.utime(works.folder / "run" / "live.json", (long_ago, long_ago))
    assert "41 L to go" not in visit("operator").page("/todo").text


# ── floor and review ──


def test_alerts_that_stand_are_lines_on_the_floor_and_those_set_aside_are_not(visit: Visit, works: Works) -> None:
    def alert(state: str, text: str) -> dict[str, Any]:
        row = {"id": text, "kind": "sensor", "sump": "mill-2", "subject": "level", "severity": "act soon"}
        return row | {"state": state, "since": works.now_s - 600.0, "text": text}

    works.alerts = [alert("raised", "one"), alert("acknowledged", "two"), alert("set_aside", "three")]
    works.live()
    text = visit("operator").page("/").text
    assert "Alert one since 15:23" in text and "Alert, seen two since 15:23" in text and "three" not in text


def test_review_shows_the_map_before_and_after(visit: Visit) -> None:
    maps = [given for tag, given in visit("supervisor").page("/review").tags if given.get("data-testid") == "map"]
    assert len(maps) == 2
    assert all("the arrow leads to level" in str(given["aria-label"]) for given in maps)


def test_a_changed_instruction_says_anew_what_it_leads_to(visit: Visit, works: Works, desk: Desk) -> None:
    (one,) = (i for i in desk.instructions([]) if i.id == "lathe-1-a7")
    body = {"advice": one.id, "event": "amend", "from": "posted", "to": "approved", "by": "supervisor"}
    body |= {"role": "supervisor", "volume_l": 10.0, "makeup_pct": 12.0, "reason": "less foam"}
    works.journal.event("review", works.now_s, "lathe-1", one.id, body)
    (changed,) = (i for i in desk.instructions([]) if i.id == one.id)
    belief = desk.live().belief("lathe-1")
    assert belief and changed.advice["expected_strength_pct"] == pytest.approx(
        from_belief(belief, works.specs["lathe-1"], 10.0, 12.0).strength_pct
    )
    assert changed.advice["concentrate_l"] == pytest.approx(1.2)
