"""The one step: order, time, beliefs when they are due, snapshots that must earn their trust."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import numpy as np
import pytest

from agent.core import step as core
from agent.core.curve import Curve
from agent.core.gates import END_OF_SCALE, GOOD, SPIKE, UNSETTLED
from agent.core.outputs import Belief, Mark
from agent.core.spec import SiteSpec
from agent.core.step import SnapshotRefused, advance, dump, finish, flags, load, start, step
from agent.records import Record
from tests.replay.small import (
    MILL,
    SITE,
    T0,
    Days,
    Plant,
    Pour,
    Run,
    drive,
    hand,
    in_order,
    level,
    seed_here,
    simulate,
    site_of,
)
from tests.replay.small import written as lines

HOUR_S = 3600.0


@pytest.fixture(scope="module")
def lived() -> tuple[Days, list[Record]]:
    """Two days and a half of a mill, five minutes between levels, with pours, readings and an inline probe."""
    rng = np.random.default_rng(3)
    pours = [Pour(30.0, 25.0), Pour(49.0, 18.0, pct=0.0)]
    days = simulate(rng, Plant(pours=pours, volume_l=180.0), 60.0, 300.0)
    brix = [
        Record(float(t), "mill-2", "brix", round(float(p / 1.5 + rng.normal(0.0, 0.05)), 2))
        for t, p in zip(days.time[::2] + 3.0, days.pct[::2], strict=True)
    ]
    words = [hand(T0 + 20.0 * HOUR_S, 4.7), Record(T0 + 33.0 * HOUR_S, "mill-2", "addition", volume_l=25.0, pct=2.5)]
    return days, in_order(days.contact(), days.levels(), brix, words)


def times(run: Run) -> list[float]:
    return [b.time for b in run.beliefs]


# ---- beliefs when they are due


@pytest.mark.parametrize("every_s", [600.0, 3600.0, 7200.0, 86_400.0])
def test_beliefs_come_at_whole_multiples_for_every_sump_whatever_is_missing(lived, every_s):
    """Gaps of hours, one sump that says nothing at all: each multiple has a belief of each, in the site's order."""
    _, records = lived
    gappy = [r for r in records if not T0 + 20 * HOUR_S < r.time < T0 + 41.3 * HOUR_S]
    run = drive(gappy, site_of("mill-1", "mill-2"), every_s)
    first, last = gappy[0].time, gappy[-1].time
    due = list(np.arange(np.ceil(first / every_s) * every_s, last + 1e-6, every_s))
    assert times(run) == [t for t in due for _ in range(2)]
    assert [b.sump for b in run.beliefs] == ["mill-1", "mill-2"] * len(due)


def test_a_belief_is_written_when_a_later_record_has_come_and_not_before(lived):
    state, said = start(SITE), []
    for minutes in (10, 59, 60):
        state, outputs = step(state, level(T0 + 60.0 * minutes, 180.0), SITE)
        said += outputs
    assert [o for o in said if isinstance(o, Belief)] == []
    state, outputs = step(state, level(T0 + 60.0 * 60.5, 180.0), SITE)
    assert [o.time for o in outputs if isinstance(o, Belief)] == [T0 + HOUR_S]


def test_a_belief_uses_the_records_of_its_own_time(lived):
    """Equal to T counts: a reading at T is in the belief for T."""
    _, records = lived
    when = T0 + 40.0 * HOUR_S
    before = drive(records).belief(when)
    after = drive(in_order(records, [hand(when, 4.0)])).belief(when)
    assert after.strength_pct < before.strength_pct - 0.1


def test_the_last_belief_is_written_when_the_records_end(lived):
    _, records = lived
    run = drive(records)
    assert times(run)[-1] == records[-1].time // HOUR_S * HOUR_S
    assert finish(run.state, SITE) == []
    assert finish(start(SITE), SITE) == []


def test_time_that_passes_without_records_brings_beliefs_too(lived):
    _, records = lived
    run = drive(records)
    state, said = advance(run.state, records[-1].time + 5 * HOUR_S, SITE)
    hours = [o.time for o in said if isinstance(o, Belief)]
    assert hours == [times(run)[-1] + HOUR_S * k for k in range(1, len(hours) + 1)] and len(hours) in (4, 5)
    assert advance(state, records[-1].time + 5 * HOUR_S, SITE)[1] == []


def test_a_record_from_long_ago_brings_no_belief_and_moves_no_time(lived):
    _, records = lived
    run = drive(records)
    now = run.state.time
    state, said = step(run.state, level(T0 + 3.0 * HOUR_S, 20.0), SITE)
    assert said == [] and state.time == now
    assert state.sumps["mill-2"].tracker.best().V > 100.0


# ---- order


