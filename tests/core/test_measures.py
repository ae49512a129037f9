"""Amounts come out as people can measure them, and say the same in litres and in US gallons."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.core import remedy, strength
from agent.core.curve import Curve
from agent.core.measures import Measures, amount, buckets, in_words, jug_l, setting_for, truer_setting
from agent.core.spec import SumpSpec

LINE = Curve((0.0, 500.0), (0.0, 500.0))
MILL = SumpSpec("mill-2", "Mill 2", 340.0, 240.0, 360.0, 7.0, 6.0, 8.4, 1.5, 2.5, 1.5, 14.0, LINE)
SCALE = Measures(12.0, 0.5, (1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 7.0))


@given(st.floats(0.5, 200.0), st.floats(0.0, 20.0), st.sampled_from([8.0, 10.0, 12.0]), st.sampled_from([0.25, 0.5]))
def test_buckets_hold_what_was_asked_for_to_a_mark(volume_l: float, pct: float, bucket_l: float, mark_l: float) -> None:
    made = buckets(volume_l, pct, Measures(bucket_l, mark_l))
    total = sum(b.count * b.volume_l for b in made)
    assert abs(total - volume_l) <= 0.5 * mark_l + 1e-6
    assert 1 <= len(made) <= 2 and all(b.volume_l <= bucket_l + 1e-9 for b in made)
    for b in made:
        assert b.volume_l / mark_l == pytest.approx(round(b.volume_l / mark_l))
        assert b.concentrate_l == pytest.approx(b.volume_l * pct / 100.0, abs=max(0.005, 0.1 * b.concentrate_l + 0.026))


@pytest.mark.parametrize(
    ("volume_l", "pct"), [(0.0, 2.0), (-1.0, 2.0), (float("nan"), 2.0), (10.0, 100.0), (1.0, -1.0)]
)
def test_what_is_no_mix_is_refused(volume_l: float, pct: float) -> None:
    with pytest.raises(ValueError, match="nothing"):
        buckets(volume_l, pct, Measures())


@pytest.mark.parametrize(("litres", "shows"), [(0.0123, 0.01), (0.333, 0.35), (1.26, 1.3), (6.3, 6.5), (0.0, 0.0)])
def test_a_jug_reads_as_finely_as_jugs_do(litres: float, shows: float) -> None:
    assert jug_l(litres) == pytest.approx(shows)


@pytest.mark.parametrize(
    ("litres", "metric", "us"),
    [
        (0.35, "350 mL", "12 fl oz"),
        (12.0, "12 L", "3 gal 22 fl oz"),
        (3.785411784, "3.79 L", "1 gal"),
        (0.0, "0 mL", "0 fl oz"),
    ],
)
def test_amounts_in_both_units(litres: float, metric: str, us: str) -> None:
    assert amount(litres) == metric and amount(litres, "us_gallon") == us


@given(st.floats(0.01, 500.0))
def test_gallons_and_ounces_are_the_same_volume(litres: float) -> None:
    parts = amount(litres, "us_gallon").replace(" gal", "*128").replace(" fl oz", "").split(" ")
    ounces = sum(128 * int(p[:-4]) if p.endswith("*128") else int(p) for p in parts)
    assert ounces * 3.785411784 / 128.0 == pytest.approx(litres, abs=0.0149)


def test_settings_of_the_proportioner() -> None:
    assert setting_for(2.5, 2.5, Measures()) == 2.5 and setting_for(3.0, 2.5, Measures()) is None
    assert setting_for(3.0, 2.5, SCALE) == 3.0
    assert truer_setting(2.4, 0.8, SCALE) == 3.0 and truer_setting(2.4, 0.8, Measures()) is None
    assert in_words(38.0, 3.0, 2.5, SCALE) == "38 L from the proportioner, set to 3 %"
    by_hand = in_words(38.0, 4.5, 2.5, Measures(12.0, 0.5, (1.5, 2.5)))
    assert by_hand == (
        "3 buckets, each up to the 12 L mark, 550 mL of it concentrate stirred into the water; "
        "one bucket up to the 2 L mark, 90 mL of it concentrate stirred into the water"
    )


def test_a_setting_of_the_scale_is_taken_before_a_mix_by_hand() -> None:
    mix = strength.begin(6.2, 0.15)
    days = remedy.Coming(1.02, 0.05, 0.35)
    by_hand = remedy.choose(MILL, mix, 280.0, 1.0, 60.0, 7.0, days)
    by_scale = remedy.choose(replace(MILL, measures=SCALE), mix, 280.0, 1.0, 60.0, 7.0, days)
    assert by_hand.makeup_pct not in SCALE.settings_pct or by_hand.makeup_pct == by_scale.makeup_pct
    assert by_scale.makeup_pct in SCALE.settings_pct and by_scale.makeup_pct > MILL.usual_pct
    assert by_scale.stays >= by_hand.stays - remedy.AS_GOOD


def test_what_a_scale_is_set_to_comes_at_its_real_ratio() -> None:
    mix = strength.begin(7.0, 0.2)
    mix.x[:, strength.R] = -0.2
    set_ = remedy.landing(replace(MILL, measures=SCALE), mix, 280.0, 1.0, 60.0, 5.0)
    mixed = remedy.landing(MILL, mix, 280.0, 1.0, 60.0, 5.0)
    assert set_.came_pct == pytest.approx(5.0 * 0.8187, abs=0.01) and mixed.came_pct == 5.0
    assert set_.pct == pytest.approx((7.0 * 280.0 + 5.0 * 0.8187 * 60.0) / 340.0, abs=0.02)


def test_days_by_steps_are_those_of_a_sump_topped_off_each_day() -> None:
    makeup, lost, carry, c, days = 1.5, 12.0, 0.4, 9.6, 0.0
    while c > MILL.high_pct:
        s = c * MILL.full_l - c * carry * lost * 0.05 + makeup * lost * 0.05
        c, days = s / MILL.full_l, days + 0.05
    assert remedy.days_by_steps(MILL, 9.6, makeup, lost, carry) == pytest.approx(days, rel=0.03)
    assert remedy.days_by_steps(MILL, 9.6, 4.0, lost, carry) is None  # it would hold 10 %
    assert remedy.days_by_steps(MILL, 9.6, makeup, 0.0, carry) is None
