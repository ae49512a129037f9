"""A valve's buttons: from select to the proof through the inbox, who may, what is shown, what is never offered."""

from __future__ import annotations

import html
from collections.abc import Callable
from typing import Any

import pytest

from agent.io.inbox import InboxReader
from dashboards.desk import Desk
from tests.dashboards import works as plant
from tests.dashboards.visitor import Visitor
from tests.dashboards.works import Works
from tests.io.test_doses import DOSING, advised
from tests.io.test_doses import Works as Rig

SUMP = "mill-1"
Visit = Callable[..., Visitor]


class Shop:
    """The pages' works, and the agent's own doses and reviews beside it, which take what the inbox holds."""

    def __init__(self, works: Works) -> None:
        self.works, self.rig, self.taken = works, Rig(), 0
        self.rig.now = works.now_s
        self.rig.start()
        self.rig.tick(20)
        advised(self.rig)

    def agent_takes(self) -> list[dict[str, Any]]:
        """Words from the inbox into the real doses; their rows into the journal that the pages read."""
        bodies = []
        for word in InboxReader(self.works.folder / "inbox" / "inbox.sqlite").after(self.taken):
            self.taken = word.seq
            rows = self.rig.doses.heard(word, self.works.now_s)
            rows = rows or self.rig.desk.reviews.decided(word, lambda _: self.rig.volume_l).rows
            self.rig.enter(rows)
            rows = [*rows, *self.rig.enter(self.rig.doses.decided(word, rows, self.rig.now))]
            for row in rows:
                self.works.journal.event(row.kind, self.works.now_s, row.sump, row.id, row.body)
            self.rig.doses.kept()
            bodies += [row.body for row in rows]
        self.works.journal.bookmark("inbox", self.taken)
        self.tell()
        return bodies

    def tell(self) -> None:
        shown = dict(self.rig.shown)
        if shown["until"] is not None:
            shown["until"] += self.works.now_s - self.rig.now
        self.works.live(dosing={SUMP: shown})


@pytest.fixture
def works(works: Works) -> Works:
    """The works with a valve at Mill 1, and a top-off there that it can give."""
    works.fit_valve(DOSING, SUMP)
    works.advise(plant.top_off(works, SUMP, "a1", volume_l=10.0))
    works.journal.commit()
    return works


@pytest.fixture
def shop(works: Works, desk: Desk) -> Shop:
    found = Shop(works)
    found.tell()
    return found


def press(visitor: Visitor, action: str, path: str = "/todo", **typed: str) -> int:
    return visitor.send(visitor.form(path, f"{action}-form-{SUMP}"), **typed).status_code


def text(visitor: Visitor, path: str = "/todo") -> str:
    return visitor.page(path).text


def test_a_dose_goes_from_the_lock_to_the_shut_valve_by_taps_alone(shop: Shop, visit: Visit) -> None:
    ana, petra = visit("supervisor"), visit("operator")
    assert press(ana, "reset", reason="hand valve open, line dry") == 303
    assert [(b["to"], b["by"], b["reason"]) for b in shop.agent_takes()] == [
        ("ready", "supervisor", "hand valve open, line dry")
    ]
    assert press(ana, "select", "/review") == 303
    review, dose = shop.agent_takes()
    assert (review["event"], review["by"], review["volume_l"], dose["to"]) == ("amend", "supervisor", 10.0, "selected")
    assert review["seen"]["advice"]["volume_l"] == 10.0
    shown = text(petra)
    assert "0.0 L of 10.0 L" in shown and "The valve is shut." in shown and "Open it within 9 min 5" in shown
    assert "never neat concentrate, biocide or additive" in shown and "At most 20.0 L at once" in shown
    assert press(petra, "operate") == 303
    assert [b["to"] for b in shop.agent_takes()] == ["begun", "running"] and shop.rig.valve.on
    shop.rig.tick(10)
    shop.tell()
    assert "The valve is open." in text(petra) and "2.0 L of 10.0 L" in text(petra)
    assert "Nobody pours it as well" in text(petra)
    assert press(petra, "stop") == 303
    assert shop.agent_takes()[-1]["by"] == "operator"
    assert not shop.rig.valve.on and "The valve is shut." in text(petra)
    steps = text(ana, "/log?kind=decision")
    for said in ("supervisor, supervisor unlocked it", "supervisor, supervisor selected a dose",
                 "operator, operator opened the valve", "operator, operator shut the valve"):  # fmt: skip
        assert said in steps.replace(" · ", " "), said


