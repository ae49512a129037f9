"""A pour is followed as it happens, a stopped pump is none, and the high mark is called before it is reached."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.core.curve import Curve
from agent.core.filling import CLOSE_S, LEAD_S, Asked, Filling, Watch, filling, overfill
from agent.core.spec import SiteSpec, SumpSpec
from agent.core.step import SiteState, start, step
from agent.records import Record
from tests.replay.small import seed_here

SPEC = SumpSpec(
    "mill-2", "Mill 2", 340.0, 240.0, 360.0, 7.0, 6.0, 8.4, 1.5, 2.5, 1.5, 14.0, Curve((0.0, 421.0), (0.0, 421.0))
)
SITE = SiteSpec("Harrow Lane Gearworks", sumps={"mill-2": SPEC})
T0 = 1.76e9
NOISE_L = 0.3


class Bench:
    """One sump read once a second, by core and watch."""

    def __init__(self, litres: float, runs: bool | None = None) -> None:
        self.seed = seed_here()
        print(f"seed {self.seed}")
        self.rng = random.Random(self.seed)
        self.state: SiteState = start(SITE)
        self.watch = Watch()
        self.now, self.litres = T0, litres
        if runs is not None:
            self.contact(runs)

    def contact(self, runs: bool) -> None:
        self.state, _ = step(
            self.state, Record(time=self.now, sump="mill-2", signal="running", value=float(runs)), SITE
        )

    def second(self, rises_l: float = 0.0) -> None:
        self.now += 1.0
        self.litres += rises_l
        seen = self.litres + self.rng.gauss(0.0, NOISE_L)
        self.state, _ = step(self.state, Record(time=self.now, sump="mill-2", signal="level", value=seen), SITE)
        self.watch.take(self.now, seen, SPEC.full_l)

    def wait(self, seconds: int) -> None:
        for _ in range(seconds):
            self.second()

    def filling(self, asked: Asked | None = None) -> Filling | None:
        return filling(self.state.sumps["mill-2"], self.watch, self.now, asked)


ASKED = Asked("mill-2/advice1", 40.0)


@pytest.mark.parametrize("l_per_min", [8.0, 20.0, 60.0])
def test_a_pour_is_followed_within_two_seconds(l_per_min: float) -> None:
    bench = Bench(280.0, runs=False)
    bench.wait(300)
    assert bench.filling(ASKED) is None
    began, before = bench.now, bench.litres
    seen_at = None
    while bench.litres < before + 40.0:
        bench.second(l_per_min / 60.0)
        told = bench.filling(ASKED)
        if told is None:
            assert bench.litres - before < 4.5
            continue
        seen_at = seen_at or bench.now
        if bench.now - seen_at >= 8.0:
            behind = told.poured_l - (bench.litres - before)
            assert abs(behind) <= 2.0 * l_per_min / 60.0 + 3.0 * NOISE_L
            assert abs(behind) <= 6.0 * told.poured_sd and told.poured_sd < 0.6 + 0.02 * l_per_min
            assert told.to_go_l == pytest.approx(40.0 - told.poured_l) and told.advice == ASKED.advice
            if bench.now - began > 25.0:
                assert told.rate_l_per_min == pytest.approx(l_per_min, abs=0.1 * l_per_min + 4.0)
            assert told.since == pytest.approx(began, abs=15.0)
    assert seen_at is not None


def test_a_bucket_after_another_is_one_pour_and_it_ends() -> None:
    bench = Bench(280.0, runs=False)
    bench.wait(120)
    for _ in range(3):
        for _ in range(8):
            bench.second(1.5)
        bench.wait(100)
    told = bench.filling(ASKED)
    assert told is not None and told.poured_l == pytest.approx(36.0, abs=1.5) and told.rate_l_per_min == 0.0
    assert told.to_high_s is None
    for _ in range(6):
        bench.second(1.0)
    bench.wait(20)
    told = bench.filling(ASKED)
    assert told is not None and told.to_go_l == pytest.approx(-2.0, abs=1.5)
    bench.wait(60)
    assert bench.filling(ASKED) is None


def test_nobody_asked_for_it_and_it_is_followed_all_the_same() -> None:
    bench = Bench(280.0, runs=True)
    bench.wait(200)
    for _ in range(30):
        bench.second(0.5)
    told = bench.filling()
    assert told is not None and told.advice is None and told.to_go_l is None and told.target_l is None


def test_what_comes_back_from_a_pump_that_stops_is_no_pour() -> None:
    bench = Bench(280.0, runs=True)
    bench.wait(400)
    bench.contact(False)
    left = 25.0
    for _ in range(400):
        back = left / 90.0
        left -= back
        bench.second(back)
        assert bench.filling(ASKED) is None


def test_who_has_begun_is_believed_where_no_contact_tells_of_the_pump() -> None:
    bench = Bench(280.0)
    bench.wait(300)
    for _ in range(40):
        bench.second(0.6)
    begun = bench.filling(Asked(ASKED.advice, ASKED.volume_l, begun=True))
    assert begun is not None and begun.poured_l == pytest.approx(24.0, abs=2.0)


def test_a_still_level_and_a_spike_are_no_pour() -> None:
    bench = Bench(300.0)
    for k in range(600):
        bench.second()
        if k % 90 == 80:
            bench.now += 1.0
            bench.watch.take(bench.now, 400.0, SPEC.full_l)
        assert bench.filling(ASKED) is None


def test_the_high_mark_is_called_before_it_is_reached() -> None:
    bench = Bench(300.0, runs=False)
    bench.wait(120)
    called_l = None
    while bench.litres < SPEC.high_l:
        bench.second(0.4)
        if overfill(bench.filling(Asked("mill-2/advice1", 30.0))) and called_l is None:
            called_l = bench.litres
    assert called_l is not None and SPEC.high_l - called_l > 0.4 * LEAD_S * 0.5
    assert called_l > 330.0
    bench.second(0.4)
    told = bench.filling(Asked("mill-2/advice1", 30.0))
    assert told is not None and overfill(told)


def test_a_slow_sensor_is_followed_by_the_tracker() -> None:
    bench = Bench(280.0)
    for k in range(240):
        bench.now += 60.0
        bench.litres += 6.0 if k >= 230 else 0.0
        seen = bench.litres + bench.rng.gauss(0.0, NOISE_L)
        bench.state, _ = step(bench.state, Record(time=bench.now, sump="mill-2", signal="level", value=seen), SITE)
        bench.watch.take(bench.now, seen, SPEC.full_l)
    told = bench.filling(Asked("mill-2/advice1", 80.0))
    assert told is not None and told.poured_l == pytest.approx(60.0, abs=6.0)
    assert told.to_go_l == pytest.approx(80.0 - told.poured_l)


@given(st.floats(-50.0, 50.0) | st.none(), st.floats(0.0, 500.0) | st.none(), st.floats(-5.0, 60.0))
def test_a_pour_that_ends_below_the_mark_is_let_go_on(
    to_go_l: float | None, to_high_s: float | None, to_high_l: float
) -> None:
    target_l = None if to_go_l is None else 10.0 + to_go_l
    told = Filling(T0, 10.0, to_go_l, target_l, 20.0, to_high_s, None, to_high_l, 0.5)
    warns = overfill(told)
    assert warns == told.row()["overfill"]
    if to_high_s is None or to_high_s > LEAD_S:
        assert not warns
    elif to_high_s <= CLOSE_S:
        assert warns
    else:
        assert warns == (to_go_l is None or not 0.0 < to_go_l <= to_high_l)
    assert not overfill(None)
