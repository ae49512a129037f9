"""The plain case written out for speed does what the general one does; ripple and warmth tell a running pump."""

from __future__ import annotations

from copy import deepcopy
from math import exp

import numpy as np
import pytest

from agent.core import intake, learn, tracker
from agent.core.curve import Curve
from agent.core.intake import take_level
from agent.core.kinds import Habits
from agent.core.level import Branch, Poured
from agent.core.spec import SumpSpec
from agent.core.steady import Ripple
from agent.core.sump import new_sump
from agent.core.tracker import Tracker
from agent.core.warmth import FEWEST, Warmth
from tests.replay.small import seed_here

FULL_L = 300.0
SPEC = SumpSpec(
    "mill-1", "Mill 1", FULL_L, 220.0, 315.0, 7.0, 6.0, 8.4, 1.5, 2.5, 1.0, 14.0, Curve((0.0, 400.0), (0.0, 400.0))
)


@pytest.fixture
def rng(request: pytest.FixtureRequest) -> np.random.Generator:
    seed = seed_here()
    print(f"seed {seed}")
    return np.random.default_rng(seed)


def days(rng: np.random.Generator, minutes: int) -> tuple[np.ndarray, np.ndarray]:
    """Litres seen, one a minute, and the pump's state: two shifts, 25 L held up, a loss, a pour a day."""
    minute = np.arange(minutes)
    runs = (minute % 1440 > 360) & (minute % 1440 < 1320)
    volume, held, seen = 250.0, 0.0, np.zeros(minutes)
    for k in minute.tolist():
        volume -= 0.012 if runs[k] else 0.001
        volume += 1.5 if k % 1440 in range(700, 708) else 0.0
        held += ((25.0 if runs[k] else 0.0) - held) * (1.0 - exp(-1.0 / 2.5))
        seen[k] = volume - held
    return seen + rng.normal(0.0, np.where(runs, 0.9, 0.5)), runs


def test_the_plain_case_is_the_general_one(rng, monkeypatch):
    """Reading by reading: the same tracker, once by the plain way and once by the general one."""
    seen, runs = days(rng, 2 * 1440)
    quick, taken, compared = tracker.steady, [], 0
    monkeypatch.setattr(tracker, "steady", lambda *args: taken.append(quick(*args)) or taken[-1])
    t = Tracker(FULL_L)
    for k, y in enumerate(seen.tolist()):
        if k == 0 or runs[k] != runs[k - 1]:
            t.running(60.0 * k, bool(runs[k]))
        twin = deepcopy(t) if k % 4 == 0 else None
        taken.append(False)
        t.reading(60.0 * k, y)
        if twin is not None and taken[-1]:
            with monkeypatch.context() as general:
                general.setattr(tracker, "steady", lambda *args: False)
                twin.reading(60.0 * k, y)
            (a,), (b,) = t.branches, twin.branches
            assert (a.V, a.H, a.G, a.u1) == pytest.approx((b.V, b.H, b.G, b.u1), abs=1e-3)
            assert (a.pvv, a.phh, a.pgg, a.pvh) == pytest.approx((b.pvv, b.phh, b.pgg, b.pvh), rel=1e-3, abs=1e-6)
            assert (a.up, a.down, a.quiet_up) == pytest.approx((b.up, b.down, b.quiet_up), abs=1e-3)
            assert (t.spread, t.time, t.last_y) == pytest.approx((twin.spread, twin.time, twin.last_y))
            compared += 1
    assert compared > 40


def test_an_intake_that_tries_the_plain_case_first_takes_the_same(rng, monkeypatch):
    """A whole sump, level by level: with the short way for plain minutes, and without it."""
    seen, runs = days(rng, 1200)
    short, habits = new_sump(SPEC), (Habits(), Habits())
    whole = deepcopy(short)
    for k, y in enumerate(seen.tolist()):
        for sump in (short, whole):
            if k == 0 or runs[k] != runs[k - 1]:
                sump.tracker.running(60.0 * k, bool(runs[k]))
        said = take_level(short, habits[0], 60.0 * k, y)
        with monkeypatch.context() as general:
            general.setattr(intake, "steady", lambda *args: False)
            again = take_level(whole, habits[1], 60.0 * k, y)
        whole.tracker.ripple = deepcopy(short.tracker.ripple)  # learned in plain minutes alone
        assert [(o.id, o.time, o.kind, o.text) for o in said] == [(o.id, o.time, o.kind, o.text) for o in again]
        assert (short.flags, short.latest) == (whole.flags, whole.latest)
        assert (short.running_min, short.idle_min) == pytest.approx((whole.running_min, whole.idle_min))
    assert short.running_min > 60.0
    assert pytest.approx(whole.tracker.best().V) == short.tracker.best().V


def test_the_ripple_tells_a_pump_that_holds_up_what_was_poured(rng):
    """The hardest case: as much is poured at once as a stop of the pump brings back."""
    right = {True: 0, False: 0}
    for poured in (True, False) * 10:
        t = Tracker(FULL_L)
        for sd, run in ((0.5, False), (1.1, True)):
            for y in np.diff(rng.normal(0.0, sd, 2000), 2).tolist():
                t.ripple.learn(run, y)
        b = Branch(200.0, 0.2, t.rates, run=True)
        b.H, b.phh, b.pvh, b.pvv = 25.0, 0.5, 0.5, 0.7
        b.V, b.G, b.pgg, b.pvg = 225.0, 0.0, 0.0, 0.0
        t.branches, t.seen, t.last_y, t.spread = [b], 3, 200.0, 0.9
        b.keep_calm(0.0)
        for k in range(1, 160):
            back = 25.0 * (1.0 - exp(-max(0, k - 40) / 2.0))
            sd = 1.1 if poured or k < 40 else 0.5
            t.reading(60.0 * k, 200.0 + back + float(rng.normal(0.0, sd)))
        right[poured] += t.best().run == poured
    assert right[True] >= 6
    assert right[False] >= 8


