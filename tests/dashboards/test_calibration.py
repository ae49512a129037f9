"""The calibration page: a sump poured full in the browser, a factor from a form, put in force, and one step back."""

from __future__ import annotations

import stat
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from math import exp
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from playwright.sync_api import expect

from agent.io.calibration_files import CalibrationFiles
from calibration import session as routine
from calibration.document import Document, read
from calibration.pours import Step
from tests.dashboards.browsing import PHONE, Open
from tests.dashboards.visitor import Visitor
from tests.dashboards.works import NOW_S, Works
from tests.services import wait_until

Visit = Callable[..., Visitor]
PAGE = "/calibration/mill-1"
LITRES_PER_RAW = 0.9
BRIX = (1.4, 2.6, 4.1, 5.4, 6.8)


class Tank:
    """Mill 1, empty, with a sensor of its own noise; a minute of it is written into the journal at once."""

    def __init__(self, works: Works) -> None:
        self.works, self.litres, self.turn, self.now_s = works, 0.0, 0, NOW_S + 3600.0
        works.dead = True  # of the played agents, this one writes the live file
        self.tell()

    def tell(self) -> None:
        self.works.live(time=self.now_s)

    def minute(self, seconds: int = 70) -> None:
        for _ in range(seconds):
            self.turn += 1
            self.now_s += 1.0
            raw = 12.0 + self.litres / LITRES_PER_RAW + 0.2 * ((self.turn * 7) % 5 - 2)
            self.works.journal.sample("mill-1", "level", self.now_s, raw, raw, 0, False)
        self.works.journal.commit()
        self.tell()


@pytest.fixture
def tank(works: Works) -> Tank:
    return Tank(works)


def kept(works: Works, kind: str) -> list[Document]:
    paths = sorted((works.folder / "inbox" / "calibrations").glob(f"mill-1-{kind}-*.toml"))
    assert all(stat.S_IMODE(path.stat().st_mode) == 0o444 for path in paths)
    return [read(path.read_text()) for path in paths]


def do(visitor: Visitor, testid: str, **typed: object) -> str:
    answer = visitor.send(visitor.form(PAGE, testid), **typed)
    assert answer.status_code in (303, 422), answer.text[:300]
    return answer.text if answer.status_code == 422 else ""


def act(visitor: Visitor, action: str) -> str:
    """Presses the button of a form that has nothing but an action."""
    form = next(f for f in visitor.page(PAGE).forms if f.fields.get("action") == action)
    answer = visitor.send(form)
    assert answer.status_code in (303, 422), answer.text[:300]
    return answer.text if answer.status_code == 422 else ""


def test_a_sump_is_poured_full_without_scripts_and_the_curve_is_kept(visit: Visit, works: Works, tank: Tank) -> None:
    person = visit("maintenance")
    do(person, "begin-form")
    for litres in (0, 20, 20, 20, 20, 20, 20, 20):
        if litres:
            tank.litres += litres
            do(person, "pour-form", volume=litres, way="poured")
        assert "Waiting for the level to settle" in person.page(PAGE).text
        tank.minute()
        assert act(person, "take") == ""
    assert "7.9 L" not in person.page(PAGE).text
    assert act(person, "finish") == ""
    (document,) = kept(works, "curve")
    assert (document.by, len(document.measured)) == ("maintenance", 8)
    points = dict(document.points)
    assert max(points.values()) == pytest.approx(140.0, abs=0.5)
    page = person.page(PAGE)
    assert any(tag == "polygon" for tag, _ in page.tags)
    assert "8 steps" in page.text
    assert "Agrees with the dimensions" in beside(person, 1000.0)
    assert "Differs from the dimensions" in beside(person, 900.0)
    assert "a length and a width above 0 mm" in beside(person, -1.0)


def beside(person: Visitor, length: float) -> str:
    """The page's answer to dimensions of the tank; nothing is written by it."""
    return person.send(person.form(PAGE, "shape-form"), length=length, width=900, floor=12).text


def test_a_level_that_moves_is_not_taken_and_a_strange_step_is_warned_of(visit: Visit, tank: Tank) -> None:
    person = visit("maintenance")
    do(person, "begin-form")
    tank.minute(30)
    page = person.page(PAGE)
    assert "Waiting" in page.text and not any(f.fields.get("action") == "take" for f in page.forms)
    tank.minute(60)
    act(person, "take")
    for litres in (20, 20, 20, 20, 20, 20):
        tank.litres += litres + (20 if litres and tank.litres == 80 else 0)
        do(person, "pour-form", volume=litres, way="poured")
        tank.minute()
        assert act(person, "take") == ""
    said = person.page(PAGE).text
    assert "Last step settled" in said
    assert act(person, "finish") == ""
    assert "does not fit" in str(kept(tank.works, "curve")[0].remarks)


