"""Mixing arithmetic, against mass balances worked out the long way."""

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from agent.core import fluid

pcts = st.floats(0.01, 60.0)
litres = st.floats(1.0, 5000.0)


def test_one_part_to_twenty_of_water_is_one_twenty_first():
    assert fluid.mix_pct(5.0) == pytest.approx(100.0 / 21.0, abs=1e-12)


@given(pcts)
def test_the_two_ways_to_say_per_cent_come_back_to_each_other(pct):
    assert fluid.mix_pct(fluid.parts_per_100_water(pct)) == pytest.approx(pct, rel=1e-12)


@given(pcts, litres)
def test_parts_per_100_water_are_concentrate_over_water(pct, volume):
    concentrate = fluid.concentrate_in(volume, pct)
    assert fluid.parts_per_100_water(pct) == pytest.approx(100.0 * concentrate / (volume - concentrate), rel=1e-9)


@given(litres, pcts, litres, pcts)
def test_mixing_keeps_every_litre_of_concentrate(v, c, a, m):
    after = fluid.concentrate_in(v + a, fluid.mixed_pct(v, c, a, m))
    assert after == pytest.approx(fluid.concentrate_in(v, c) + fluid.concentrate_in(a, m), rel=1e-12)


@given(litres, pcts, litres, pcts)
def test_the_makeup_worked_out_lands_on_the_strength_wanted(v, c, room, wanted):
    m = fluid.makeup_to_reach(v, c, v + room, wanted)
    assert fluid.mixed_pct(v, c, room, m) == pytest.approx(wanted, abs=1e-9 * (1 + abs(m)))


@given(litres, pcts, st.floats(0.0, 500.0), pcts, pcts)
def test_draining_first_lands_on_mark_and_strength(v, c, room, wanted, m):
    assume(abs(m - c) > 0.1)
    x = fluid.drain_to_reach(v, c, v + room, wanted, m)
    concentrate = fluid.concentrate_in(v - x, c) + fluid.concentrate_in(room + x, m)
    assert concentrate == pytest.approx(fluid.concentrate_in(v + room, wanted), abs=1e-7)


def test_the_makeup_that_holds_the_target_is_the_trades_example():
    """V 300, evaporation 9 and carry-off 3 L/day, target 7 %: right makeup 1.75 %."""
    assert fluid.makeup_to_hold(7.0, 3.0 / 12.0) == 1.75


def test_makeup_at_holding_strength_balances_carry_off():
    evaporation, carry_off, target = 9.0, 3.0, 7.0
    m = fluid.makeup_to_hold(target, carry_off / (evaporation + carry_off))
    came_in = fluid.concentrate_in(evaporation + carry_off, m)
    assert came_in == pytest.approx(fluid.concentrate_in(carry_off, target), abs=1e-12)


def test_what_cannot_be_mixed_is_refused():
    with pytest.raises(ValueError, match="no room"):
        fluid.makeup_to_reach(300.0, 7.0, 300.0, 8.0)
    with pytest.raises(ValueError, match="moves nothing"):
        fluid.drain_to_reach(300.0, 7.0, 340.0, 8.0, 7.0)
    with pytest.raises(ValueError, match="nothing to mix"):
        fluid.mixed_pct(0.0, 7.0, 0.0, 2.0)


def test_brix_times_factor_is_strength():
    assert fluid.brix_pct(4.0, 1.5) == 6.0
