"""What the pages show: units, ages and doubts with every number, stored text as text, and no page without its data."""

from __future__ import annotations

import json
import os
import re
import time
from collections.abc import Callable
from threading import Event, Thread
from typing import Any

import pytest

from agent.core.outputs import Finding
from dashboards.desk import Desk
from tests.dashboards import works as plant
from tests.dashboards.visitor import Page, Visitor
from tests.dashboards.works import Works
from tests.services import DEADLINE_S

Visit = Callable[..., Visitor]
PAGES = (
    "/", "/sump/mill-2", "/sump/mill-2?range=1h", "/sump/mill-2?range=1w", "/sump/mill-2?range=1m",
    "/sump/mill-2?range=nonsense", "/todo", "/todo/lathe-1", "/review", "/reading", "/reading/mill-2", "/log",
    "/people",
)  # fmt: skip
HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(2)>{{7*7}}';--"


@pytest.mark.parametrize("path", PAGES)
def test_every_page_comes_with_data_and_is_sound(visit: Visit, path: str) -> None:
    answer = visit("maintenance").get(path)
    assert answer.status_code == 200
    html = answer.text
    assert " style=" not in html and "<style" not in html and not re.search(r" on\w+=", html)
    assert not re.search(r"<script(?![^>]* src=)", html)
    assert not re.search(r"(src|href|action)=\"(https?:)?//", html)
    ids = re.findall(r' id="([^"]+)"', html)
    assert len(ids) == len(set(ids))
    tags = Page(html).tags
    labelled = {given.get("for") for tag, given in tags if tag == "label"}
    for tag, given in tags:
        if tag == "input" and given.get("type") not in ("hidden", "radio", "checkbox"):
            assert given.get("id") in labelled, given


@pytest.mark.parametrize("path", PAGES)
def test_every_page_comes_before_the_agent_has_ever_run(visit: Visit, works: Works, path: str) -> None:
    for name in ("state", "run"):
        for file in (works.folder / name).iterdir():
            file.unlink()
    page = visit("maintenance").page(path)
    assert "not said anything yet" in page.text


def test_the_floor_shows_the_most_urgent_first(visit: Visit) -> None:
    html = visit("operator").get("/").text
    order = re.findall(r'data-testid="sump-([a-z0-9-]+)"', html)
    assert order[0] == "lathe-1"  # weak, out of its box
    assert order.index("mill-2") < order.index("mill-1")  # both in the box, something to do at one
    assert sorted(order) == ["grinder-1", "lathe-1", "mill-1", "mill-2"]


def test_live_values_carry_unit_and_age_estimates_their_doubt(visit: Visit, works: Works) -> None:
    html = visit("operator").get("/").text
    card = html.split('data-testid="sump-mill-2"')[1].split("</article>")[0]
    assert re.search(r'data-testid="level">\d+ L<', card)
    assert re.search(r'data-testid="level-age">\d s ago<', card)
    assert re.search(r'data-testid="strength">\d\.\d % ± 0\.\d<', card)
    assert re.search(r'data-testid="volume">\d+ L ± \d+<', card)
    assert re.search(r'data-testid="outlook">in \d+ h \(\d+ to \d+ h\)<', card)


def test_a_doubtful_or_old_sample_says_so(visit: Visit, works: Works) -> None:
    level = {"time": works.now_s - 900.0, "raw": 1.0, "litres": 255.0, "flags": 4, "text": "not_stuck"}
    sump = works.live_sump("mill-2")
    sump["signals"]["level"] = level
    works.live({"mill-2": sump})
    card = visit("operator").get("/").text.split('data-testid="sump-mill-2"')[1].split("</article>")[0]
    assert "not stuck" in card and 'class="age old"' in card and "15 min ago" in card


def test_ages_are_counted_by_the_site_s_clock(visit: Visit, works: Works) -> None:
    """The site's clock is 2025 here, and may run faster than life: this machine's time is no measure."""
    works.now_s += 5000.0
    works.live()
    assert re.search(r'data-testid="level-age">\d s ago<', visit("operator").get("/").text)


def test_a_silent_agent_is_said_on_every_page(visit: Visit, works: Works) -> None:
    old = time.time() - 600.0
    os.utime(works.folder / "run" / "live.json", (old, old))
    for path in ("/", "/todo", "/sump/mill-2"):
        assert "has said nothing for 10 min" in visit("operator").page(path).text


def test_what_stands_still_is_shown_under_health(visit: Visit, works: Works) -> None:
    file = works.folder / "run" / "live.json"
    live = json.loads(file.read_text())
    live["agent"] |= {
        "fault": "the inbox cannot be read: database is locked",
        "buses": {"line": {"ok": False, "text": "lathe-1 level: nothing for 31 s", "last_s": works.now_s - 31.0}},
        "sinks": {"mqtt": {"connected": False, "text": "stuck for 61 s: up to date", "behind_rows": 7}},
    }
    file.write_text(json.dumps(live))
    text = visit("maintenance").page("/health").text
    assert "the inbox cannot be read: database is locked" in text
    assert "nothing for 31 s" in text and "last heard" in text
    assert "stuck for 61 s" in text and "7 rows to send" in text


