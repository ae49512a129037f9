"""Counts and flows become litres: each pour once, whole, and never what a counter did not count."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.wire.meter import GAP_S, LONGEST_S, PAUSE_S, Meter
from agent.wire.outcomes import Fault


def counter(wraps_l: float | None = None, most: float = 60.0) -> Meter:
    return Meter(is_flow=False, wraps_l=wraps_l, most_l_per_min=most, least_l_per_min=0.0)


def told(meter: Meter, *values: float, step_s: float = 1.0, start_s: float = 0.0) -> list[float]:
    """What the meter says to values that come `step_s` apart, and then to rest until its pause is over."""
    said = [meter.take(value, start_s + i * step_s) for i, value in enumerate(values)]
    end = start_s + (len(values) - 1) * step_s
    said.append(meter.take(values[-1], end + PAUSE_S + 1.0))
    return [litres for litres in said if litres is not None and not isinstance(litres, Fault)]


def test_one_pour_is_one_figure() -> None:
    assert told(counter(), 100.0, 100.5, 101.0, 101.0, 101.5) == [1.5]


def test_nothing_flows_nothing_is_told() -> None:
    assert told(counter(), 100.0, 100.0, 100.0) == []


def test_the_first_count_is_a_beginning_and_no_volume() -> None:
    assert counter().take(5000.0, 0.0) is None


def test_two_pours_are_two_figures() -> None:
    meter = counter()
    assert told(meter, 0.0, 1.0) + told(meter, 1.0, 1.5, start_s=100.0) == [1.0, 0.5]


def test_a_counter_that_runs_over_goes_on() -> None:
    assert told(counter(wraps_l=65.536), 65.0, 65.4, 0.2) == [pytest.approx(0.736)]


@given(st.lists(st.integers(0, 400), min_size=2, max_size=60), st.integers(0, 65_535))
def test_whatever_a_16_bit_counter_shows_the_litres_are_all_told(steps: list[int], begin: int) -> None:
    """0.001 L a count; run-overs as they fall. Together with what rests, nothing is lost or made up."""
    meter = counter(wraps_l=65.536)
    total, seen = begin, 0.0
    meter.take(begin / 1000.0, 0.0)
    for i, step in enumerate(steps, 1):
        total += step
        litres = meter.take((total % 65_536) / 1000.0, float(i))
        assert not isinstance(litres, Fault)
        seen += litres or 0.0
    assert seen + (meter.rest() or 0.0) == pytest.approx(sum(steps) / 1000.0, abs=1e-5)


def test_a_counter_that_is_set_back_is_told_and_counts_on() -> None:
    meter = counter()
    assert meter.take(500.0, 0.0) is None
    outcome = meter.take(0.0, 1.0)
    assert isinstance(outcome, Fault) and "went back" in outcome.text
    assert told(meter, 0.0, 0.5, start_s=2.0) == [0.5]


def test_a_set_back_is_not_taken_for_a_run_over() -> None:
    """From 30 to 0 of 65.5 L would be 35 L in a second."""
    meter = counter(wraps_l=65.536)
    meter.take(30.0, 0.0)
    outcome = meter.take(0.0, 1.0)
    assert isinstance(outcome, Fault) and "more than most_l_per_min" in outcome.text


def test_after_a_silence_in_which_it_may_have_run_over_nothing_is_claimed() -> None:
    meter = counter(wraps_l=65.536)
    meter.take(10.0, 0.0)
    outcome = meter.take(20.0, 120.0)
    assert isinstance(outcome, Fault) and "may have run over" in outcome.text
    meter = counter(wraps_l=65.536)
    meter.take(10.0, 0.0)
    assert meter.take(10.0, 120.0) is None
    meter = counter()
    meter.take(10.0, 0.0)
    meter.take(20.0, 120.0)
    assert meter.rest() == 10.0


def test_a_trickle_that_never_pauses_is_told_now_and_then() -> None:
    meter = counter()
    said = [meter.take(0.001 * second, float(second)) for second in range(int(2.5 * LONGEST_S))]
    figures = [litres for litres in said if isinstance(litres, float)]
    assert len(figures) == 2
    assert sum(figures) + (meter.rest() or 0.0) == pytest.approx(0.001 * (int(2.5 * LONGEST_S) - 1))


def flow(least: float = 0.2) -> Meter:
    return Meter(is_flow=True, wraps_l=None, most_l_per_min=30.0, least_l_per_min=least)


def test_a_flow_is_summed_over_time() -> None:
    assert told(flow(), 0.0, *[12.0] * 60, 0.0) == [pytest.approx(12.0)]


def test_the_zero_of_a_flow_sensor_is_no_flow() -> None:
    assert told(flow(), *[0.15] * 500) == []
    assert told(flow(), *[-0.5] * 500) == []


def test_a_flow_is_not_carried_over_a_silence() -> None:
    meter = flow()
    meter.take(12.0, 0.0)
    meter.take(12.0, GAP_S + 1.0)
    assert meter.rest() is None


def test_a_flow_beyond_the_line_is_a_fault() -> None:
    meter = flow()
    meter.take(0.0, 0.0)
    assert isinstance(meter.take(31.0, 1.0), Fault)
