"""What was used and how it was kept, against a plant that is simply added up."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.core.curve import Curve
from agent.core.spec import SumpSpec
from agent.core.use import Poured, days_of_stock, held, poured, salts_times_water

SPEC = SumpSpec(
    "mill-2", "Mill 2", 340.0, 240.0, 360.0, 7.0, 6.0, 8.4, 1.5, 2.5, 1.5, 14.0, Curve((0.0, 400.0), (0.0, 400.0))
)
H = 3600.0


def test_hours_are_counted_by_where_the_sump_was_and_the_unknown_apart() -> None:
    beliefs = [
        (0.0, 300.0, 7.0, "settled"), (1 * H, 300.0, 5.9, "settled"), (2 * H, 239.0, 8.5, "settled"),
        (3 * H, 361.0, 7.0, "learning"), (4 * H, 300.0, 7.0, "stale"), (5 * H, 300.0, 7.0, "settled"),
    ]  # fmt: skip
    found = held(SPEC, beliefs, 0.0, 10 * H)
    assert (found.in_band_h, found.weak_h, found.strong_h) == (1 + 1 + 2, 1, 1)  # the last one speaks for two hours
    assert (found.low_h, found.full_h, found.unknown_h) == (1, 1, 4)
    assert found.share(found.weak_h) == pytest.approx(1 / 6)


def test_without_beliefs_all_is_unknown() -> None:
    found = held(SPEC, [], 0.0, 24 * H)
    assert found.unknown_h == 24 and found.share(0.0) is None


@settings(max_examples=30)
@given(st.lists(st.floats(0.0, 100.0), max_size=20), st.floats(0.0, 50.0), st.floats(50.0, 100.0))
def test_known_and_unknown_hours_are_all_hours(times: list[float], start_h: float, end_h: float) -> None:
    beliefs = [(t * H, 300.0, 7.0, "settled") for t in sorted(times)]
    found = held(SPEC, beliefs, start_h * H, end_h * H)
    assert found.known_h + found.unknown_h == pytest.approx(end_h - start_h)


def test_what_went_in_adds_up() -> None:
    assert poured([(40.0, 2.5), (20.0, 10.0)]) == Poured(60.0, 3.0, 2)
    assert poured([(340.0, 2.0)]).turnovers(340.0) == 1.0 and poured([]).water_l == 0.0


@settings(max_examples=25)
@given(st.floats(0.1, 30.0), st.floats(0.05, 30.0), st.floats(50.0, 900.0), st.integers(1, 400))
def test_salts_build_up_as_the_balance_says(E: float, D: float, V: float, days: int) -> None:
    """Day by day in small steps: makeup brings salts, carry-off takes them, evaporation leaves them."""
    salts, steps = V, 500
    for _ in range(steps):
        salts += (E + D) * days / steps - D * salts / V * days / steps
    assert salts_times_water(E, D, V, days) == pytest.approx(salts / V, rel=0.01 + D * days / V / steps * 5)


def test_salts_without_carry_off_grow_for_ever_and_without_evaporation_never() -> None:
    assert salts_times_water(9.0, 0.0, 300.0, 100.0) == 4.0
    assert salts_times_water(9.0, 1e-6, 300.0, 100.0) == pytest.approx(4.0, rel=1e-4)
    assert salts_times_water(0.0, 5.0, 300.0, 100.0) == 1.0
    assert salts_times_water(9.0, 3.0, 300.0, 1e9) == 4.0  # 1/d in the long run


def test_stock_lasts_at_the_pace_of_late() -> None:
    assert days_of_stock(200.0, 40.0, 28.0) == 140.0
    assert days_of_stock(200.0, 0.0, 28.0) is None
