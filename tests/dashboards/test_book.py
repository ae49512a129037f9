"""Log, checks, paper, alerts, use, charge, calendar, labels, how each person reads: what goes in, what is shown."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.core.alarms import ACTIONS
from dashboards import paper_log
from dashboards.desk import Desk
from dashboards.entries import RISKY_STARTS, disarmed
from dashboards.language import speaking
from dashboards.live_stream import LiveStream
from dashboards.show import Show, Unreadable
from dashboards.used import AlertRate
from tests.dashboards.visitor import Form, Page, Visitor
from tests.dashboards.works import Works

VIENNA = ZoneInfo("Europe/Vienna")
Visit = Callable[..., Visitor]
PAGES = (
    "/log", "/log?kind=check&sump=mill-2", "/log?from=nonsense&until=&kind=x", "/log/paper", "/check/mill-2", "/alerts",
    "/use", "/use?span=year", "/charge", "/charge/mill-2", "/charge/mill-2?target=0&volume=x", "/calendar", "/health",
    "/labels", "/me", "/more",
)  # fmt: skip


def word(works: Works, sump: str | None, body: dict[str, Any], id: str, ago_s: float = 3600.0) -> None:
    """A row of the journal, as the agent writes what a person said."""
    time = works.now_s - ago_s
    works.journal.event("word", time, sump, id, {"time": time, "sump": sump, "by": "Petra", "role": "operator", **body})


@pytest.mark.parametrize("language", ["en", "de"])
def test_every_page_comes_in_both_languages_and_is_sound(visit: Visit, language: str) -> None:
    visitor = visit("maintenance")
    for path in PAGES:
        answer = visitor.client.get(path, headers={"Accept-Language": language})
        assert answer.status_code == 200 and f'<html lang="{language}">' in answer.text, path
        sound(answer.text)


def sound(html: str) -> None:
    """Nothing inline, no id twice, every field labelled."""
    assert " style=" not in html and "<style" not in html and not re.search(r" on\w+=", html)
    ids = re.findall(r' id="([^"]+)"', html)
    assert len(ids) == len(set(ids))
    tags = Page(html).tags
    labelled = {attrs.get("for") for tag, attrs in tags if tag == "label"}
    for tag, attrs in tags:
        if tag in ("input", "select") and attrs.get("type") not in ("hidden", "radio", "checkbox"):
            assert attrs.get("id") in labelled, attrs


# ── the log ──


def test_the_log_is_filtered_by_sump_kind_person_and_day(visit: Visit, works: Works) -> None:
    word(works, "mill-1", {"signal": "addition", "volume_l": 40.0, "pct": 2.5}, "w1")
    word(works, "mill-2", {"signal": "check", "check": "ph", "value": 8.7, "by": "Josef"}, "w2")
    word(works, "mill-2", {"signal": "hand_reading", "value": 4.5}, "w3", 40 * 86_400.0)
    visitor = visit("operator")
    text = visitor.page("/log?kind=addition").text
    assert "added 40.0 L" in text and "pH 8.7" not in text
    assert "pH 8.7" in visitor.page("/log?sump=mill-2&person=josef").text
    assert "added 40.0 L" not in visitor.page("/log?sump=mill-2").text
    assert "read 4.5 Brix" in visitor.page("/log?from=2025-05-09&until=2025-05-12").text
    assert "Nothing of this" in visitor.page("/log?from=2025-01-09&until=2025-01-12").text


def mend(visitor: Visitor, works: Works) -> Form:
    forms = [f for f in visitor.page("/log").forms if f.testid.startswith("mend-")]
    return next(f for f in forms if f.fields["entry"] == str(works.journal.last_seq))


def test_an_entry_is_put_right_by_taking_it_back_and_writing_it_anew(visit: Visit, works: Works) -> None:
    word(works, "mill-2", {"signal": "hand_reading", "value": 46.0, "temperature": 31.0}, "w1")
    visitor = visit("operator")
    form = mend(visitor, works)
    assert visitor.send(form, action="correct", value="x").status_code == 422 and works.said() == []
    assert visitor.send(form, action="correct", value="4,6", note="point forgotten").status_code == 303
    void, anew = works.said()
    wrong_s = works.now_s - 3600.0
    assert (void["signal"], void["record_time"], void["record_signal"]) == ("void", wrong_s, "hand_reading")
    assert (anew["signal"], anew["value"], anew["at"], anew["temperature"]) == ("hand_reading", 4.6, wrong_s, 31.0)
    visitor.send(form, action="correct", value="4,6")
    assert len(works.said()) == 2  # the same form twice is one word


def test_a_check_is_taken_back_by_its_row_and_shown_as_gone(visit: Visit, works: Works) -> None:
    word(works, "mill-2", {"signal": "check", "check": "ph", "value": 12.1}, "w1")
    visitor = visit("operator")
    form = mend(visitor, works)
    assert visitor.send(form, action="void").status_code == 303
    (said,) = works.said()
    assert (said["kind"], said["takes_back"]) == ("check", "w1")
    word(works, "mill-2", {"signal": "check", "takes_back": "w1"}, "w2", 10.0)
    works.take_words()
    assert "(taken back)" in visitor.page("/log").text
    assert visitor.send(form, action="void", once="other").status_code == 404


def test_the_csv_has_the_range_shown_and_no_formula_in_it(visit: Visit, works: Works) -> None:
    word(works, "mill-2", {"signal": "hand_reading", "value": 4.6, "note": '=HYPERLINK("x")', "by": "@Josef"}, "w1")
    word(works, "mill-1", {"signal": "drained", "volume_l": 12.5, "note": "-1+1|cmd"}, "w2")
    answer = visit("operator").get("/log.csv?kind=reading")
    assert (
        answer.headers["content-type"].startswith("text/csv") and "attachment" in answer.headers["content-disposition"]
    )
    rows = list(csv.DictReader(io.StringIO(answer.text.removeprefix("\ufeff"))))
    mine = next(row for row in rows if row["by"] == "'@Josef")
    assert (mine["value"], mine["strength_pct"], mine["note"]) == ("4.6", "6.9", '\'=HYPERLINK("x")')
    assert mine["time"].endswith("+02:00") and all(row["kind"] == "reading" for row in rows)
    text = visit("operator").get("/log.csv").text
    assert "12.5" in text and "'-1+1|cmd" in text


@given(st.text(max_size=20), st.sampled_from(RISKY_STARTS), st.sampled_from(["", " ", "  "]))
def test_no_text_starts_a_formula(text: str, start: str, before: str) -> None:
    cell = disarmed(before + start + text)
    assert str(cell).startswith("'") and disarmed(-3.5) == -3.5 and disarmed(None) == ""


# ── checks ──


def test_a_check_goes_into_the_inbox_and_is_judged_against_the_first_fill(visit: Visit, works: Works) -> None:
    visitor = visit("operator")
    form = visitor.form("/check/mill-2", "check-form")
    assert visitor.send(form, check="ph", value="99").status_code == 422
    assert visitor.send(form, check="colour", value="9").status_code == 422
    assert works.said() == []
    assert visitor.send(form, check="ph", value="9,2", first_fill="1").status_code == 303
    (said,) = works.said()
    assert (said["kind"], said["check"], said["value"], said["first_fill"]) == ("check", "ph", 9.2, True)
    word(works, "mill-2", {"signal": "check", "check": "ph", "value": 9.2, "first_fill": True}, "w1", 7200.0)
    word(works, "mill-2", {"signal": "check", "check": "ph", "value": 8.65}, "w2")
    html = visitor.get("/check/mill-2").text
    assert re.search(r"8\.65</b> <span class=\"chip small\" data-grade=\"act\"", html)  # in the band, but fell by 0.55


# ── the paper log ──

PAPER = """time;sump;what;value;volume;pct;by;note
2024-05-03 07:30;Mill 2;brix;4,6;;;Josef;
03.05.2024;mill-1;addition;;40;2,5;Josef;bucket
2024-05-04;Mill 9;brix;4,6;;;;
2024-05-04;Mill 2;colour;4,6;;;;
2999-05-04;Mill 2;brix;4,6;;;;
2024-05-05;Mill 2;ph;91;;;;
"""


def test_a_paper_log_is_looked_at_first_and_the_same_lines_are_kept_once(visit: Visit, works: Works) -> None:
    visitor = visit("supervisor")
    form = visitor.form("/log/paper", "paper-form")
    answer = visitor.send(form, text=PAPER, action="look")
    page = Page(answer.text)
    assert answer.status_code == 200 and works.said() == []
    assert "2 lines can be kept" in page.text
    for fault in (
        "Line 4: “Mill 9” is no sump",
        "Line 5: “colour”",
        "Line 6: The time lies ahead",
        "Line 7: value: 91",
    ):
        assert fault in page.text
    keep = next(f for f in page.forms if f.testid == "keep-form")
    assert "2 of them were new" in Page(visitor.send(keep, text=PAPER).text).text
    assert "0 of them were new" in Page(visitor.send(keep, text=PAPER, once="again").text).text
    said = works.said()
    assert [(w["kind"], w["sump"], w["what"]) for w in said] == [
        ("past", "mill-2", "hand_reading"), ("past", "mill-1", "addition"),
    ]  # fmt: skip
    assert (said[0]["value"], said[1]["volume_l"], said[1]["pct"], said[1]["note"]) == (4.6, 40.0, 2.5, "bucket")


@given(st.text(max_size=300))
def test_no_paper_log_breaks_the_reader(text: str) -> None:
    show = Show("litre", VIENNA)
    for source in (text, f"time,sump,what,value\n{text}"):
        try:
            found = paper_log.read(source, {}, show, 1e9)
        except Unreadable:
            continue
        assert found.lines == ()


def test_a_long_paper_log_is_taken_and_too_long_a_one_is_not(visit: Visit) -> None:
    visitor = visit("operator")
    form = visitor.form("/log/paper", "paper-form")
    lines = "time,sump,what,value\n" + "2024-05-03 07:30,Mill 2,brix,4.6\n" * 4_000
    assert "4000 lines can be kept" in Page(visitor.send(form, text=lines, action="look").text).text
    assert visitor.send(form, text=lines * 10, action="look").status_code == 413


# ── alerts ──


HIGH = "Mill 1 is above its high mark: about 284 L, the mark is 280 L; add nothing"


def alert(works: Works, **changed: Any) -> dict[str, Any]:
    return {
        "id": "x1", "kind": "high_mark", "sump": "mill-1", "subject": "", "severity": "act now", "state": "raised",
        "since": works.now_s - 60.0, "text": HIGH,
        "by": "agent", "reason": None, "until": None, **changed,
    }  # fmt: skip


def test_an_alert_is_seen_or_set_aside_with_a_reason_and_the_rate_is_told(visit: Visit, works: Works) -> None:
    works.live(alerts=[alert(works)], alert_rate={"last_hour": 2, "last_day": 15})
    visitor = visit("operator")
    page = visitor.page("/alerts")
    assert "Mill 1 is above its high mark: about 284 L" in page.text
    assert "15 in the last day, 2 in the last hour" in page.text and "Mend the causes first" in page.text
    assert 'class="count">1<' in visitor.get("/more").text
    seen = next(f for f in page.forms if f.fields.get("action") == "acknowledge")
    aside = visitor.form("/alerts", "aside-form")
    assert visitor.send(aside, hours="168", reason="holiday").status_code == 422  # an operator's is a shift at most
    assert visitor.send(aside, hours="4", reason="").status_code == 422
    assert visitor.send(aside, hours="4", reason="skimmer comes at noon").status_code == 303
    assert visitor.send(seen).status_code == 303
    assert visitor.send(seen, alert="x9").status_code == 404
    put_aside, acknowledged = works.said()
    assert {w["action"] for w in (put_aside, acknowledged)} == set(ACTIONS)
    assert put_aside["until"] == pytest.approx(works.now_s + 4 * 3600.0, abs=60.0)
    assert put_aside["reason"] == "skimmer comes at noon"
    assert "Answered" in visitor.page("/alerts").text


def test_alerts_are_counted_per_sump_and_week_over_what_the_journal_covers(visit: Visit, works: Works) -> None:
    events = {40.0: "raise", 1.4: "raise", 1.0: "return", 0.9: "acknowledge", 0.5: "raise", 0.2: "clear"}
    for days_ago, event in events.items():
        time = works.now_s - days_ago * 86_400.0
        works.journal.event("alert", time, "mill-1", "x1", {"event": event, "text": HIGH})
    works.live(alerts=[], alert_rate={"last_hour": 0, "last_day": 0})
    visitor = visit("supervisor")
    # three came up in the day and a half that the journal has, at four sumps
    assert "3.5 per sump and week over the last 36 h" in visitor.page("/alerts").text
    assert "Alerts that came up 3, 3.5 per sump and week" in visitor.page("/use").text
    assert "Alerts that came up 0 " in visitor.page("/use?span=last").text + " "


def test_no_rate_is_made_of_less_than_a_day() -> None:
    assert AlertRate(3, 0.9, 4).per_sump_week is None
    assert AlertRate(6, 14.0, 3).per_sump_week == 1.0


def test_an_alert_is_read_in_german_and_gallons(visit: Visit, works: Works, desk: Desk) -> None:
    works.live(alerts=[alert(works)])
    visitor = visit("operator")
    form = visitor.form("/me", "me-form")
    assert visitor.send(form, language="xx").status_code == 400
    assert visitor.send(form, language="de", units="us_gallon", degrees="fahrenheit").status_code == 303
    text = visitor.page("/alerts").text
    assert "Mill 1 ist über der Höchstmarke: etwa 75,0 gal, die Marke ist 74,0 gal; nichts zugeben" in text
    assert "°F" in visitor.get("/reading/mill-2").text and "gal" in visitor.page("/").text
    assert visit("supervisor").page("/").text != text
    assert visitor.send(visitor.form("/reading/mill-2", "hand-form"), value="4,6", temperature="86").status_code == 303
    assert works.said()[-1]["temperature"] == pytest.approx(30.0)
    assert visitor.send(form, language="", units="", degrees="").status_code == 303
    assert "in the last" not in text and "Floor" in visitor.page("/").text


def test_what_lives_is_told_to_each_watcher_in_their_own_way(desk: Desk) -> None:
    stream = LiveStream(desk)
    litres = json.loads(stream.picture(desk.show_for(None, "en")))
    german = json.loads(stream.picture(desk.show_for(None, "de")))
    assert litres["sumps"]["mill-2"]["texts"]["status"] != german["sumps"]["mill-2"]["texts"]["status"]
    assert "," in german["sumps"]["mill-2"]["texts"]["strength"]


# ── use, charge, calendar, labels ──


def test_stock_is_what_was_counted_and_delivered_less_what_went_in(visit: Visit, works: Works) -> None:
    visitor = visit("operator")
    form = visitor.form("/use", "stock-form")
    assert visitor.send(form, what="wished", volume="9").status_code == 422
    assert visitor.send(form, what="counted", volume="60").status_code == 303
    (said,) = works.said()
    assert (said["kind"], said["what"], said["volume_l"]) == ("stock", "counted", 60.0)
    word(works, None, {"signal": "stock", "what": "counted", "volume_l": 60.0, "fluid": ""}, "s1", 7200.0)
    word(works, None, {"signal": "stock", "what": "delivered", "volume_l": 25.0, "fluid": ""}, "s2", 3600.0)
    start = works.now_s - 1800.0
    body = {"id": "f9", "revision": 1, "time": start, "sump": "mill-1", "kind": "top_off", "start": start, "end": start}
    works.journal.event("finding", start, "mill-1", "f9", {**body, "volume_l": 40.0, "makeup_pct": 2.5, "text": ""})
    assert "84.0 L" in visitor.page("/use").text  # 60 + 25 - 40 × 2.5 %
    assert "40.0 L" in visitor.page("/use?span=week").text


@pytest.mark.parametrize("days_ago", [20, 200, 700])
def test_turnovers_are_counted_from_the_last_new_charge_however_long_ago(
    visit: Visit, works: Works, days_ago: int
) -> None:
    full_l, id = 340.0, "mill-2"
    for name, ago, kind, litres in (("f1", days_ago, "recharge", 330.0), ("f2", 0.4 * days_ago, "top_off", full_l)):
        start = works.now_s - 86_400.0 * ago
        body = {"id": name, "revision": 1, "time": start, "sump": id, "kind": kind, "start": start, "end": start}
        works.journal.event("finding", start, id, name, {**body, "volume_l": litres, "makeup_pct": 2.5, "text": ""})
    assert f"Mill 2 {days_ago} days ago 1.0 " in visit("supervisor").page("/use").text


def test_a_charge_is_planned_and_what_was_filled_is_kept_with_its_first_fill_values(visit: Visit, works: Works) -> None:
    visitor = visit("maintenance")
    text = visitor.page("/charge/mill-2?volume=340&target=7&bucket=12&richest=15&lean=1.5").text
    assert "Lands on 7 % of the mix" in text and "Mix 12 batches" in text and "Never water into concentrate" in text
    assert "is above the richest batch" in visitor.page("/charge/mill-2?target=20&richest=15").text
    form = visitor.form("/charge/mill-2", "filled-form")
    assert visitor.send(form, volume="338", pct="7", brix="4.7", ph="93").status_code == 422 and works.said() == []
    assert visitor.send(form, volume="338", pct="7", brix="4.7", ph="9,3").status_code == 303
    fill, brix, ph = works.said()
    assert (fill["signal"], fill["volume_l"], fill["pct"]) == ("recharge", 338.0, 7.0)
    assert (brix["signal"], brix["value"]) == ("hand_reading", 4.7)
    assert (ph["kind"], ph["check"], ph["value"], ph["first_fill"]) == ("check", "ph", 9.3, True)


def test_closed_days_are_entered_by_reviewers_and_seen_by_all(visit: Visit, works: Works) -> None:
    visitor = visit("supervisor")
    form = visitor.form("/calendar", "close-form")
    assert visitor.send(form, first="2025-08-22", last="2025-08-04").status_code == 422
    assert visitor.send(form, first="2025-08-04", last="2025-08-22", note="shutdown").status_code == 303
    (said,) = works.said()
    assert (said["kind"], said["what"], said["first"], said["last"]) == (
        "calendar",
        "close",
        "2025-08-04",
        "2025-08-22",
    )
    close = {"signal": "calendar", "what": "close", "first": "2025-08-04", "last": "2025-08-22"}
    word(works, None, close, "k1")
    assert "4 August 2025 to 22 August 2025" in visit("operator").page("/calendar").text
    assert "close-form" not in [f.testid for f in visit("operator").page("/calendar").forms]
    word(works, None, {**close, "what": "open", "first": "2025-08-11"}, "k2", 60.0)
    assert "4 August 2025 to 10 August 2025" in visitor.page("/calendar").text


def test_a_label_opens_its_own_sump_s_to_do(visit: Visit, desk: Desk) -> None:
    visitor = visit("operator")
    for tag, attrs in visitor.page("/labels").tags:
        if tag == "section" and attrs.get("data-address"):
            sump = str(attrs["data-testid"]).removeprefix("label-")
            assert attrs["data-address"] == f"{visitor.address}/todo/{sump}"
            assert visitor.get(f"/todo/{sump}").status_code == 200
    assert visitor.get("/labels").text.count('class="qr"') == len(desk.site.sumps)


def test_words_from_the_core_stay_out_of_a_german_page(visit: Visit) -> None:
    with speaking("de"):
        text = Page(visit("operator").client.get("/todo/mill-2", headers={"Accept-Language": "de"}).text).text
    assert "Add " not in text and "sump" not in text.replace("Sumpside", "")
