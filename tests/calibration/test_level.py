"""The level curve: true intervals on tanks of any shape, both ways, and no word about what was not measured."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.random import Generator

from agent.core.curve import Curve
from agent.core.points import curve_faults
from calibration.level import CannotFit, LevelCurve, OutsideCurve, fit_level, judge_last, odd_points
from calibration.pours import METER, PAIL, SCALES, Anchor, PourError, Step
from calibration.shape import Shape, compare
from tests.calibration.truth import Filling, assert_covers, emptying, filling, height_mm

# By hand: a marked 20 L pail into the tank of Mill 2, read on the transmitter's own display after each pail.
HAND = [
    (0, 3.2), (20, 37.9), (20, 60.4), (20, 80.7), (20, 100.2), (20, 119.6), (20, 138.3), (20, 155.9), (20, 173.6),
    (20, 191.0), (20, 208.8), (20, 226.1), (20, 243.6),
]  # fmt: skip


def by_hand(rows: list[tuple[float, float]] = HAND) -> list[Step]:
    return [Step(float(litres), raw, 0.3) for litres, raw in rows]


def covered(made: Filling, anchor: Anchor, error: PourError, rng: Generator) -> bool:
    curve = fit_level(made.steps, anchor, error)
    raw = rng.uniform(curve.raw_low, curve.raw_high)
    found = curve.litres_at(raw)
    return found.low <= made.litres_at(raw) <= found.high


@pytest.mark.parametrize("error", [PAIL, SCALES, METER], ids=["pail", "scales", "meter"])
def test_the_interval_holds_the_truth_nine_times_in_ten_however_it_was_measured(
    rng: Generator, draws: int, error: PourError
) -> None:
    n = draws // 3
    hits = sum(covered(filling(rng, error), Anchor(), error, rng) for _ in range(n))
    assert_covers(hits, n, 0.87, 0.96)


def test_it_holds_when_the_tank_is_drained_instead(rng: Generator, draws: int) -> None:
    hits, n = 0, 2 * draws // 3
    for _ in range(n):
        made = emptying(rng, PAIL)
        hits += covered(made, Anchor(step=len(made.steps) - 1), PAIL, rng)
    assert_covers(hits, n, 0.87, 0.96)


def test_it_holds_for_a_sensor_that_looks_down(rng: Generator, draws: int) -> None:
    n = draws // 3
    hits = sum(covered(filling(rng, PAIL, down=True), Anchor(), PAIL, rng) for _ in range(n))
    assert_covers(hits, n, 0.87, 0.96)


def test_a_start_that_is_known_badly_is_a_wide_interval_that_still_holds(rng: Generator, draws: int) -> None:
    """Somebody begins with a rest in the sump that he guesses with an error of 8 L (1 sd)."""
    hits, n, widths = 0, draws // 4, []
    for _ in range(n):
        made = filling(rng, PAIL)
        first, *rest = made.steps[3:]
        guess = made.litres_at(first.raw) + float(rng.normal(0.0, 8.0))
        curve = fit_level([replace(first, poured_l=0.0), *rest], Anchor(0, guess, 8.0), PAIL)
        raw = rng.uniform(curve.raw_low, curve.raw_high)
        found = curve.litres_at(raw)
        widths.append(found.sd)
        hits += found.low <= made.litres_at(raw) <= found.high
    assert min(widths) > 7.0
    assert_covers(hits, n, 0.86, 0.96)


def test_the_curve_that_the_file_holds_is_the_curve_and_suits_the_core(rng: Generator) -> None:
    for down in (False, True):
        curve = fit_level(filling(rng, PAIL, down).steps, Anchor(), PAIL)
        points = curve.file_points()
        assert curve_faults(points) == []
        core = Curve.of(points)
        raw = np.linspace(curve.raw_low, curve.raw_high, 500)
        litres, _ = curve.at(raw)
        core_litres = np.array([core.litres_at(float(x)) for x in raw])
        assert np.abs(core_litres - np.maximum(litres, 0.0)).max() < 0.002 * np.ptp(litres)
        assert np.all(np.diff(core_litres) < 0 if down else np.diff(core_litres) > 0)


def test_nothing_is_said_beyond_the_last_pour() -> None:
    curve = fit_level(by_hand(), Anchor(), PAIL)
    for raw in (3.0, 244.0, -50.0, 1e9):
        with pytest.raises(OutsideCurve, match="pour on"):
            curve.litres_at(raw)
    assert curve.file_points()[0][0] == 3.2
    assert curve.file_points()[-1][0] == 243.6


def test_pails_poured_by_hand_give_a_curve_with_residuals_of_a_pail_s_error() -> None:
    curve = fit_level(by_hand(), Anchor(), PAIL)
    assert curve.litres_at(119.6).value == pytest.approx(100.0, abs=0.6)
    assert np.abs(curve.residuals_l).max() < 0.7
    assert 0.1 < curve.rms_loo_l() < 1.0
    assert odd_points(curve) == []
    wide = curve.litres_at(240.0)
    assert 2.0 < wide.high - wide.low < 12.0  # one per cent of one pail in common, for all twelve


def test_leaving_one_out_is_what_fitting_without_it_says() -> None:
    """Computed another way: the same curve fitted without the point, then asked there."""
    steps = [Step(0.0 if i == 0 else 25.0, 30.0 * i + 4.0 * np.sin(i), 0.3) for i in range(9)]
    error = PourError(0.5, 0.0, 0.0)
    curve = fit_level(steps, Anchor(0, 100.0, 0.2), error)
    left_out = fit_level([*steps[:4], replace(steps[4], left_out="splashed"), *steps[5:]], Anchor(0, 100.0, 0.2), error)
    whole = curve.points.litres[4] - curve.loo_l[4]
    # The pours' errors run on, so what the neighbours say of a point is theirs and the curve's: alike within those.
    assert whole == pytest.approx(left_out.litres_at(steps[4].raw).value, abs=1.0)


def test_a_pail_forgotten_is_warned_of_when_its_step_is_taken_and_in_the_fit() -> None:
    rows = [*HAND[:7], (20, 173.6), *HAND[9:]]  # two pails poured, one counted
    said = [judge_last(by_hand(rows[: i + 1]), Anchor(), PAIL) for i in range(len(rows))]
    assert said[7] is not None and "fewer" in said[7]
    assert all(one is None for i, one in enumerate(said) if i < 7), said
    assert odd_points(fit_level(by_hand(rows), Anchor(), PAIL)) != []


def test_sound_steps_are_seldom_doubted(rng: Generator) -> None:
    """A three-sigma bar: far less than one step in fifty, over tanks of any shape, is asked to be poured again."""
    steps = doubted = 0
    for _ in range(25):
        made = filling(rng, PAIL)
        for i in range(1, len(made.steps)):
            steps += 1
            doubted += judge_last(made.steps[: i + 1], Anchor(), PAIL) is not None
    print(f"{doubted} of {steps} doubted")
    assert doubted <= 0.05 * steps


@pytest.mark.parametrize(
    ("rows", "why"),
    [
        ([(0, 10.0), (20, 10.1)], "has not moved"),
        ([(0, 10.0), (20, 40.0), (20, 25.0)], "wrong way"),
    ],
)
def test_a_step_that_cannot_be_is_said_at_once(rows: list[tuple[float, float]], why: str) -> None:
    assert why in (judge_last(by_hand(rows), Anchor(), PAIL) or "")


@pytest.mark.parametrize(
    ("rows", "why"),
    [
        (HAND[:3], "4 or more"),
        ([(0, 10.0), (20, 10.1), (20, 10.2), (20, 10.1)], "hardly moved"),
        ([(0, 10.0), (20, 40.0), (20, 25.0), (20, 60.0), (20, 80.0)], "against the pours"),
        ([(0, 80.0), (-20, 60.0), (-20, 40.0), (-20, 20.0)], "more was taken out"),
    ],
)
def test_what_cannot_be_a_curve_is_refused_in_words(rows: list[tuple[float, float]], why: str) -> None:
    with pytest.raises(CannotFit, match=why):
        fit_level(by_hand(rows), Anchor(), PAIL)


def test_the_right_shape_agrees_and_a_forgotten_ledge_is_seen(rng: Generator) -> None:
    ledge = Shape(1200.0, 500.0, 30.0, 150.0, 250_000.0)
    curve = of(ledge, rng)
    assert compare(curve, ledge, 0.0).agrees
    plain = compare(curve, Shape(1200.0, 500.0, 30.0), 0.0)
    assert not plain.agrees
    assert plain.worst.off_l > 20.0
    assert "ledges" in plain.text


def of(shape: Shape, rng: Generator) -> LevelCurve:
    litres = np.linspace(0.0, 300.0, 13)
    raw = [height_mm(shape, v) + float(rng.normal(0.0, 0.1)) for v in litres]
    return fit_level([Step(0.0 if i == 0 else 25.0, r, 0.2) for i, r in enumerate(raw)], Anchor(), SCALES)


def test_the_shapes_hold_what_geometry_says() -> None:
    assert Shape(1000.0, 500.0).litres_at(200.0) == pytest.approx(100.0)
    assert Shape(1000.0, 500.0, 100.0).litres_at(100.0) == pytest.approx(25.0)  # half of a wedge's box
    assert Shape(1000.0, 500.0, 100.0).litres_at(200.0) == pytest.approx(75.0)
    assert Shape(1000.0, 500.0, 0.0, 100.0, 200_000.0).litres_at(200.0) == pytest.approx(120.0)
    with pytest.raises(CannotFit):
        Shape(0.0, 500.0)