@pytest.mark.parametrize("text", ["", "{", "[]", '{"time": "now"}', '{"time": 1e9, "sumps": {}}'])
def test_a_broken_live_file_breaks_no_page(visit: Visit, works: Works, text: str) -> None:
    (works.folder / "run" / "live.json").write_text(text)
    assert visit("operator").get("/").status_code == 200


def test_simulated_data_is_called_so_on_every_page(visit: Visit) -> None:
    for path in PAGES:
        assert 'data-testid="simulated"' in visit("maintenance").get(path).text
    assert 'data-testid="simulated"' in visit().get("/sign-in").text


def test_measured_data_is_not_called_simulated(visit: Visit, desk: Desk, works: Works) -> None:
    desk.live_file.simulated = False
    assert "imulated" not in visit("operator").get("/").text
    works.live(simulated=True)
    assert 'data-testid="simulated"' in visit("operator").get("/").text


def test_the_card_says_how_much_in_which_order_with_which_care_and_what_comes_of_it(visit: Visit) -> None:
    html = visit("operator").get("/todo/mill-2").text
    text = Page(html).text
    assert "Add 85 L of the usual 2.5 % mix" in text or re.search(r"Add \d+ L of the usual 2\.5 % mix", text)
    assert re.search(r"Water \d+ L Concentrate 2\.\d L", text)
    assert "2.5 % of the mix (2.56 per 100 of water)" in text
    assert text.index("Proportioner at 2.5 %") < text.index("Put ") < text.index("Let it circulate for 30 min")
    assert "gloves" in text.lower() and "locked out" in text and "supplier" in text
    assert re.search(r"Strength \d\.\d % ± 0\.\d Refractometer \d\.\d Brix", text) and "97 in 100" in text


def test_a_change_by_a_reviewer_replaces_the_numbers_and_is_named(visit: Visit, works: Works) -> None:
    advice = plant.strengthen(works)
    works.review(advice, "amend", "posted", "approved", "Stefan", volume_l=20.0, makeup_pct=10.0, reason="less foam")
    text = visit("operator").page("/todo/lathe-1").text
    assert "Add 20 L of 10 % mix" in text and "18.0 L" in text and "2.0 L" in text
    assert "Changed by Stefan" in text
    assert "5.2 %" not in text  # what the unchanged one would have led to


def test_an_instruction_waiting_for_review_is_not_to_be_done_yet(visit: Visit) -> None:
    assert "lathe-1-a7" not in visit("operator").get("/todo").text
    assert "waits for review" in visit("operator").page("/").text
    assert "lathe-1-a7" in visit("supervisor").get("/review").text


def test_put_off_leaves_the_list_for_four_hours(visit: Visit, works: Works) -> None:
    advice = plant.top_off(works)
    works.review(advice, "set_aside", "approved", "approved", "operator", time=works.now_s - 3600.0, reason="busy")
    html = visit("operator").get("/todo").text
    assert 'data-testid="instruction-mill-2-a1"' not in html and 'data-testid="later-mill-2-a1"' in html
    works.now_s += 4 * 3600.0
    works.live()
    assert 'data-testid="instruction-mill-2-a1"' in visit("operator").get("/todo").text


def test_an_answer_that_was_not_taken_is_said_to_be_so(visit: Visit, works: Works) -> None:
    works.review(plant.top_off(works), "begin", "approved", "", "Petra", refused="somebody was faster")
    page = visit("operator").page("/todo/mill-2")
    assert "The answer of Petra was not taken: somebody was faster." in page.text
    assert "done-form" in [form.testid for form in page.forms]
    assert "(not taken: somebody was faster)" in visit("operator").page("/log").text


def test_done_waits_for_its_proof(visit: Visit, works: Works) -> None:
    works.review(plant.top_off(works), "done", "approved", "done", "operator", volume_l=80.0, makeup_pct=2.5)
    page = visit("operator").page("/todo")
    assert "bear it out" in page.text and "done-form" not in [f.testid for f in page.forms]


def test_review_shows_what_was_known_why_and_what_it_would_do(visit: Visit) -> None:
    text = visit("supervisor").page("/review").text
    for words in ("Strengthen", "Level now", "Strength now", "Brix by hand", "It would add", "Why:", "93 in 100"):
        assert words in text, words


