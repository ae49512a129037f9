"""Faults are told once, told anew when they have moved, and ended."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from agent.core import faults, learn, strength, words
from agent.core.curve import Curve
from agent.core.intake import take_level
from agent.core.kinds import Habits
from agent.core.level import Branch
from agent.core.spec import SumpSpec
from agent.core.sump import Sump, new_sump
from tests.replay.small import seed_here

SPEC = SumpSpec(
    "mill-1", "Mill 1", 300.0, 220.0, 315.0, 7.0, 6.0, 8.4, 1.5, 2.5, 1.0, 14.0, Curve((0.0, 400.0), (0.0, 400.0))
)  # fmt: skip


def ratio(sump: Sump, mean: float, sd: float) -> None:
    """Let the sump believe in a proportioner that gives exp(mean) times what is set."""
    mix = sump.ledger.mix
    x, P = mix.x.copy(), mix.P.copy()
    x[:, strength.R], P[:, strength.R, strength.R] = mean, sd * sd
    sump.ledger.mix = replace(mix, x=x, P=P)


def test_a_proportioner_that_is_off_is_told_once_anew_when_moved_and_ended():
    sump = new_sump(SPEC)
    ratio(sump, 0.3, 0.2)
    assert faults.watch(sump, 1e9) == []
    ratio(sump, 0.3, 0.05)
    (first,) = faults.watch(sump, 1e9 + 1)
    assert (first.kind, first.revision, first.end) == ("proportioner", 0, None)
    assert first.makeup_pct == pytest.approx(2.5 * np.exp(0.3))
    assert faults.watch(sump, 1e9 + 2) == []
    ratio(sump, 0.5, 0.05)
    (moved,) = faults.watch(sump, 1e9 + 3)
    assert (moved.id, moved.revision) == (first.id, 1)
    ratio(sump, 0.01, 0.05)
    (over,) = faults.watch(sump, 1e9 + 4)
    assert (over.id, over.revision, over.end) == (first.id, 2, 1e9 + 4)
    assert faults.watch(sump, 1e9 + 5) == []


def test_a_dismissed_fault_is_taken_back_and_not_told_again_until_it_is_over():
    sump = new_sump(SPEC)
    ratio(sump, 0.3, 0.05)
    (first,) = faults.watch(sump, 1e9)
    (gone,) = words.dismiss(sump, 1e9 + 1, first.id)
    assert gone.withdrawn and gone.revision == 1
    ratio(sump, 0.6, 0.05)
    assert faults.watch(sump, 1e9 + 2) == []
    ratio(sump, 0.0, 0.05)
    assert faults.watch(sump, 1e9 + 3) == []
    ratio(sump, 0.3, 0.05)
    (again,) = faults.watch(sump, 1e9 + 4)
    assert not again.withdrawn


def test_a_level_sensor_at_the_end_of_its_scale_is_told_after_an_hour_and_ended_when_it_sees():
    sump, habits, said = new_sump(SPEC), Habits(), []
    rng = np.random.default_rng(seed_here())
    for minute in range(6 * 60):
        high = 120 <= minute < 240
        raw = 400.0 if high else 280.0 + rng.normal(0, 0.5)
        said += [f for f in take_level(sump, habits, 1e9 + 60.0 * minute, raw) if f.kind == "level_sensor"]
    assert [f.revision for f in said] == [0, 1]
    assert said[0].end is None
    assert 60 * 60 <= said[0].time - said[0].start <= 62 * 60
    assert said[1].end is not None and said[1].end <= 1e9 + 60.0 * 300


def bias(sump: Sump, mean: float, sd: float) -> None:
    """Let the sump believe in an inline refractometer that reads so many Brix high."""
    mix = sump.ledger.mix
    x, P = mix.x.copy(), mix.P.copy()
    x[:, strength.B], P[:, strength.B, strength.B] = mean, sd * sd
    sump.ledger.mix = replace(mix, x=x, P=P)


def test_an_inline_refractometer_that_is_off_is_told_anew_when_it_drifts_on_and_ended_when_cleaned():
    sump = new_sump(SPEC)
    bias(sump, 0.9, 0.5)
    assert faults.watch(sump, 1e9) == []
    bias(sump, 0.9, 0.1)
    (first,) = faults.watch(sump, 1e9 + 1)
    assert (first.kind, first.revision) == ("strength_sensor", 0)
    assert "0.9 Brix high" in first.text
    bias(sump, 1.0, 0.1)
    assert faults.watch(sump, 1e9 + 2) == []
    bias(sump, -1.4, 0.1)
    (moved,) = faults.watch(sump, 1e9 + 3)
    assert (moved.id, moved.revision) == (first.id, 1)
    assert "1.4 Brix low" in moved.text
    bias(sump, 0.1, 0.1)
    (over,) = faults.watch(sump, 1e9 + 4)
    assert (over.id, over.revision, over.end) == (first.id, 2, 1e9 + 4)


def test_a_return_that_clogs_is_told_once_runs_hold_up_clearly_more_and_ended_when_it_is_clear():
    sump = new_sump(SPEC)
    rates = sump.tracker.rates
    rates.held_l, rates.held_sd = 31.0, 1.0
    assert faults.watch(sump, 1e9) == []  # nothing is usual yet
    sump.tracker.usual_held_l = 22.0
    (first,) = faults.watch(sump, 1e9 + 1)
    assert (first.kind, first.volume_l) == ("hold_up", pytest.approx(9.0))
    assert faults.watch(sump, 1e9 + 2) == []
    rates.held_l = 22.5
    (over,) = faults.watch(sump, 1e9 + 3)
    assert (over.id, over.end) == (first.id, 1e9 + 3)
    rates.held_l, rates.held_sd = 31.0, 5.0
    assert faults.watch(sump, 1e9 + 4) == []  # runs differ as much among themselves


def test_what_runs_usually_hold_up_is_known_after_many_and_does_not_follow_a_clogging_return():
    sump = new_sump(SPEC)
    t = sump.tracker
    branch = Branch(200.0, 0.1, t.rates, run=False)
    for n in range(80):
        branch.H, branch.G, branch.phh = (20.0 if n < 40 else 30.0), 1.0, 0.1
        learn.held(t, branch)
        if n < learn.USUAL_RUNS - 1:
            assert t.usual_held_l == 0.0
    assert 20.0 < t.usual_held_l < 23.0
    assert t.rates.held_l > 29.0
    (told,) = faults.watch(sump, 1e9)
    assert told.kind == "hold_up"