def test_a_reading_is_left_out_and_taken_back_and_a_refusal_is_said_in_german(
    visit: Visit, works: Works, tank: Tank
) -> None:
    person = visit("maintenance")
    person.client.headers["Accept-Language"] = "de"
    steps = tuple(Step(20.0 if i else 0.0, raw, 0.3) for i, raw in enumerate((5.0, 30.0, 21.0, 80.0, 105.0, 130.0)))
    session = replace(routine.begin("mill-1", "maintenance", tank.now_s), steps=steps, waiting_l=None)
    CalibrationFiles(works.folder / "inbox" / "calibrations").keep_draft("mill-1", routine.to_row(session))
    assert "beim Messwert 30 ging der Stand gegen das Zugegebene" in person.page(PAGE).text
    assert "sagen, warum der Schritt ausgelassen wird" in do(person, "leave-form", step=2, why="")
    assert do(person, "leave-form", step=2, why="Schwimmer hing") == ""
    assert "Ausgelassen: Messwert 21, Schwimmer hing" in person.page(PAGE).text
    assert act(person, "finish") == ""
    assert kept(works, "curve")[0].measured[2]["left_out"] == "Schwimmer hing"


def test_the_page_takes_a_settled_level_by_itself(open_page: Open, tank: Tank) -> None:
    page = open_page(PAGE, "maintenance")
    page.get_by_test_id("begin").click()
    expect(page.get_by_test_id("waiting-level")).to_be_visible()
    tank.minute()
    expect(page.get_by_test_id("last-step")).to_contain_text("reading 12 ")
    page.get_by_label("Pour or drain a measured amount").fill("20")
    page.get_by_test_id("pour").click()
    expect(page.get_by_test_id("waiting-level")).to_be_visible()
    tank.litres = 20.0
    tank.minute()
    expect(page.get_by_test_id("last-step")).to_contain_text("reading 34.")


def test_a_factor_from_the_form_is_put_in_force_by_name_and_taken_back(visit: Visit, works: Works) -> None:
    person = visit("maintenance")
    typed = {f"concentrate{i}": 4 + 4 * i for i in range(5)} | {f"water{i}": 196 - 4 * i for i in range(5)}
    do(person, "factor-form", **typed, **{f"brix{i}": b for i, b in enumerate(BRIX)}, zero="0.0 0.1")
    (document,) = kept(works, "factor")
    factor = document.fit["factor"]["value"]
    assert 1.45 < factor < 1.55
    act(person, "use")
    (said,) = works.said()
    assert (said["field"], said["value"], said["person"]) == ("refractometer_factor", factor, "maintenance")
    assert said["file"] == document.file_name
    works.journal.event("word", works.now_s, "mill-1", None, {**said, "time": works.now_s, "by": said["person"]})
    assert f"{document.file_name}, chosen by maintenance" in person.page(PAGE).text
    act(person, "back")
    assert (works.said()[-1]["value"], works.said()[-1]["back"]) == (1.5, True)


def test_checks_are_kept_and_what_cannot_be_is_said(visit: Visit, works: Works, tank: Tank) -> None:
    person = visit("maintenance")
    assert "The level is not at rest" in do(person, "dip-form", stick=100)
    tank.litres = 90.0
    tank.minute(200)
    do(person, "dip-form", stick=108)
    (dip,) = kept(works, "dip")
    assert dip.fit["off"]["value"] == pytest.approx(4.0, abs=0.5) and dip.points
    do(person, "proportioner-form", brix="2.6 2.7 2.6")
    assert kept(works, "proportioner")[0].fit["verdict"] == "rich"
    assert "3 mixes or more" in do(person, "factor-form", concentrate0=4, water0=196, brix0=1.4)
    assert "is not a number" in do(person, "proportioner-form", brix="two")


def test_a_refractometer_s_zero_is_checked_with_water(visit: Visit, works: Works) -> None:
    person = visit("maintenance")
    assert do(person, "zero-form", water="0.6 0.7 0.6") == ""
    assert "0.633 (0.491 to 0.776) Brix: set it to zero" in person.page(PAGE).text
    assert do(person, "zero-form", water="-0.7", water_at="30") == ""  # what warm water reads by itself
    newest = max(kept(works, "zero"), key=lambda document: abs(document.fit["zero"]["low"]))
    assert "its zero holds" in person.page(PAGE).text and len(kept(works, "zero")) == 2
    assert newest.measured[0]["brix"] == 0.6
    assert "is not a number" in do(person, "zero-form", water="clear")
    assert kept(works, "zero")[0].setting is None  # the instrument is set, not the journal


def test_a_warm_sample_s_reading_is_told_as_it_would_be_at_20_degrees(visit: Visit, works: Works) -> None:
    person = visit("maintenance")
    told = person.send(person.form(PAGE, "at-20-form"), warm="4.0", warm_at="35")
    assert told.status_code == 200 and "5.17 Brix ± 0.38 at 20 °C" in told.text
    told = person.send(person.form(PAGE, "at-20-form"), warm="4.0", warm_at="35", compensated="yes")
    assert "4.15 Brix" in told.text
    assert "95 is outside 0 to 50" in person.send(person.form(PAGE, "at-20-form"), warm="4.0", warm_at="95").text
    assert kept(works, "zero") == []


