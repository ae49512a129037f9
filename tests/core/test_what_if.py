"""What if: mixing done another way, intervals against draws, the days against a simulated drain, the core's own answer
beside the one from its belief."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.core.curve import Curve
from agent.core.outputs import Belief
from agent.core.spec import SiteSpec, SumpSpec
from agent.core.step import belief_at, start, step
from agent.core.what_if import from_belief, what_if
from agent.records import Record

SPEC = SumpSpec(
    "mill-2", "Mill 2", 340.0, 240.0, 360.0, 7.0, 6.0, 8.4, 1.5, 2.5, 1.5, 14.0, Curve((0.0, 400.0), (0.0, 400.0))
)
ROW = Belief(
    0.0, "mill-2", 280.0, 3.0, 7.8, 0.3, 7.3, 8.35, 9.0, 3.0, 0.75, 0.05, 2.6, 0.2, 1.75, 80.0, 60.0, 100.0, "settled"
).row()


def test_the_usual_mix_comes_at_the_ratio_that_the_proportioner_really_has() -> None:
    said = from_belief(ROW, SPEC, 60.0, 2.5)
    assert said.volume_l == pytest.approx(340.0)
    assert said.strength_pct == pytest.approx((280 * 7.8 + 60 * 2.6) / 340)
    by_bucket = from_belief(ROW, SPEC, 60.0, 3.0)
    assert by_bucket.strength_pct == pytest.approx((280 * 7.8 + 60 * 3.0) / 340)


def test_draining_leaves_the_strength_and_shortens_the_days() -> None:
    nothing, out = from_belief(ROW, SPEC, 0.0, 2.5), from_belief(ROW, SPEC, -30.0, 2.5)
    assert out.volume_l == pytest.approx(250.0) and out.strength_pct == pytest.approx(nothing.strength_pct)
    assert nothing.chance_in_band == pytest.approx(out.chance_in_band)
    assert out.days_in_band == pytest.approx(10.0 / 12.0) and out.ends == "level"


@given(st.floats(1.0, 80.0), st.floats(0.5, 14.0), st.floats(5.0, 9.5))
def test_quantiles_and_chance_are_those_of_draws(added_l: float, makeup_pct: float, pct: float) -> None:
    row = {**ROW, "strength_pct": pct, "strength_p05": pct - 0.5, "strength_p95": pct + 0.5}
    said = from_belief(row, SPEC, added_l, makeup_pct)
    rng = np.random.default_rng(5)
    n = 20_000
    c, v = rng.normal(pct, 0.5 / 1.645, n), rng.normal(280.0, 3.0, n)
    real, sd = (2.6, np.hypot(0.2, 0.06 * 2.6)) if makeup_pct == 2.5 else (makeup_pct, 0.1 * makeup_pct)
    a, m = rng.normal(added_l, 0.1 * added_l, n), rng.normal(real, sd, n)
    after = (c * v + m * a) / (v + a)
    assert np.quantile(after, [0.05, 0.95]) == pytest.approx([said.strength_p05, said.strength_p95], abs=0.05)
    assert np.mean((after >= 6.0) & (after <= 8.4)) == pytest.approx(said.chance_in_band, abs=0.03)
    assert said.volume_sd == pytest.approx(float(np.std(v + a)), rel=0.05)


@given(st.floats(-20.0, 75.0), st.floats(1.5, 10.0), st.floats(0.0, 15.0), st.floats(0.1, 8.0))
def test_the_days_are_those_of_a_sump_left_alone(added_l: float, makeup_pct: float, water: float, carry: float) -> None:
    said = from_belief({**ROW, "evaporation_l_per_day": water, "carry_off_l_per_day": carry}, SPEC, added_l, makeup_pct)
    v, c, days, step_days = said.volume_l, said.strength_pct, 0.0, 0.01
    while days < 28.0 and v > SPEC.low_l and SPEC.low_pct <= c <= SPEC.high_pct:
        c *= 1.0 + water * step_days / v
        v -= (water + carry) * step_days
        days += step_days
    if said.days_in_band is None:
        assert days > 27.9 and said.ends is None
    else:
        assert said.days_in_band == pytest.approx(days, abs=0.1)
        if days > 0.0:
            assert said.ends == ("level" if v <= SPEC.low_l else "strength")


@pytest.mark.parametrize(("litres", "pct"), [(-280.0, 2.5), (float("nan"), 2.5), (10.0, 101.0), (10.0, -1.0)])
def test_what_cannot_be_is_refused(litres: float, pct: float) -> None:
    with pytest.raises(ValueError, match=r"nothing|number|between"):
        from_belief(ROW, SPEC, litres, pct)


def test_the_row_holds_every_field_as_plain_numbers() -> None:
    row = from_belief(ROW, SPEC, 30.0, 2.5).row()
    assert list(row) == [
        "volume_l", "volume_sd", "strength_pct", "strength_p05", "strength_p95", "chance_in_band", "days_in_band",
        "ends",
    ]  # fmt: skip
    assert row["volume_l"] == 310.0 and 0.0 <= row["chance_in_band"] <= 1.0


def test_the_core_and_its_belief_say_the_same() -> None:
    site = SiteSpec("Harrow Lane Gearworks", sumps={"mill-2": SPEC})
    state = start(site)
    for k in range(0, 36 * 60, 2):
        when = 1.76e9 + 60.0 * k
        state, _ = step(state, Record(time=when, sump="mill-2", signal="level", value=300.0 - 0.01 * k), site)
        if k == 400:
            state, _ = step(state, Record(time=when, sump="mill-2", signal="hand_reading", value=5.0), site)
    row = belief_at(state, "mill-2", when, site).row()
    for litres, pct in ((0.0, 2.5), (40.0, 2.5), (50.0, 9.0), (-15.0, 2.5)):
        own, short = what_if(state, "mill-2", litres, pct, when, site), from_belief(row, SPEC, litres, pct)
        assert short.volume_l == pytest.approx(own.volume_l) and short.volume_sd == pytest.approx(own.volume_sd)
        assert short.strength_pct == pytest.approx(own.strength_pct, abs=0.03)
        assert (short.strength_p05, short.strength_p95) == pytest.approx((own.strength_p05, own.strength_p95), abs=0.15)
        assert short.chance_in_band == pytest.approx(own.chance_in_band, abs=0.06)
        assert short.days_in_band == pytest.approx(own.days_in_band, rel=0.05)
    before = belief_at(state, "mill-2", when, site)
    assert before == belief_at(state, "mill-2", when, site) and replace(before, time=0.0) != before
    with pytest.raises(KeyError):
        what_if(state, "mill-9", 1.0, 2.5, when, site)
