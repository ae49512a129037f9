"""What is a level curve, and what is not."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.core.points import as_points, curve_faults, is_number

steps = st.lists(st.floats(0.1, 50.0), min_size=2, max_size=20)


@given(steps, st.booleans(), st.data())
def test_rising_raw_with_litres_all_one_way_is_a_curve(raw_steps, falls, data):
    litre_steps = data.draw(st.lists(st.floats(0.1, 50.0), min_size=len(raw_steps), max_size=len(raw_steps)))
    raw = [sum(raw_steps[: i + 1]) for i in range(len(raw_steps))]
    litres = [sum(litre_steps[: i + 1]) for i in range(len(litre_steps))]
    points = [list(p) for p in zip(raw, reversed(litres) if falls else litres, strict=True)]
    assert curve_faults(points) == []
    assert as_points(points) == tuple(map(tuple, points))


@given(steps, st.data())
def test_one_point_out_of_line_is_found(step_list, data):
    raw = [sum(step_list[: i + 1]) for i in range(len(step_list))]
    points = [[x, 10.0 * x] for x in raw]
    at = data.draw(st.integers(1, len(points) - 1))
    points[at] = points[at - 1]
    assert any(place == f"[{at}]" for place, _ in curve_faults(points))


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ("curve", "list"),
        ([], "0 points"),
        ([[0.0, 1.0]], "at least 2"),
        ([[0.0, 1.0], [1.0]], "[raw reading, litres]"),
        ([[0.0, 1.0], [1.0, True]], "[raw reading, litres]"),
        ([[0.0, 1.0], [1.0, float("nan")]], "[raw reading, litres]"),
        ([[0.0, 1.0], [1.0, "2"]], "[raw reading, litres]"),
        ([[0.0, -1.0], [1.0, 2.0]], "negative"),
        ([[0.0, 1.0], [0.0, 2.0]], "rising raw"),
        ([[0.0, 5.0], [1.0, 2.0], [2.0, 2.0]], "fall throughout"),
    ],
)
def test_what_is_no_curve_is_told(points, words):
    assert any(words in text for _, text in curve_faults(points))
    with pytest.raises(ValueError):
        as_points(points)


def test_a_number_is_finite_and_no_truth_value():
    assert is_number(0) and is_number(-1.5) and is_number(10**300)
    assert not any(map(is_number, (True, None, "1", float("nan"), float("inf"), 10**400)))