def test_the_log_tells_decisions_words_and_findings_newest_first(visit: Visit, works: Works) -> None:
    advice = plant.strengthen(works)
    works.review(advice, "decline", "posted", "declined", "Stefan", reason="change-out on Friday", time=works.now_s)
    found = Finding(
        "mill-1-f1", 1, works.now_s - 10, "mill-1", "top_off", works.now_s - 900, works.now_s - 500, 38.0, 1.0, 2.4,
        0.3, None, None, "38 L went in at 2.4 %",
    )  # fmt: skip
    works.journal.event("finding", found.time, found.sump, found.id, found.row())
    works.journal.event(
        "finding", found.time, found.sump, found.id, found.row() | {"text": "39 L went in", "revision": 2}
    )
    visitor = visit("operator")
    visitor.send(visitor.form("/reading/mill-2", "hand-form"), value="4.7")
    text = visitor.page("/log").text
    order = [
        text.index(words) for words in ("not yet taken", "declined: strengthen with 24.0 L", "39 L went in", "put up")
    ]
    assert order == sorted(order)
    assert "change-out on Friday" in text and "38 L went in" not in text
    works.take_words()
    assert "not yet taken" not in visitor.page("/log").text


def test_what_people_wrote_is_shown_as_text_and_never_run(visit: Visit, works: Works, desk: Desk) -> None:
    desk.people.store.execute("UPDATE person SET name = ? WHERE role = 'supervisor'", (HOSTILE,))
    advice = plant.top_off(works, "mill-1", "mill-1-x1", reason=HOSTILE)
    works.advise(advice, state="posted")
    works.review(plant.strengthen(works), "decline", "posted", "declined", HOSTILE, reason=HOSTILE)
    body = {
        "time": works.now_s,
        "sump": "mill-2",
        "signal": "hand_reading",
        "value": 4.7,
        "by": HOSTILE,
        "note": HOSTILE,
    }
    works.journal.event("word", works.now_s, "mill-2", None, body)
    found = plant_finding(works)
    works.journal.event("finding", found.time, found.sump, found.id, found.row())
    visitor = visit("maintenance")
    visitor.send(visitor.form("/reading/mill-2", "hand-form"), value="4.7", note=HOSTILE)
    for path in ("/", "/review", "/log", "/people", "/sump/mill-2", "/reading/mill-2"):
        html = visitor.get(path).text
        assert "<script>alert" not in html and "<img src=x" not in html
    assert "&lt;script&gt;alert(1)" in visitor.get("/log").text
    assert "{{7*7}}" in visitor.page("/log").text
    answer = visitor.send(visitor.form("/reading/mill-2", "hand-form"), value=HOSTILE, note=HOSTILE)
    assert answer.status_code == 422 and "<script>alert" not in answer.text
    assert "<script>" not in visit().get(f"/sign-in?next={HOSTILE}").text


def plant_finding(works: Works) -> Finding:
    start = works.now_s - 900.0
    return Finding(
        "mill-2-x1", 1, works.now_s, "mill-2", "look", start, None, None, None, None, None, None, None, HOSTILE
    )  # fmt: skip


def test_gallons_show_as_gallons(visit: Visit, desk: Desk) -> None:
    object.__setattr__(desk.show, "units", "us_gallon")
    visitor = visit("operator")
    assert re.search(r'data-testid="level">\d+\.\d gal<', visitor.get("/").text)
    series = visitor.get("/series/mill-2?range=1d").json()
    assert series["unit"] == "gal" and series["marks"]["full"] == pytest.approx(340 / 3.785411784)


def test_health_tells_strangers_nothing_of_the_works(visit: Visit, works: Works) -> None:
    answer = visit().get("/healthz")
    assert answer.status_code == 200 and answer.json()["ok"] is True
    assert set(answer.json()) == {"ok", "journal", "agent", "looks"}


def test_a_fault_of_ours_is_said_plainly_and_kept_out_of_the_page(visit: Visit, desk: Desk) -> None:
    visitor, journal = visit("operator"), desk.queries.journal
    desk.queries.journal = None  # type: ignore[assignment]
    answer = visitor.get("/")
    desk.queries.journal = journal
    assert answer.status_code == 500 and "Traceback" not in answer.text and "NoneType" not in answer.text


def test_what_is_written_while_a_page_is_made_is_news_to_it(
    visit: Visit, works: Works, desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else a card that came between the page's reading and its number would stay away until something else happens."""
    looked, written = Event(), Event()
    look = desk.queries.open_instructions

    def slowly(*asked: str | None) -> list[dict[str, Any]]:
        found = look(*asked)
        looked.set()
        assert written.wait(DEADLINE_S)
        return found

    monkeypatch.setattr(desk.queries, "open_instructions", slowly)
    visitor, answers = visit("operator"), []
    asking = Thread(target=lambda: answers.append(visitor.get("/todo").text))
    asking.start()
    assert looked.wait(DEADLINE_S)
    works.advise(plant.top_off(works, "mill-1", "mill-1-a9"))
    written.set()
    asking.join(DEADLINE_S)
    (text,) = answers
    assert "instruction-mill-1-a9" not in text
    newest, _ = desk.queries.newest_event_after(0)
    assert int(re.findall(r'data-seq="(\d+)"', text)[0]) < newest