def test_the_same_records_give_the_same_bytes(lived):
    _, records = lived
    assert lines(drive(records).said) == lines(drive(list(records)).said)


def test_equal_times_keep_their_order(lived):
    """A pump's stop and a level of the same second: first told, first heard."""
    _, records = lived
    seconds = in_order(records, [Record(r.time, r.sump, "temperature", 24.0) for r in records[::7]])
    assert lines(drive(seconds).said) == lines(drive(records).said), "a temperature moves nothing"
    a, b = hand(T0 + 50 * HOUR_S, 4.2), hand(T0 + 50 * HOUR_S, 6.2)
    one, other = (drive(in_order(records, list(order))) for order in ((a, b), (b, a)))
    pcts = [[r.pct for r in run.state.sumps["mill-2"].readings][-2:] for run in (one, other)]
    assert pcts[0] == pytest.approx([6.3, 9.3]) and pcts[1] == pytest.approx([9.3, 6.3])


@pytest.mark.parametrize("late_s", [10.0, 200.0])
def test_records_a_little_out_of_order_are_survived(lived, late_s):
    days, records = lived
    seed = seed_here()
    print(f"seed {seed}")
    rng = np.random.default_rng(seed)
    keys = [r.time + float(rng.uniform(0.0, late_s)) * (rng.random() < 0.1) for r in records]
    shuffled = [r for _, r in sorted(zip(keys, records, strict=True), key=lambda kr: kr[0])]
    run = drive(shuffled)
    assert times(run) == sorted(set(times(run)))
    last = run.beliefs[-1]
    assert last.volume_l == pytest.approx(days.volume_l[-1], abs=4.0 * last.volume_sd + 1.0)


def test_one_sump_does_not_move_another(lived):
    """Beside a second sump that behaves otherwise, the first says what it says alone (their shop's habits apart)."""
    _, records = lived
    site = site_of("mill-1", "mill-2")
    other = simulate(np.random.default_rng(4), Plant(law="trays", volume_l=205.0), 60.0, 300.0)
    both = drive(in_order(records, other.contact("mill-1"), other.levels("mill-1")), site)
    alone = drive(records, site_of("mill-2"))
    assert lines(b for b in both.beliefs if b.sump == "mill-2") == lines(alone.beliefs)


def test_a_mark_is_echoed_after_what_came_before_it(lived):
    _, records = lived
    mark = Record(T0 + 10.5 * HOUR_S, signal="mark", value={"n": 7})
    said = drive([r for r in records if r.time < mark.time] + [mark]).said
    at = next(i for i, o in enumerate(said) if isinstance(o, Mark))
    assert said[at].value == {"n": 7}
    assert {o.time for o in said[:at] if isinstance(o, Belief)} == {T0 + HOUR_S * h for h in range(11)}
    assert drive([Record(signal="mark", value=None)]).said == [Mark(None)]


# ---- gates


def test_samples_are_flagged_by_what_is_wrong_with_them():
    records = [level(T0 + 60.0 * k, 150.0 + 0.3 * (k % 3)) for k in range(30)]
    state = drive(records).state
    assert flags(state, "mill-2", "level") == GOOD
    now = records[-1].time
    for value, expected in ((300.0, END_OF_SCALE), (0.0, END_OF_SCALE), (float("nan"), END_OF_SCALE), (260.0, SPIKE)):
        now += 60.0
        state, _ = step(state, msgspec.structs.replace(level(now, 1.0), value=value), SITE)
        assert flags(state, "mill-2", "level") == expected
    state, _ = step(state, level(now + 60.0, 150.2), SITE)
    assert flags(state, "mill-2", "level") == GOOD
    for brix, expected in ((0.0, END_OF_SCALE), (4.5, UNSETTLED)):
        state, _ = step(state, Record(now + 70.0, "mill-2", "brix", brix), SITE)
        assert flags(state, "mill-2", "brix") == expected, "the pump stands still"


def test_a_probe_with_a_dry_window_does_not_make_the_mix_thin(lived):
    """Zero Brix for two days while the pump runs: the end of a scale is no measurement."""
    _, records = lived
    late = [r.signal == "brix" and r.time > T0 + 24 * HOUR_S for r in records]
    dry = [msgspec.structs.replace(r, value=0.0) if is_late else r for r, is_late in zip(records, late, strict=True)]
    without = [r for r, is_late in zip(records, late, strict=True) if not is_late]
    assert lines(drive(dry).beliefs) == lines(drive(without).beliefs)


