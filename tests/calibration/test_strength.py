"""Strength: factors from dilutions and titrations, temperature, zero, the inline probe, the proportioner, the meter."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.random import Generator

from calibration import strength
from calibration.due import CANNOT_TELL, DUE, NOT_DUE, WEEK_S, Check, due
from calibration.line import CannotFit, fit_line
from calibration.makeup import flow_meter, proportioner
from calibration.probe import Pair, drift, fit_probe
from tests.calibration.truth import assert_covers

# By hand: concentrate and water from a 10 mL and a 250 mL cylinder, each mix read once on the bench refractometer.
CONCENTRATE_ML, WATER_ML = (4.0, 8.0, 12.0, 16.0, 20.0, 26.0), (196.0, 192.0, 188.0, 184.0, 180.0, 174.0)
BRIX = (1.4, 2.6, 4.1, 5.3, 6.7, 8.6)


def test_a_dilution_series_read_by_hand_gives_the_factor_with_its_interval() -> None:
    found = strength.factor(strength.by_volume(CONCENTRATE_ML, WATER_ML, 0.3), BRIX)
    assert found.factor.value == pytest.approx(1.50, abs=0.03)
    assert found.factor.low < 1.50 < found.factor.high
    assert 0.01 < found.factor.sd < 0.06
    assert found.intercept_brix is not None
    assert found.remarks == ()


def test_the_factor_s_interval_holds_it_nine_times_in_ten(rng: Generator, draws: int) -> None:
    hits = 0
    for _ in range(draws):
        real, n = rng.uniform(0.9, 3.5), int(rng.integers(4, 9))
        said, water = np.linspace(4.0, 26.0, n), 200.0 - np.linspace(4.0, 26.0, n)
        poured = said + rng.normal(0.0, 0.3, n), water + rng.normal(0.0, 0.3, n)
        pct = 100.0 * poured[0] / (poured[0] + poured[1])
        brix = pct / real + rng.normal(0.0, 0.15, n)
        found = strength.factor(strength.by_volume(said, water, 0.3), brix).factor
        hits += found.low <= real <= found.high
    assert_covers(hits, draws, 0.87, 0.96)


def test_so_it_does_for_one_sample_thinned_step_by_step_whose_errors_add_up(rng: Generator, draws: int) -> None:
    hits = 0
    for _ in range(draws):
        real, said = rng.uniform(0.9, 3.5), np.array([100.0, 60.0, 80.0, 120.0, 200.0])
        concentrate, water = 20.0 + rng.normal(0.0, 0.5), said + rng.normal(0.0, 0.5, 5)
        pct = 100.0 * concentrate / (concentrate + np.cumsum(water))
        brix = pct / real + rng.normal(0.0, 0.1, 5)
        found = strength.factor(strength.by_dilution(20.0, said, 0.5), brix, 0.1).factor
        hits += found.low <= real <= found.high
    assert_covers(hits, draws, 0.87, 0.96)


def test_so_it_does_for_weighed_mixes_of_a_density_known_roughly_and_a_zero_read_on_water(
    rng: Generator, draws: int
) -> None:
    hits = 0
    for _ in range(draws):
        real, density, zero = rng.uniform(0.9, 3.5), rng.normal(0.95, 0.01), rng.normal(0.0, 0.3)
        c, w = np.linspace(5.0, 25.0, 6), np.full(6, 200.0)
        volume_c, volume_w = c / density, (w + rng.normal(0.0, 0.1, 6)) / strength.WATER_DENSITY
        brix = 100.0 * volume_c / (volume_c + volume_w) / real + zero + rng.normal(0.0, 0.15, 6)
        water_read = zero + rng.normal(0.0, 0.15, 3)
        checked = strength.zero_check(water_read, 0.15)
        mixes = strength.by_weight(c, w, 0.1, 0.95, 0.01)
        found = strength.factor(mixes, brix, 0.15, (checked.value, checked.sd)).factor
        hits += found.low <= real <= found.high
    assert_covers(hits, draws, 0.87, 0.96)


def test_titrations_give_a_factor_too(rng: Generator, draws: int) -> None:
    hits, n = 0, draws
    for _ in range(n):
        real, pct = rng.uniform(0.9, 3.0), rng.uniform(4.0, 10.0, 8)
        brix = pct / real + rng.normal(0.0, 0.15, 8)
        found = strength.factor(strength.by_titration(pct + rng.normal(0.0, 0.3, 8), 0.3), brix).factor
        hits += found.low <= real <= found.high
    assert_covers(hits, n, 0.87, 0.96)


def test_a_prism_that_was_not_zeroed_is_told_by_the_line_itself() -> None:
    mixes = strength.by_volume(CONCENTRATE_ML, WATER_ML, 0.3)
    found = strength.factor(mixes, [b + 0.8 for b in BRIX])
    assert any("water" in remark for remark in found.remarks)
    assert strength.factor(mixes, [b + 0.8 for b in BRIX], zero=(0.8, 0.09)).factor.value == pytest.approx(
        1.5, abs=0.06
    )


def test_one_mix_swapped_is_named() -> None:
    wrong = [*BRIX[:2], 6.4, *BRIX[3:]]
    found = strength.factor(strength.by_volume(CONCENTRATE_ML, WATER_ML, 0.3), wrong)
    assert any("reading 3" in remark for remark in found.remarks)
    assert found.fit.scale > 1.5  # and the interval is as wide as the scatter


@pytest.mark.parametrize(
    ("make", "why"),
    [
        (lambda: strength.factor(strength.by_titration([5.0, 6.0]), [3.0, 4.0]), "3 mixes or more"),
        (lambda: strength.factor(strength.by_titration([9.0, 5.0, 1.0]), [-1.0, -2.0, -3.0]), "read lower"),
        (lambda: strength.by_volume([0.0], [100.0], 0.3), "above 0"),
        (lambda: strength.by_weight([5.0], [100.0], 0.1, 9.5), "density"),
        (lambda: strength.water_brix_at(70.0), "outside"),
        (lambda: strength.zero_check([]), "once"),
    ],
)
def test_what_cannot_be_is_refused_in_words(make: object, why: str) -> None:
    with pytest.raises(CannotFit, match=why):
        make()  # type: ignore[operator]


@pytest.mark.parametrize(("celsius", "brix"), [(10.0, 0.48), (20.0, 0.0), (25.0, -0.34), (30.0, -0.72), (40.0, -1.64)])
def test_a_warm_sample_reads_low_by_water_s_index(celsius: float, brix: float) -> None:
    found, sd = strength.water_brix_at(celsius)
    assert found == pytest.approx(brix, abs=0.04)
    assert strength.at_20_c(5.0 + brix, celsius)[0] == pytest.approx(5.0, abs=0.04)
    assert sd <= 0.25
    assert strength.at_20_c(4.8, 40.0, compensated=True)[0] == pytest.approx(5.0)


def test_errors_in_both_are_not_flattened_towards_zero(rng: Generator) -> None:
    """Plain weighted least squares would give 0.8 of the slope here."""
    n = 400
    x = rng.normal(0.0, 1.0, n)
    y = 2.0 * x + rng.normal(0.0, 0.5, n)
    seen = (x + rng.normal(0.0, 0.5, n))[:, None]
    fit = fit_line(y, seen, 0.25 * np.eye(n), 0.25 * np.eye(n))
    flat = float(seen[:, 0] @ y / (seen[:, 0] @ seen[:, 0]))
    assert flat < 1.85
    assert fit.coefficients[0].value == pytest.approx(2.0, abs=0.3)


# ── the inline probe ──────────────────────────────────────────────────────────────────────────────────────────


def pairs(rng: Generator, n: int, offset: float, slope: float, per_k: float, per_week: float = 0.0) -> list[Pair]:
    found = []
    for i in range(n):
        true, celsius = rng.uniform(3.0, 7.0), rng.uniform(15.0, 38.0)
        inline = offset + slope * true + per_k * (celsius - 20.0) + per_week * i + rng.normal(0.0, 0.1)
        found.append(Pair(i * WEEK_S, inline, true + rng.normal(0.0, 0.15), celsius))
    return found


def test_offset_slope_and_temperature_of_a_probe_are_held_nine_times_in_ten(rng: Generator, draws: int) -> None:
    hits, told = {"offset": 0, "slope": 0, "per_k": 0}, 0
    for _ in range(draws):
        truth = {"offset": rng.normal(0.0, 0.3), "slope": rng.uniform(0.8, 1.2), "per_k": rng.normal(0.0, 0.03)}
        fit = fit_probe(pairs(rng, 16, **truth))
        if fit.slope is None or fit.per_k is None:
            continue  # the samples happened to be too alike to tell
        told += 1
        for name, value in truth.items():
            found = getattr(fit, name)
            hits[name] += found.low <= value <= found.high
    assert told > 0.95 * draws
    for count in hits.values():
        assert_covers(count, told, 0.86, 0.96)


def test_where_the_strength_never_changed_no_slope_is_made_up() -> None:
    fit = fit_probe([Pair(i * WEEK_S, 4.9 + 0.05 * (-1) ** i, 4.6 + 0.05 * (i % 3), 21.0) for i in range(6)])
    assert fit.slope is None and fit.per_k is None
    assert fit.offset.value == pytest.approx(0.25, abs=0.05)
    assert fit.as_hand(4.9) == pytest.approx(4.65, abs=0.05)
    with pytest.raises(CannotFit, match="4 or more"):
        fit_probe([Pair(0.0, 5.0, 5.0)])


def test_a_probe_put_right_in_the_site_file_reads_as_a_hand_would(rng: Generator) -> None:
    """Whatever scale and offset the sensor had: 5 Brix by hand at 20 °C is 5 Brix by the probe after it."""
    fit = fit_probe(pairs(rng, 60, 0.4, 0.9, 0.02))
    register, had = 490.0, (0.01, 0.0)
    assert register * had[0] + had[1] == pytest.approx(0.4 + 0.9 * 5.0)
    scale, offset = had[0] / fit.slope_or_1, fit.as_hand(had[1])
    assert register * scale + offset == pytest.approx(5.0, abs=0.2)


def test_a_film_on_the_window_makes_it_due_by_drift_and_not_before(rng: Generator) -> None:
    clean, filmed = pairs(rng, 12, 0.0, 1.0, 0.0), pairs(rng, 12, 0.0, 1.0, 0.0, 0.15)
    now = 11 * WEEK_S
    assert due(drift(clean), 1.0, now, "Brix").state == NOT_DUE
    told = due(drift(filmed), 0.4, now, "Brix")
    assert told.state == DUE and "calibrate again" in told.text
    assert told.rate_per_week is not None and told.rate_per_week.value == pytest.approx(0.15, abs=0.09)
    early = due(drift(filmed)[:6], 2.0, 5 * WEEK_S, "Brix")
    assert early.state == NOT_DUE
    assert early.weeks_left is None or 4.0 < early.weeks_left < 30.0


def test_two_years_without_drift_are_not_due_and_one_check_is_not_enough() -> None:
    old = [Check(i * 13 * WEEK_S, 0.05 * (-1) ** i, 0.1) for i in range(8)]
    assert due(old, 0.5, 104 * WEEK_S).state == NOT_DUE
    assert due([], 0.5, 0.0).state == CANNOT_TELL
    assert due([Check(0.0, 0.45, 0.2)], 0.5, WEEK_S).state == CANNOT_TELL
    assert due([Check(0.0, 0.9, 0.1)], 0.5, WEEK_S).state == DUE


# ── makeup ────────────────────────────────────────────────────────────────────────────────────────────────────


def test_the_proportioner_s_ratio_is_held_nine_times_in_ten(rng: Generator, draws: int) -> None:
    hits = 0
    for _ in range(draws):
        real, factor, sd = 2.5 * rng.uniform(0.7, 1.4), 1.5, 0.03
        true_factor, zero = factor + rng.normal(0.0, sd), rng.normal(0.0, 0.05)
        brix = real / true_factor + zero + rng.normal(0.0, 0.12, 5)
        found = proportioner(brix, 2.5, factor, sd, (0.0, 0.05), 0.12).ratio
        hits += found.low <= real / 2.5 <= found.high
    assert_covers(hits, draws, 0.87, 0.97)


@pytest.mark.parametrize(
    ("brix", "verdict"),
    [
        ((1.66, 1.68, 1.67, 1.66), "right"),
        ((2.4, 2.5, 2.4), "rich"),
        ((1.0, 1.1, 1.0), "lean"),
        ((1.8,), "cannot_tell"),
    ],
)
def test_a_proportioner_is_judged_only_by_what_the_readings_can_tell(brix: tuple[float, ...], verdict: str) -> None:
    assert proportioner(brix, 2.5, 1.5, brix_sd=0.03 if verdict == "right" else 0.1).verdict == verdict


def test_a_flow_meter_s_factor_is_held_nine_times_in_ten(rng: Generator, draws: int) -> None:
    hits = 0
    for _ in range(draws):
        real, litres = rng.uniform(0.93, 1.07), np.array([10.0, 10.0, 20.0, 20.0])
        metered = np.round((litres / real) / 0.1) * 0.1
        seen = litres * (1.0 + rng.normal(0.0, 0.005)) + rng.normal(0.0, 0.1, 4)
        found = flow_meter(metered, seen, 0.1, 0.1, 0.005).coefficients[0]
        hits += found.low <= real <= found.high
    assert_covers(hits, draws, 0.86, 0.97)
    with pytest.raises(CannotFit, match="2 runs"):
        flow_meter([10.0], [9.8], 0.1)
