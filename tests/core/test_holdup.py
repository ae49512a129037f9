"""The shape of a start and a stop: whatever the machine's law, the table comes to it."""

from __future__ import annotations

from math import exp, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.core.holdup import LAGS, MOST_TURNS, SETTLED_MIN, SHAPE_MIN, Shape
from tests.replay.small import seed_here

LAWS = {
    "pipes": lambda t: exp(-t / 1.3),
    "trough": lambda t: max(0.0, 1.0 - t / 6.0) ** 2,
    "trays": lambda t: min(1.0, max(0.0, 1.0 - (t - 1.5) / 7.5)),
    "at once": lambda t: 0.0 if t > 0.5 else 1.0,
}


def turn(rng: np.random.Generator, law: str, held_l: float, noise_l: float, phase_min: float | None = None) -> list:
    """One stop's readings, a minute apart from some phase on: (minutes since the turn, L seen)."""
    phase = float(rng.uniform(0.05, 0.95)) if phase_min is None else phase_min
    times = phase + np.arange(int(SHAPE_MIN))
    return [(float(t), 100.0 - held_l * LAWS[law](t) + float(rng.normal(0.0, noise_l))) for t in times]


@pytest.mark.parametrize("law", LAWS)
def test_the_table_comes_to_the_machines_own_law(law):
    """Where a contact tells the turns: after a month of stops the share still to move is known at every minute."""
    seed = seed_here()
    print(f"seed {seed}")
    rng, shape = np.random.default_rng(seed), Shape(2.0, any_law=True)
    for _ in range(60):
        shape.learn(turn(rng, law, 15.0, 0.2), 85.0, 0.2**2)
    truth = [LAWS[law](k) for k in range(1, int(SETTLED_MIN))]
    assert shape.left[1 : int(SETTLED_MIN)] == pytest.approx(truth, abs=0.08)
    assert max(shape.sd[2 : int(SETTLED_MIN)]) < 0.15


def test_where_nothing_tells_the_turns_a_first_order_return_is_learned_too():
    rng, shape = np.random.default_rng(7), Shape(2.0)
    for _ in range(40):
        shape.learn(turn(rng, "pipes", 15.0, 0.2), 85.0, 0.2**2)
    assert shape.left[1:9] == pytest.approx([LAWS["pipes"](k) for k in range(1, 9)], abs=0.05)


def test_spread_is_that_of_the_turns_and_noise_is_taken_off():
    """Turns that differ by their own tempo: the table's spread comes to theirs, not to the sensor's on top."""
    rng, shape, seen = np.random.default_rng(1), Shape(2.0, any_law=True), []
    for n in range(400):
        tau = 2.0 * exp(rng.normal(0.0, 0.25))
        points = [(t, 100.0 - 20.0 * exp(-t / tau) + rng.normal(0.0, 1.0)) for t in np.arange(1.0, SHAPE_MIN + 1.0)]
        shape.learn([(float(t), float(y)) for t, y in points], 80.0, 1.0)
        if n > 100:
            seen.append(list(shape.sd))
    draws = np.exp(-np.arange(LAGS)[None, :] / (2.0 * np.exp(rng.normal(0.0, 0.25, 20_000)))[:, None])
    for k in (1, 2, 3, 4):
        assert np.mean([s[k] for s in seen]) == pytest.approx(draws[:, k].std(), rel=0.4)


def test_a_return_that_becomes_slow_is_followed_within_the_turns_remembered():
    rng, shape = np.random.default_rng(2), Shape(2.0, any_law=True)
    for _ in range(60):
        shape.learn(turn(rng, "pipes", 15.0, 0.1, 0.5), 85.0, 0.01)
    for _ in range(int(4 * MOST_TURNS)):
        slower = [(t, 100.0 - 15.0 * exp(-t / 2.0)) for t, _ in turn(rng, "pipes", 15.0, 0.1, 0.5)]
        shape.learn(slower, 85.0, 0.01)
    assert shape.left[1:6] == pytest.approx([exp(-k / 2.0) for k in range(1, 6)], abs=0.06)


def table(shape: Shape) -> tuple[list[float], list[float]]:
    return list(shape.left), list(shape.sd)


@pytest.mark.parametrize(
    "points",
    [
        [],
        [(float(t), 100.0) for t in range(1, 6)],  # nothing says where it settled
        [(float(t), 100.0) for t in (11, 12, 13)],  # nothing says how it got there
        [(float(t), 85.1) for t in range(1, 14)],  # nothing moved
        [(float(t), 100.0 if t < 3 else 85.0 if t < 8 else 100.0) for t in range(1, 14)],  # no plain turn
    ],
    ids=["empty", "early", "late", "still", "odd"],
)
def test_what_was_no_plain_turn_teaches_nothing(points):
    shape = Shape(2.0)
    for _ in range(5):
        shape.learn(turn(np.random.default_rng(3), "pipes", 15.0, 0.1, 0.5), 85.0, 0.01)
    before = table(shape)
    shape.learn(points, 85.0, 0.04)
    assert table(shape) == before


@settings(max_examples=30)
@given(st.integers(0, 2**32 - 1), st.booleans())
def test_no_turn_however_odd_breaks_the_table(seed, any_law):
    rng, shape = np.random.default_rng(seed), Shape(2.0, any_law=any_law)
    for _ in range(20):
        times = np.sort(rng.uniform(0.01, SHAPE_MIN, int(rng.integers(0, 30))))
        points = [(float(t), float(rng.uniform(0.0, 200.0))) for t in times]
        shape.learn(points, float(rng.uniform(0.0, 200.0)), float(rng.uniform(1e-4, 10.0)))
    assert len(shape.left) == LAGS + 1 and np.isfinite(shape.left).all()
    assert all(0.0 < s < 3.0 for s in shape.sd[1:LAGS])


def test_spread_never_goes_below_what_any_machine_keeps():
    """Turns alike to the last drop do not make the table sure of the next."""
    shape = Shape(2.0)
    for _ in range(200):
        shape.learn([(float(t), 100.0 - 15.0 * exp(-t / 2.0)) for t in range(1, 14)], 85.0, 1e-6)
    assert min(shape.sd[:10]) >= 0.01 and sqrt(shape.var[3]) >= 0.0