def test_a_spike_and_equal_ripples_say_nothing(rng):
    ripple = Ripple()
    for _ in range(2000):
        second = float(rng.normal(0.0, 1.0))
        ripple.learn(False, second)
        ripple.learn(True, second)
    assert ripple.log_odds(0.1) == 0.0
    for _ in range(4000):
        ripple.learn(True, float(rng.normal(0.0, 2.0)))
    assert ripple.log_odds(0.1) < 0.0 < ripple.log_odds(4.0)
    assert abs(ripple.log_odds(150.0)) < 0.5


def test_a_pump_that_seems_calmer_than_a_still_tank_is_not_believed(rng):
    ripple = Ripple()
    for _ in range(2000):
        ripple.learn(False, float(rng.normal(0.0, 2.0)))
        ripple.learn(True, float(rng.normal(0.0, 1.0)))
    assert ripple.log_odds(0.1) == 0.0 == ripple.log_odds(4.0)


def test_the_temperature_tells_whether_the_pump_runs(rng):
    t = Tracker(FULL_L)
    t.reading(0.0, 200.0), t.reading(60.0, 200.0), t.reading(120.0, 200.0)
    (only,) = t.branches[:1]
    t.branches = [only]
    only.toggled = -1e9
    temp, when = 22.0, 200.0
    for k in range(40 * FEWEST // 10):
        only.run = k % 24 < 12
        temp += ((33.0 if only.run else 22.0) - temp) * 0.08
        when += 300.0
        learn.warm(t, when, temp + float(rng.normal(0.0, 0.1)))
    assert min(line.n for line in t.warmth.lines) > FEWEST
    cooling = t.warmth.log_odds(30.0, (22.0 - 30.0) * 0.08 / 5.0)
    warming = t.warmth.log_odds(26.0, (33.0 - 26.0) * 0.08 / 5.0)
    assert cooling < -0.5 and warming > 0.5


def test_two_samples_far_apart_are_not_compared():
    warmth = Warmth()
    assert warmth.change(0.0, 20.0) is None
    assert warmth.change(300.0, 21.0) == (0.0, 20.0, pytest.approx(0.2))
    assert warmth.change(300.0 + 3600.0, 25.0) is None


def test_a_stop_soon_after_a_start_is_seen_though_nobody_counted_likelihoods_in_between(rng):
    """Once a branch is alone its weight starts anew; what split off earlier must not carry the old one along."""
    t = Tracker(FULL_L)
    b = Branch(225.0, 0.2, t.rates, run=True)
    b.V, b.H, b.G, b.pvv, b.phh, b.pvh, b.pgg, b.pvg = 250.0, 25.0, 0.0, 0.7, 0.5, 0.5, 0.0, 0.0
    b.toggled, b.lag, b.logw = -960.0, 16.0, -60.0  # as the readings since the start have left it
    t.branches, t.seen, t.last_y, t.spread = [b], 3, 225.0, 0.6
    t.recent.extend((60.0 * k, 225.0) for k in (-3, -2, -1))
    b.keep_calm(0.0)
    for k in range(7):
        back = 25.0 * (1.0 - exp(-max(0, k - 3) / 2.0))
        t.reading(60.0 * k, 225.0 + back + float(rng.normal(0.0, 0.4)))
    best = t.best()
    assert not best.run and not best.start
    assert pytest.approx(250.0, abs=4.0) == best.V


def test_a_stop_told_as_a_pour_is_taken_back_when_the_pump_starts_again(rng):
    t = Tracker(FULL_L)
    b = Branch(225.0, 0.2, t.rates, run=True)
    b.V, b.H, b.G, b.pvv, b.phh, b.pvh, b.pgg, b.pvg = 250.0, 25.0, 0.0, 0.7, 0.5, 0.5, 0.0, 0.0
    b.toggled = -80000.0
    t.branches, t.seen, t.last_y, t.spread = [b], 3, 225.0, 0.6
    b.keep_calm(0.0)
    wrong = Poured(-40000.0, -39800.0, 25.4, 1.0)
    t.told.append(wrong)
    news = []
    for k in range(1, 120):
        fall = 25.0 * (1.0 - exp(-max(0, k - 30) / 2.5))
        t.reading(60.0 * k, 225.0 - fall + float(rng.normal(0.0, 0.6)))
        news += t.settled(60.0 * k)
    assert [(p.start, p.volume_l) for p in news] == [(wrong.start, 0.0)]
    best = t.best()
    assert best.run
    assert pytest.approx(225.0, abs=3.0) == best.V


def test_a_pour_that_was_never_told_is_taken_back_in_silence():
    sump = new_sump(SPEC)
    habits = Habits()
    for k in range(20):
        assert take_level(sump, habits, 60.0 * k, 250.0 + 0.1 * (k % 3)) == []
    for b in sump.tracker.branches:
        b.poured += (Poured(100.0, 160.0, 0.0, 1.0),)
    sump.tracker.told.append(Poured(100.0, 160.0, 25.0, 1.0))
    assert take_level(sump, habits, 1300.0, 250.0) == []
    assert sump.said_ids == {} and not sump.additions
    assert sump.tracker.told[-1].volume_l == 0.0
