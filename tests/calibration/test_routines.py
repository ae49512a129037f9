"""Settling, hold-up, a curve in service."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.random import Generator

from calibration.holdup import fit_hold_up
from calibration.level import fit_level, judge_last
from calibration.line import CannotFit
from calibration.pours import PAIL, Anchor, Step
from calibration.service import Addition, by_additions, by_dip_stick, by_litres
from calibration.settle import Moving, Settled, settled
from tests.calibration.truth import assert_covers, filling

CURVE = [[0.0, 0.0], [120.5, 118.0], [310.0, 340.0], [380.0, 421.0]]  # Mill 2


def after_a_pour(
    rng: Generator, noise: float, tau_s: float, seconds: int, to: float = 140.0
) -> list[tuple[float, float]]:
    """A level that swings into place: 100 before second 0, then towards `to`, waves dying out as fast."""
    t = np.arange(-30, seconds, 1.0)
    wave = np.where(t < 0, 0.0, 6.0 * np.exp(-t / tau_s) * np.cos(t))
    level = np.where(t < 0, 100.0, to - (to - 100.0) * np.exp(-np.maximum(t, 0.0) / tau_s))
    return list(zip(t, level + wave + noise * rng.standard_normal(len(t)), strict=True))


def test_it_waits_until_the_level_has_settled_and_then_says_where(rng: Generator) -> None:
    rows = after_a_pour(rng, 0.3, 15.0, 300)
    told = [settled(rows[: 30 + n], 0.0) for n in range(1, 300, 5)]
    first = next(i for i, one in enumerate(told) if isinstance(one, Settled))
    assert all(isinstance(one, Moving) for one in told[:first])
    found = told[first]
    assert isinstance(found, Settled)
    assert found.end > 60.0
    assert found.raw == pytest.approx(140.0, abs=0.6)
    assert 0.2 < found.spread < 0.5 and found.se < 0.3


def test_a_pour_before_a_reading_left_out_counts_for_the_step_after_it() -> None:
    steps = [Step(20.0 if i else 0.0, 25.0 * i, 0.3) for i in range(11)]
    assert judge_last(steps, Anchor(), PAIL) is None
    stuck = replace(steps[9], raw=steps[8].raw, left_out="float stuck")
    assert judge_last([*steps[:9], stuck, steps[10]], Anchor(), PAIL) is None
    said = judge_last([*steps[:9], stuck, replace(steps[10], raw=225.0)], Anchor(), PAIL)
    assert said is not None and said.startswith("40 L are")


def test_readings_from_before_the_pour_do_not_count() -> None:
    still = [(float(t), 100.0 + 0.1 * (t % 3)) for t in range(200)]
    assert isinstance(settled(still, 120.0), Settled)
    assert settled(still, 190.0) == Moving("9 s of 60 s read", 9.0)
    assert settled(still, 250.0) == Moving("waiting for readings", 0.0)


def test_a_slow_creep_is_not_rest_and_a_drop_does_not_move_the_mean(rng: Generator) -> None:
    creep = [(float(t), 100.0 + 0.05 * t + 0.2 * rng.standard_normal()) for t in range(120)]
    assert isinstance(settled(creep, 0.0), Moving)
    quiet = [(float(t), 100.0 + 0.2 * rng.standard_normal() + (40.0 if t == 100 else 0.0)) for t in range(120)]
    found = settled(quiet, 0.0)
    assert isinstance(found, Settled) and found.raw == pytest.approx(100.0, abs=0.2)


def test_a_sensor_of_coarse_digits_has_the_error_of_its_digit() -> None:
    found = settled([(float(t), 100.0) for t in range(100)], 0.0)
    assert isinstance(found, Settled) and found.raw == 100.0
    flips = settled([(float(t), 100.0 + (t % 7 == 0)) for t in range(100)], 0.0)
    assert isinstance(flips, Settled) and 0.02 < flips.se < 0.5


# ── hold-up ───────────────────────────────────────────────────────────────────────────────────────────────────


def watched(rng: Generator, held: float, back_s: float, out_s: float, noise: float = 0.4) -> list[tuple[float, float]]:
    """Mill 2 over 20 min stop and 20 min start, a reading in 5 s: running at 280 L until 0, started at 1200 s."""
    t = np.arange(-120.0, 2400.0, 5.0)
    came = held * (1.0 - np.exp(-np.clip(t, 0.0, 1200.0) / back_s))
    y = 280.0 + came * np.exp(-np.maximum(t - 1200.0, 0.0) / out_s)
    return list(zip(t, y + noise * rng.standard_normal(len(t)), strict=True))


def test_a_stop_and_a_start_teach_the_litres_and_both_constants(rng: Generator, draws: int) -> None:
    hits = np.zeros(3, int)
    n = draws // 2
    for _ in range(n):
        truth = rng.uniform(10.0, 60.0), rng.uniform(30.0, 300.0), rng.uniform(15.0, 200.0)
        found = fit_hold_up(watched(rng, *truth), 0.0, 1200.0)
        for i, (value, true) in enumerate(zip((found.held_l, found.back_s, found.out_s), truth, strict=True)):
            hits[i] += value.low <= true <= value.high
    for count in hits:
        assert_covers(int(count), n, 0.84, 0.97)


def test_what_cannot_be_learned_is_said(rng: Generator) -> None:
    with pytest.raises(CannotFit, match="told from noise"):
        fit_hold_up(watched(rng, 0.02, 60.0, 60.0), 0.0, 1200.0)
    with pytest.raises(CannotFit, match="readings before the stop"):
        fit_hold_up(watched(rng, 30.0, 60.0, 60.0), -1000.0, 1200.0)
    slow = fit_hold_up(watched(rng, 40.0, 900.0, 60.0), 0.0, 1200.0)
    assert "too briefly" in slow.text


def test_a_machine_that_drains_by_another_law_is_said_to(rng: Generator) -> None:
    t = np.arange(-120.0, 2400.0, 2.0)
    steady = 30.0 * np.clip(np.clip(t, 0.0, 1200.0) / 500.0, 0.0, 1.0) * (t < 1200.0)  # trays, at one rate
    rows = list(zip(t, 280.0 + steady + 0.2 * rng.standard_normal(len(t)), strict=True))
    assert "first-order" in fit_hold_up(rows, 0.0, 1200.0).text


# ── in service ────────────────────────────────────────────────────────────────────────────────────────────────


def test_a_dip_stick_that_agrees_changes_nothing() -> None:
    change = by_dip_stick(CURVE, 250.0, 0.2, 249.0, 1.0)
    assert not change.propose
    assert change.points == CURVE


def test_a_zero_that_moved_moves_the_whole_curve() -> None:
    change = by_dip_stick(CURVE, 256.0, 0.2, 250.0, 1.0)
    assert change.propose and change.off.value == 6.0
    assert change.points == [[6.0, 0.0], [126.5, 118.0], [316.0, 340.0], [386.0, 421.0]]
    assert "+7.0 L" in change.text
    litres = by_litres(CURVE, 256.0, 0.2, 118.0 + 222.0 * (250.0 - 120.5) / 189.5, 1.0)
    assert litres.points[1][0] == pytest.approx(126.5, abs=0.01)
    for raw, dip in ((500.0, 250.0), (250.0, -10.0)):
        with pytest.raises(CannotFit, match="outside"):
            by_dip_stick(CURVE, raw, 0.2, dip, 1.0)


def additions(rng: Generator, litres_at: object, ends: tuple[float, float], n: int, factor: float) -> list[Addition]:
    """Metered top-offs of a quarter of the curve each, anywhere on it."""
    found = []
    for i in range(n):
        width = (ends[1] - ends[0]) / 4.0
        low = rng.uniform(ends[0], ends[1] - width)
        high = low + width
        real = litres_at(high) - litres_at(low)  # type: ignore[operator]
        seen = low + rng.normal(0.0, 0.3), high + rng.normal(0.0, 0.3)
        found.append(Addition(i * 1e5, seen[0], seen[1], 0.3, real * factor + rng.normal(0.0, 0.3), 0.3))
    return found


def test_metered_additions_narrow_a_curve_and_it_still_holds(rng: Generator, draws: int) -> None:
    hits, narrower, n = 0, 0, draws // 3
    for _ in range(n):
        made = filling(rng, PAIL)
        before = fit_level(made.steps, Anchor(), PAIL)
        rows = additions(rng, made.litres_at, (before.raw_low, before.raw_high), 15, 1.0 + rng.normal(0.0, 0.003))
        after = by_additions(before.file_points(), rows, before.points, 0.003).curve
        raw = rng.uniform(before.raw_low, before.raw_high)
        found = after.litres_at(raw)
        narrower += found.sd < before.litres_at(raw).sd
        hits += found.low <= made.litres_at(raw) <= found.high
    assert_covers(hits, n, 0.86, 0.96)
    assert narrower > 0.8 * n


def test_a_curve_typed_too_small_is_found_out_and_bent(rng: Generator) -> None:
    def real(raw: float) -> float:
        return 1.06 * float(np.interp(raw, [p[0] for p in CURVE], [p[1] for p in CURVE]))

    learned = by_additions(CURVE, additions(rng, real, (20.0, 370.0), 12, 1.0), None, 0.003)
    assert learned.change.propose
    assert learned.change.off.high < 0.0  # the old curve reads too little
    assert abs(learned.new_off_l.mean()) < 0.5 * abs(learned.old_off_l.mean())
    right = by_additions(CURVE, additions(rng, lambda x: real(x) / 1.06, (20.0, 370.0), 12, 1.0), None, 0.01)
    assert np.abs(right.new_off_l).mean() < 2.0


def test_few_or_tiny_additions_say_nothing(rng: Generator) -> None:
    with pytest.raises(CannotFit, match="5 or more"):
        by_additions(CURVE, additions(rng, lambda x: x, (20.0, 370.0), 3, 1.0), None, 0.01)
    tiny = [Addition(0.0, 200.0, 200.5, 0.3, 1.0, 0.1)] * 9
    with pytest.raises(CannotFit, match="0 metered additions"):
        by_additions(CURVE, tiny, None, 0.01)