def test_hold_up_is_learned_from_a_stop_and_a_start_that_a_person_names(visit: Visit, works: Works) -> None:
    begun = works.now_s + 100.0
    for second in range(0, 2700, 3):
        back = 20.0 * (1.0 - exp(-max(0.0, min(second - 900.0, 900.0)) / 80.0)) * exp(-max(0.0, second - 1800.0) / 40.0)
        raw = 140.0 + back + 0.2 * (second % 5 - 2)
        works.journal.sample("mill-1", "level", begun + second, raw, raw, 0, False)
    works.journal.commit()
    works.live(time=begun + 2700.0)
    person = visit("maintenance")
    zone = ZoneInfo("Europe/Vienna")
    stopped, started = (datetime.fromtimestamp(begun + s, zone).strftime("%Y-%m-%dT%H:%M:%S") for s in (900, 1800))
    assert "starts within hours" in do(person, "hold-up-form", stopped=started, started=stopped)
    assert do(person, "hold-up-form", stopped=stopped, started=started) == ""
    fit = kept(works, "hold_up")[0].fit
    # By the site's curve 20 mm are 20.2 L.
    assert fit["held_l"]["value"] == pytest.approx(20.2, abs=0.5)
    assert fit["back_s"]["value"] == pytest.approx(80.0, abs=8.0)


def test_the_probe_s_drift_is_drawn_against_hand_readings(visit: Visit, works: Works) -> None:
    for week in range(8):
        at = works.now_s - (8 - week) * 7 * 86_400.0
        for i in range(30):
            works.journal.sample("mill-1", "brix", at - 150.0 + 10.0 * i, 4.6 + 0.15 * week, 0.0, 0, False)
        word = {"time": at, "sump": "mill-1", "signal": "hand_reading", "value": 4.6, "by": "Petra", "role": "operator"}
        works.journal.event("word", at, "mill-1", None, word)
        works.journal.commit()
    person = visit("maintenance")
    page = person.page(PAGE)
    assert "calibrate again: off by +1." in page.text
    assert sum(tag == "circle" for tag, _ in page.tags) == 8
    act(person, "probe")
    assert kept(works, "probe")[0].fit["offset_brix"]["value"] == pytest.approx(0.52, abs=0.1)


def test_others_look_and_only_maintenance_writes(visit: Visit, works: Works) -> None:
    page = visit("operator").page(PAGE)
    assert not any(f.fields.get("action") for f in page.forms)
    assert "Maintenance measures it here" in visit("operator").client.get(PAGE).text
    form = visit("maintenance").form(PAGE, "begin-form")
    operator = visit("operator")
    token = operator.form("/reading/mill-1", "hand-form").fields["form_token"]
    assert operator.send(form, form_token=token).status_code == 403
    person = visit("maintenance")
    for file in ("../people.sqlite", "mill-1-curve-19700101T000000Z.toml", ""):
        use = person.send(person.form(PAGE, "begin-form"), action="use", file=file)
        assert use.status_code == 422 and "no such calibration" in use.text
    assert person.send(person.form(PAGE, "begin-form"), action="dance").status_code == 400
    assert works.said() == [] and not Path(works.folder / "inbox" / "calibrations").exists()


def test_it_is_found_under_health_and_fits_a_phone(open_page: Open, works: Works, tank: Tank) -> None:
    steps = tuple(Step(20.0 if i else 0.0, 12.0 + 22.0 * i, 0.3) for i in range(6))
    session = replace(routine.begin("mill-1", "maintenance", tank.now_s), steps=steps, waiting_l=None)
    CalibrationFiles(works.folder / "inbox" / "calibrations").keep_draft("mill-1", routine.to_row(session))
    page = open_page("/health", "maintenance", viewport=PHONE)
    page.get_by_role("link", name="Calibration").first.click()
    page.get_by_role("link", name="Mill 1").click()
    wait_until(lambda: page.url.endswith(PAGE), "the page")
    page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]


def test_other_pages_go_by_what_is_in_force(visit: Visit, works: Works) -> None:
    """The reading page multiplies by the factor of the journal's newest setting, others stay."""
    body = {"signal": "setting", "field": "refractometer_factor", "value": 1.75, "by": "Petra"}
    person = visit("operator")
    assert "× 1.5 is the strength" in person.page("/reading/mill-1").text
    works.journal.event("word", works.now_s, "mill-1", None, {"time": works.now_s, "sump": "mill-1", **body})
    assert "× 1.75 is the strength" in person.page("/reading/mill-1").text
    assert "× 1.5 is the strength" in person.page("/reading/mill-2").text
    refused = {"time": works.now_s, "sump": "mill-1", **body, "value": 3.0, "refused": "nobody is cook"}
    works.journal.event("word", works.now_s, "mill-1", None, refused)
    assert "× 1.75 is the strength" in person.page("/reading/mill-1").text
