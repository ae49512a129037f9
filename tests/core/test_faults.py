"""Faults are told once, told anew when they have moved, and ended."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from agent.core import faults, strength, words
from agent.core.curve import Curve
from agent.core.kinds import Habits
from agent.core.spec import SumpSpec
from agent.core.sump import Sump, new_sump, take_level

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
    rng = np.random.default_rng()
    for minute in range(6 * 60):
        high = 120 <= minute < 240
        raw = 400.0 if high else 280.0 + rng.normal(0, 0.5)
        said += [f for f in take_level(sump, habits, 1e9 + 60.0 * minute, raw) if f.kind == "level_sensor"]
    assert [f.revision for f in said] == [0, 1]
    assert said[0].end is None
    assert 60 * 60 <= said[0].time - said[0].start <= 62 * 60
    assert said[1].end is not None and said[1].end <= 1e9 + 60.0 * 300
