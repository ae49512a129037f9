"""What alerts are about: every cause raises its kind alone; people decide through the inbox; a restart keeps all."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from agent.alerts import Alerts
from agent.causes import BEHIND_ROWS, CLOCK_SET_FROM, Sight, Watched, causes, chance_below
from agent.core.alarms import KINDS, Condition
from agent.core.outputs import Finding
from agent.io.inbox import Word
from agent.io.journal import Journal, JournalReader
from agent.reviews import Instruction, Row
from tests.io.test_reviews import SITE, T0

LEAK = Finding(
    "mill-1/leak1", 0, T0, "mill-1", "leak", T0, None, None, None, None, None, 0.5, 0.1, "0.5 L/h goes by night"
)  # fmt: skip
WATCHED = [Watched("mill-1", signal, "rs485", 1.0) for signal in ("level", "brix", "running")]


def belief(**more: Any) -> dict[str, Any]:
    usual = {"volume_l": 300.0, "status": "settled"}
    return {**usual, "strength_pct": 7.0, "strength_p05": 6.7, "strength_p95": 7.3, **more}


def sample(at: float = T0, flags: int = 0) -> dict[str, Any]:
    return {"time": at, "raw": 1.0, "flags": flags}


def bus(ok: bool = True, last_s: float | None = T0) -> dict[str, Any]:
    return {"ok": ok, "text": "reading" if ok else "no such port", "last_s": last_s}


def sink(connected: bool = True, rows: int = 0, text: str = "up to date") -> dict[str, Any]:
    return {"connected": connected, "behind_rows": rows, "text": text, "failed": False}


WELL = Sight(
    now=T0,
    beliefs={"mill-1": belief()},
    signals={"mill-1": {watched.signal: sample() for watched in WATCHED}},
    buses={"rs485": bus()},
    sinks={"mqtt": sink()},
    disk=(8 << 30, 16 << 30),
)


def seen(sight: Sight) -> dict[str, Condition]:
    """By kind: those of the whole site and of mill-1."""
    return {c.kind: c for c in causes(sight, SITE, WATCHED) if c.sump != "mill-2"}


def on(sight: Sight) -> set[str]:
    return {kind for kind, condition in seen(sight).items() if condition.on}


def with_belief(**more: Any) -> Sight:
    return replace(WELL, beliefs={"mill-1": belief(**more)})


def with_sample(signal: str, told: dict[str, Any] | None) -> Sight:
    signals = {**WELL.signals["mill-1"], signal: told}
    return replace(WELL, signals={"mill-1": {name: value for name, value in signals.items() if value is not None}})


def overdue(state: str, posted_h: float, due_h: float) -> Sight:
    """An instruction posted so many hours ago, due so many hours ago."""
    advice = {"time": T0 - 3600.0 * posted_h, "due_in_h": posted_h - due_h}
    one = Instruction("a1", "mill-1", "top_off", advice, state, posted_at=T0 - 3600.0 * posted_h)
    return replace(WELL, instructions=[one])


def test_when_all_is_well_nothing_is_on() -> None:
    assert on(WELL) == set()
    assert all(condition.off for condition in seen(WELL).values())


@pytest.mark.parametrize(
    ("kind", "sight"),
    [
        ("low_mark", with_belief(volume_l=239.0)),
        ("high_mark", with_belief(volume_l=361.0)),
        ("overfill", replace(WELL, filling={"mill-1": {"overfill": True}})),
        ("strength_low", with_belief(strength_pct=5.5, strength_p05=5.0, strength_p95=6.0)),
        ("strength_high", with_belief(strength_pct=8.9, strength_p05=8.5, strength_p95=9.3)),
        ("leak", replace(WELL, findings=[LEAK])),
        ("level_sensor", replace(WELL, findings=[replace(LEAK, kind="level_sensor")])),
        ("strength_sensor", replace(WELL, findings=[replace(LEAK, kind="strength_sensor")])),
        ("proportioner", replace(WELL, findings=[replace(LEAK, kind="proportioner")])),
        ("level_stale", with_sample("level", sample(T0 - 61.0))),
        ("level_stale", with_sample("level", None)),
        ("level_stuck", with_sample("level", sample(flags=2))),
        ("level_stuck", with_sample("level", sample(flags=1))),
        ("inline_off", with_sample("brix", sample(T0 - 61.0))),
        ("inline_off", with_sample("brix", sample(flags=1))),
        ("signal_stale", with_sample("running", None)),
        ("instruction_overdue", overdue("approved", 9.0, 5.0)),
        ("instruction_overdue", overdue("posted", 9.0, 5.0)),
        ("bus_silent", replace(WELL, buses={"rs485": bus(False, T0 - 11.0)})),
        ("bus_silent", replace(WELL, buses={"rs485": bus(False, None)})),
        ("sink_behind", replace(WELL, sinks={"mqtt": sink(False, 1, "connection lost")})),
        ("sink_behind", replace(WELL, sinks={"mqtt": sink(True, BEHIND_ROWS + 1)})),
        ("sink_credentials", replace(WELL, sinks={"mqtt": sink(False, 9, "credentials: not authorized")})),
        ("disk_full", replace(WELL, fault="the journal cannot be written: disk full")),
        ("clock_unset", replace(WELL, clock="it is not known whether the time is right")),
        ("disk_low", replace(WELL, disk=(100 << 20, 16 << 30))),
        ("dosing_locked", replace(WELL, locked={"mill-1": "the level did not answer"})),
    ],
)
def test_a_cause_raises_its_kind_and_no_other(kind: str, sight: Sight) -> None:
    assert on(sight) == {kind}
    assert seen(sight)[kind].text and not seen(sight)[kind].off
    assert kind in KINDS


@pytest.mark.parametrize(
    "sight",
    [
        with_belief(volume_l=241.0),  # above the mark, within its dead-band
        with_belief(volume_l=239.0, status="stale"),
        with_belief(volume_l=290.0, volume_sd=68.0),  # a guess: no reading has come yet
        with_belief(strength_pct=5.9, strength_p05=5.4, strength_p95=6.4),  # weak, but who knows
        overdue("approved", 9.0, 3.0),
        overdue("approved", 7.0, 6.0),
    ],
)
def test_what_is_neither_on_nor_off_raises_nothing(sight: Sight) -> None:
    assert on(sight) == set()
    assert any(not condition.off for condition in seen(sight).values())


def test_what_somebody_has_begun_is_not_overdue() -> None:
    assert "instruction_overdue" not in seen(overdue("begun", 90.0, 80.0))


def test_a_bus_with_one_sensor_ill_is_not_silent() -> None:
    assert on(replace(WELL, buses={"rs485": bus(False, T0 - 5.0)})) == set()


def test_a_clock_that_cannot_be_right_is_said() -> None:
    assert seen(replace(WELL, now=CLOCK_SET_FROM - 1.0))["clock_unset"].on


def test_where_time_runs_faster_a_wire_has_its_real_minute_all_the_same() -> None:
    quick = replace(with_sample("level", sample(T0 - 3599.0)), speed=60.0)
    assert on(quick) == set()
    assert on(replace(quick, signals=with_sample("level", sample(T0 - 3601.0)).signals)) == {"level_stale"}


def test_a_silent_bus_is_one_alert_and_not_one_more_for_each_sensor() -> None:
    """And those sensors are not called well either."""
    quiet = replace(WELL, signals={}, buses={"rs485": bus(False, T0 - 100.0)})
    assert on(quiet) == {"bus_silent"}
    assert not seen(quiet)["level_stale"].off


def test_a_blind_sensor_is_told_once() -> None:
    """The sample's gate says it in minutes, the core's finding an hour later."""
    blind = with_sample("level", sample(flags=1))
    assert on(replace(blind, findings=[replace(LEAK, kind="level_sensor")])) == {"level_stuck"}


def test_refused_is_not_behind() -> None:
    refused = seen(replace(WELL, sinks={"mqtt": sink(False, 9, "credentials: no")}))
    assert refused["sink_behind"].off


def test_at_its_quantiles_the_chance_is_what_they_say() -> None:
    skewed = belief(strength_pct=7.0, strength_p05=6.0, strength_p95=7.5)
    assert chance_below(skewed, 6.0) == pytest.approx(0.05, abs=1e-3)
    assert chance_below(skewed, 7.0) == pytest.approx(0.5)
    assert chance_below(skewed, 7.5) == pytest.approx(0.95, abs=1e-3)


# -- rows -------------------------------------------------------------------------------------------------------------


class Desk:
    """The alerts with a real journal behind them, and a clock in hand."""

    def __init__(self, folder: Path) -> None:
        self.path, self.now, self.steady_s = folder / "journal.sqlite", T0, 1000.0
        self.journal = Journal.open(self.path, 1)
        self.alerts = self.fresh()

    def fresh(self) -> Alerts:
        return Alerts(SITE, [], self.path.parent, lambda: self.steady_s)

    def keep(self, rows: list[Row]) -> list[dict[str, Any]]:
        for row in rows:
            self.journal.event(row.kind, row.time, row.sump, row.id, row.body)
            self.alerts.absorb(row, self.now)
        return [row.body for row in rows]

    def look(
        self, volume_l: float = 300.0, seconds: float = 0.0, fault: str | None = None, clock: str | None = None
    ) -> list[dict[str, Any]]:
        self.now += seconds
        self.steady_s += seconds
        shown = {id: {"belief": belief(volume_l=volume_l), "signals": {}, "filling": None} for id in SITE.sumps}
        shown["mill-2"]["belief"] = belief()
        live = {"sumps": shown, "agent": {"buses": {}, "sinks": {}, "fault": fault}}
        return self.keep(self.alerts.look(self.now, live, [], {}, clock=clock))

    def find(self, finding: Finding) -> None:
        self.keep([Row("finding", finding.time, finding.sump, finding.id, finding.row())])

    def say(self, role: str = "operator", **body: Any) -> dict[str, Any]:
        word = Word(1, self.now, "Ana", role, "mill-1", "alert", body, "token")
        (told,) = self.keep(self.alerts.decided(word))
        return told

    def restart(self) -> None:
        """A new process: another steady clock, and the journal alone to remember by."""
        self.steady_s = 3.0
        self.alerts = self.fresh()
        reader = JournalReader(self.path)
        alerts, findings, words = (
            [Row(row.kind, row.time, row.sump, row.id, row.data()) for row in reader.events(kind)]
            for kind in ("alert", "finding", "word")
        )
        reader.close()
        self.alerts.restore(alerts, [*findings, *words], self.now)

    @property
    def listed(self) -> list[dict[str, Any]]:
        return self.alerts.shown(self.now)["alerts"]


@pytest.fixture
def desk(tmp_path: Path) -> Any:
    opened = Desk(tmp_path)
    yield opened
    opened.journal.close()


def raise_low(desk: Desk) -> dict[str, Any]:
    desk.look(239.0)
    (row,) = desk.look(239.0, KINDS["low_mark"].on_s)
    return row


def test_a_row_is_raised_once_and_cleared_once(desk: Desk) -> None:
    row = raise_low(desk)
    assert (row["event"], row["state"], row["kind"], row["sump"]) == ("raise", "raised", "low_mark", "mill-1")
    assert "239 L" in row["text"] and "240 L" in row["text"]
    assert [desk.look(volume, 3600.0) for volume in (230.0, 241.0, 244.0)] == [[], [], []]
    desk.look(250.0)
    (row,) = desk.look(250.0, KINDS["low_mark"].off_s)
    assert (row["event"], row["state"]) == ("clear", "cleared")
    assert desk.listed == []


def test_a_finding_that_lasts_is_one_alert_whatever_its_revisions(desk: Desk) -> None:
    desk.find(LEAK)
    assert [row["event"] for row in desk.look()] == ["raise"]
    desk.find(replace(LEAK, revision=1, rate_l_per_h=0.7, text="0.7 L/h goes by night"))
    assert desk.look() == []
    desk.find(replace(LEAK, revision=2, end=T0 + 9.0, text="it has stopped"))
    assert [row["event"] for row in desk.look()] == ["over"]  # act now, and nobody had seen it
    desk.say(alert=desk.listed[0]["id"], action="acknowledge")
    assert desk.listed == []


@pytest.mark.parametrize(
    "end",
    [
        lambda desk: desk.find(replace(LEAK, revision=1, withdrawn=True)),
        lambda desk: desk.keep([Row("word", T0, "mill-1", "w", {"signal": "dismissal", "of": LEAK.id})]),
    ],
    ids=["taken back", "dismissed"],
)
def test_what_is_taken_back_or_dismissed_is_over(desk: Desk, end: Callable[[Desk], None]) -> None:
    desk.find(LEAK)
    (row,) = desk.look()
    desk.say(alert=row["id"], action="acknowledge")
    end(desk)
    assert [row["event"] for row in desk.look()] == ["clear"]


def test_people_acknowledge_and_set_aside_through_the_inbox(desk: Desk) -> None:
    id = raise_low(desk)["id"]
    told = desk.say(alert=id, action="acknowledge")
    assert (told["state"], told["by"], told["role"]) == ("acknowledged", "Ana", "operator")
    until = desk.now + 3600.0
    told = desk.say("supervisor", alert=id, action="set_aside", until=until, reason="drum comes at ten")
    assert (told["state"], told["until"], told["reason"]) == ("set_aside", until, "drum comes at ten")
    assert desk.listed[0]["until"] == until
    assert [row["event"] for row in desk.look(239.0, 3600.0)] == ["return"]


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"alert": "none", "action": "acknowledge"},
        {"alert": ["x"], "action": {"a": 1}},
        {"alert": None, "action": None, "until": "soon", "reason": 7},
        {"unreadable": "\ud800"},
    ],
)
def test_a_word_that_cannot_be_taken_is_kept_with_the_reason_and_changes_nothing(
    desk: Desk, body: dict[str, Any]
) -> None:
    before = raise_low(desk)
    assert desk.say(**body)["refused"]
    assert [alert["id"] for alert in desk.listed] == [before["id"]]
    desk.restart()
    assert [alert["state"] for alert in desk.listed] == ["raised"]


def test_a_step_that_is_not_allowed_is_kept_with_the_reason(desk: Desk) -> None:
    id = raise_low(desk)["id"]
    assert desk.say("visitor", alert=id, action="acknowledge")["refused"] == (
        "'acknowledge' is for maintenance, operator, supervisor, not for visitor"
    )
    assert desk.say(alert=id, action="set_aside", until=desk.now + 60.0)["refused"] == "a reason is needed"
    assert desk.say(alert=id, action="set_aside", until=True, reason="x")["refused"].startswith("say until when")
    assert desk.listed[0]["state"] == "raised"


def test_a_restart_keeps_what_is_open_and_raises_nothing_twice(desk: Desk) -> None:
    id = raise_low(desk)["id"]
    desk.find(LEAK)
    (leak,) = desk.look(239.0)
    desk.say(alert=id, action="set_aside", until=desk.now + 600.0, reason="later")
    before = desk.listed, desk.alerts.shown(desk.now)["alert_rate"]
    desk.restart()
    assert (desk.listed, desk.alerts.shown(desk.now)["alert_rate"]) == before
    assert desk.look(239.0, 500.0) == []
    (row,) = desk.look(239.0, 100.0)
    assert (row["id"], row["event"]) == (id, "return")
    assert leak["id"] in {alert["id"] for alert in desk.listed}


def test_an_alert_of_a_sump_that_was_taken_off_the_site_file_is_gone(desk: Desk) -> None:
    desk.find(replace(LEAK, sump="mill-9"))
    assert desk.look() == []


def test_a_clock_at_fault_is_no_full_disk(desk: Desk) -> None:
    """The live picture has one line for what is wrong; the clock's is the clock's."""
    wrong = "it is not known whether the time is right"
    for seconds in (0.0, KINDS["clock_unset"].on_s):
        rows = desk.look(seconds=seconds, fault=wrong, clock=wrong)
    assert [row["kind"] for row in rows] == ["clock_unset"]
    assert [row["kind"] for row in desk.look(fault="disk full", clock=wrong)] == ["disk_full"]


@pytest.mark.parametrize("body", [{}, {"text": "low"}, {"id": 1, "state": None}])
def test_a_row_that_another_version_wrote_stops_no_start(desk: Desk, body: dict[str, Any]) -> None:
    id = raise_low(desk)["id"]
    desk.journal.event("alert", desk.now, "mill-1", "strange", body)
    desk.restart()
    assert [alert["id"] for alert in desk.listed] == [id]