def test_anybody_locks_it_out_with_a_reason_and_a_reviewer_alone_unlocks(shop: Shop, visit: Visit) -> None:
    ana, petra = visit("supervisor"), visit("operator")
    press(ana, "reset", reason="looked at it")
    shop.agent_takes()
    assert press(petra, "lock", reason=" ") == 422
    assert press(petra, "lock", reason="the hose drips") == 303
    assert (shop.agent_takes()[0]["to"], shop.rig.post.state.phase) == ("locked", "locked")
    page = petra.page("/todo")
    assert "locked out by operator: the hose drips" in page.text
    assert not [form for form in page.forms if form.testid.startswith(("reset", "select", "operate"))]
    form = ana.form("/todo", f"reset-form-{SUMP}")
    form.fields["form_token"] = petra.form("/todo", f"stop-form-{SUMP}").fields["form_token"]
    assert petra.send(form, reason="looked at it").status_code == 403
    assert shop.agent_takes() == []


def test_an_old_selection_opens_nothing(shop: Shop, visit: Visit) -> None:
    ana = visit("supervisor")
    for action, typed in (("reset", {"reason": "looked at it"}), ("select", {})):
        press(ana, action, **typed)
        shop.agent_takes()
    old = ana.form("/todo", f"operate-form-{SUMP}")
    press(ana, "stop")
    shop.agent_takes()
    assert ana.send(old).status_code == 303
    refused = shop.agent_takes()
    assert "nothing is selected" in refused[0]["refused"] and not shop.rig.valve.on
    assert "wanted to open the valve (not taken: nothing is selected" in html.unescape(text(ana))


def test_another_mix_is_never_offered(shop: Shop, works: Works, visit: Visit) -> None:
    press(visit("supervisor"), "reset", reason="looked at it")
    shop.agent_takes()
    works.advise(plant.top_off(works, SUMP, "a1", volume_l=10.0, makeup_pct=4.0))
    works.journal.commit()
    page = visit("supervisor").page("/todo")
    assert "This asks for 4 %, the valve gives 2.5 %." in page.text
    assert f"select-form-{SUMP}" not in [form.testid for form in page.forms]


def test_a_silent_logger_s_last_word_offers_a_stop_and_no_more(shop: Shop, works: Works, visit: Visit) -> None:
    live = works.folder / "run" / "live.json"
    live.unlink()
    page = visit("maintenance").page("/todo")
    assert (
        "The logger says nothing of this valve" in page.text and "Nobody knows whether the valve is shut" in page.text
    )
    doses = [form.testid for form in page.forms if form.action.startswith("/dose/")]
    assert doses == [f"stop-form-{SUMP}", f"lock-form-{SUMP}"]


def test_more_than_a_dose_is_given_by_the_cap_and_says_what_that_leads_to(
    shop: Shop, works: Works, visit: Visit
) -> None:
    press(visit("supervisor"), "reset", reason="looked at it")
    shop.agent_takes()
    works.advise(plant.top_off(works, SUMP, "a1", volume_l=30.0))
    works.journal.commit()
    shown = text(visit("supervisor"))
    belief = works.plants[SUMP].belief(works.now_s)
    assert "Add 20 L of the usual 2.5 % mix" in shown and "One dose of the 30 L that are asked for" in shown
    assert f"Level {belief.volume_l + 20.0:.0f} L" in shown.partition("Caps")[2].partition("Select 20 L")[0]