@pytest.mark.parametrize("probed", [True, False])
def test_what_a_probe_has_told_of_an_addition_is_said_without_a_hand_reading(probed):
    """Thirty litres at 9 % that nobody entered: told at first as the usual 2.5 %, then as what they were."""
    days = simulate(np.random.default_rng(3), Plant(pours=[Pour(30.0, 30.0, pct=9.0)], volume_l=180.0), 60.0, 300.0)
    rows = zip(days.time[::2] + 3.0, days.pct[::2] / 1.5, strict=True)
    brix = [Record(float(t), "mill-2", "brix", round(float(b), 2)) for t, b in rows] if probed else []
    run = drive(in_order(days.contact(), days.levels(), brix))
    said = [f for f in run.findings if f.kind == "top_off"]
    assert {f.id for f in said} == {said[0].id} and said[0].makeup_pct < 4.0
    if probed:
        later = next(f for f in said if f.makeup_pct > 7.5)
        assert later.time < T0 + 37.0 * HOUR_S and later.makeup_sd < said[0].makeup_sd
    else:
        assert len({f.makeup_pct for f in said}) == 1


# ---- snapshots


def drive_some(records: list[Record]) -> Run:
    """Records stepped, and no more: beliefs that are due wait for what comes next."""
    state, said = start(SITE), []
    for record in records:
        state, outputs = step(state, record, SITE)
        said += outputs
    return Run(state, said)


@pytest.mark.parametrize("part", range(5))
def test_a_state_kept_and_taken_up_again_says_the_same_to_the_byte(lived, part):
    """At a record drawn anew in each run."""
    _, records = lived
    at = (seed_here() % (len(records) // 5)) + part * (len(records) // 5)
    print(f"at record {at}")
    first = drive_some(records[:at])
    body = dump(first.state)
    rest = drive(records[at:], state=load(body, SITE))
    assert lines(first.said + rest.said) == lines(drive(records).said)
    unbroken = drive(records[at:], state=first.state)
    assert lines(rest.said) == lines(unbroken.said), "keeping it changed nothing"


def test_a_snapshot_must_earn_its_trust(lived, monkeypatch):
    """Another version, other sumps, other marks or curve, damage, a time to come: each refused, in words."""
    _, records = lived
    body, now = dump(drive(records[:400]).state), records[399].time
    assert load(body, SITE, now=now + 10.0).time == now
    other_curve = replace(MILL, curve=Curve((0.0, 310.0), (0.0, 300.0)))
    others = [site_of("mill-1"), site_of("mill-2", full_l=210.0)]
    for site in [*others, SiteSpec("Harrow Lane Gearworks", sumps={"mill-2": other_curve})]:
        with pytest.raises(SnapshotRefused, match="site file"):
            load(body, site)
    with pytest.raises(SnapshotRefused, match="future"):
        load(body, SITE, now=now - 3600.0)
    for at in (40, 200, len(body) - 1):
        broken = body[:at] + bytes([body[at] ^ 1]) + body[at + 1 :]
        with pytest.raises(SnapshotRefused, match="damaged"):
            load(broken, SITE)
    for cut in (b"", body[:20], body[:64], body[:-1], b"rubbish" * 100):
        with pytest.raises(SnapshotRefused):
            load(cut, SITE)
    monkeypatch.setattr(core, "VERSION", "of another day")
    with pytest.raises(SnapshotRefused, match="version"):
        load(body, SITE)


def test_a_sump_that_is_what_it_was_keeps_its_learning_when_another_changes(lived):
    """A sump is added and taken away again: the other knows what it knew."""
    _, records = lived
    state = drive(records[:400]).state
    now = records[399].time
    known = core.belief_at(state, "mill-2", now, SITE)
    body = dump(state)
    wider = load(body, replace(SITE, sumps={"mill-1": replace(MILL, id="mill-1"), **SITE.sumps}))
    assert wider.anew == ("mill-1",)
    assert core.belief_at(wider, "mill-2", now, SITE) == known
    back = load(dump(wider), SITE)
    assert (back.anew, list(back.sumps)) == ((), ["mill-2"])
    assert core.belief_at(back, "mill-2", now, SITE) == known


def test_settings_heard_before_a_snapshot_are_kept_in_it(lived):
    """The seal is of the site file, not of what was set since: a restart must not forget a new target."""
    _, records = lived
    word = Record(T0 + 10 * HOUR_S, "mill-2", "setting", 7.8, field="target_pct")
    records = in_order(records, [word])
    first = drive_some(records[:600])
    restored = load(dump(first.state), SITE)
    assert restored.sumps["mill-2"].spec.target_pct == 7.8
    assert lines(first.said + drive(records[600:], state=restored).said) == lines(drive(records).said)


def test_the_name_of_a_sump_is_no_reason_to_learn_anew(lived):
    """What learning does not hang on may change: the zone and units of the site."""
    _, records = lived
    body = dump(drive(records[:400]).state)
    assert load(body, replace(SITE, timezone="Europe/Vienna", units="us_gallon", name="Elsewhere")).time > 0.0
