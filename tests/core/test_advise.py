"""Advice: one thing at a time, due and not before, never flipping, and honest about where it lands."""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace
from math import exp

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from agent.core import inquire, remedy, strength
from agent.core.advise import EVERY_S, POURS
from agent.core.curve import Curve
from agent.core.fluid import mixed_pct
from agent.core.kinds import Habits, as_advised, candidates
from agent.core.outputs import Advice, Finding, Output
from agent.core.spec import SiteSpec, SumpSpec
from agent.core.step import belief_at, dump, load, start, step
from agent.core.sump import new_sump
from agent.records import Record

T0 = 1_750_024_800.0
LINE = Curve((0.0, 500.0), (0.0, 500.0))
MILL = SumpSpec("mill-2", "Mill 2", 340.0, 240.0, 360.0, 7.0, 6.0, 8.4, 1.5, 2.5, 1.5, 14.0, LINE)
SITE = SiteSpec("Harrow Lane Gearworks", sumps={"mill-2": MILL})
FULL_DAY_H = 16
HELD_L = 20.0  # while the pump runs


@dataclass
class Mill:
    """A machine that runs two shifts a day, told level by level each five minutes; people act through it."""

    litres: float = 320.0
    pct: float = 7.0
    loses_l_per_h: float = 0.9
    evaporates: float = 0.65
    noise_l: float = 0.3
    site: SiteSpec = SITE
    now: float = T0 - 4 * 3600.0  # at rest, at night
    held_l: float = 0.0
    said: list[Output] = field(default_factory=list)
    rng: random.Random = field(default_factory=lambda: random.Random(4))

    def __post_init__(self) -> None:
        self.state = start(self.site)
        self.runs: bool | None = None

    def say(self, signal: str, **fields: object) -> list[Output]:
        """A record of now."""
        record = Record(time=self.now, sump="mill-2", signal=signal, **fields)  # type: ignore[arg-type]
        self.state, outputs = step(self.state, record, self.site)
        self.said += outputs
        return outputs

    def pass_time(self, hours: float, sees: bool = True) -> list[Output]:
        """Let time pass; without `sees` the level says nothing and only the pump's contact is heard."""
        first, end = len(self.said), self.now + 3600.0 * hours
        while self.now < end - 1.0:
            self.now += 300.0
            runs = (self.now - T0) / 3600.0 % 24 < FULL_DAY_H
            self.held_l += ((HELD_L if runs else 0.0) - self.held_l) * 0.9
            lost = self.loses_l_per_h / 12.0 if runs else 0.0
            self.pct *= exp(self.evaporates * lost / self.litres)
            self.litres -= lost
            if runs != self.runs or not sees:
                self.runs = runs
                self.say("running", value=float(runs))
            if sees:
                self.say("level", value=round(self.litres - self.held_l + self.rng.gauss(0.0, self.noise_l), 2))
        return self.said[first:]

    def pour(self, litres: float, pct: float) -> list[Output]:
        """Pour (or drain, below 0) within a quarter of an hour and wait until it has settled."""
        first = len(self.said)
        self.pct = mixed_pct(self.litres, self.pct, litres, pct)
        for _ in range(3):
            self.litres += litres / 3.0
            self.pass_time(1.0 / 12.0)
        self.pass_time(1.0)
        return self.said[first:]

    def read(self, wrong_by_brix: float = 0.0) -> list[Output]:
        return self.say("hand_reading", value=round(self.pct / MILL.refractometer_factor + wrong_by_brix, 2))

    def settled(self) -> Mill:
        """The same machine once it is known: some days and two readings on."""
        self.read()
        self.pass_time(30)
        self.read()
        self.pass_time(6)
        return self

    @property
    def stands(self) -> Advice | None:
        return self.state.sumps["mill-2"].advice.standing


def advices(said: list[Output]) -> list[Advice]:
    return [one for one in said if isinstance(one, Advice)]


def check_rules(said: list[Output], spec: SumpSpec = MILL) -> None:
    """What holds for every stream of advice, whatever happened."""
    standing: Advice | None = None
    seen: set[str] = set()
    for one in advices(said):
        if one.withdrawn:
            assert standing is not None and one.id == standing.id and one.reason
            standing = None
            continue
        if standing is None:
            assert one.id not in seen, "an id is used once"
            seen.add(one.id)
        else:
            assert one.id == standing.id, "one stands at a time"
            assert (one.kind in POURS) == (standing.kind in POURS)
            assert one.time - standing.time >= EVERY_S
        standing = one
        assert (one.of is not None) >= (one.kind == "ask")
        if one.kind in POURS:
            assert spec.leanest_pct <= one.makeup_pct <= spec.richest_pct
            assert one.water_l + one.concentrate_l == pytest.approx(one.volume_l)
            assert one.concentrate_l == pytest.approx(one.volume_l * one.makeup_pct / 100.0)
            assert one.expected_volume_l <= spec.high_l and 0.0 <= one.chance_in_band <= 1.0
            assert (one.kind == "top_off") == (one.makeup_pct == spec.usual_pct)


# ---- the level


def test_a_sump_that_is_well_is_left_alone() -> None:
    mill = Mill(loses_l_per_h=0.3).settled()
    assert advices(mill.pass_time(60)) == []


def test_a_top_off_comes_before_the_low_mark_and_not_long_before() -> None:
    mill = Mill(litres=300.0).settled()
    while mill.stands is None:
        mill.pass_time(1)
    one = mill.stands
    assert one.kind == "top_off" and one.makeup_pct == MILL.usual_pct
    to_low_h = (mill.litres - MILL.low_l) / mill.loses_l_per_h
    assert 9.0 < to_low_h < 30.0  # running hours: nobody is sent days ahead, nor too late
    assert one.expected_volume_l == pytest.approx(MILL.full_l, abs=2.0)
    assert one.expected_strength_pct == pytest.approx(
        mixed_pct(mill.litres, mill.pct, one.volume_l, MILL.usual_pct), abs=0.4
    )
    assert 0.0 <= one.due_in_h < 48.0


def test_a_top_off_stands_until_it_is_done_and_says_so() -> None:
    mill = Mill(litres=262.0, pct=7.9).settled()
    mill.pass_time(12)
    one = mill.stands
    assert one is not None and one.kind == "top_off"
    said = mill.pour(0.9 * one.volume_l, MILL.usual_pct)
    gone = [a for a in advices(said) if a.withdrawn]
    assert [a.id for a in gone] == [one.id] and gone[0].reason.startswith("done")
    check_rules(mill.said)


def test_numbers_are_written_anew_as_the_level_falls_and_never_within_ten_minutes() -> None:
    mill = Mill(litres=275.0, pct=7.6, loses_l_per_h=2.5)
    mill.read()
    mill.pass_time(12)
    one = mill.stands
    assert one is not None
    mill.pass_time(8)
    later = mill.stands
    assert later is not None and later.id == one.id and later.volume_l > one.volume_l + 9.0
    check_rules(mill.said)


@pytest.mark.parametrize("noise_l", [0.3, 2.0])
def test_advice_does_not_flip_at_its_edge(noise_l: float) -> None:
    mill = Mill(litres=300.0, noise_l=noise_l).settled()
    said = advices(mill.pass_time(96))
    posted = {one.id for one in said if one.kind in POURS}
    assert len(posted) == 1 + len([a for a in said if a.reason.startswith("expired")])
    check_rules(mill.said)


def test_nobody_is_told_to_pour_by_a_level_that_nobody_sees() -> None:
    mill = Mill(litres=262.0, pct=7.9).settled()
    mill.pass_time(4)
    assert mill.stands is not None and mill.stands.kind == "top_off"
    blind = advices(mill.pass_time(8, sees=False))
    assert [(one.kind, one.withdrawn) for one in blind] == [("top_off", True), ("look", False)]
    assert "not seen" in blind[0].reason
    back = advices(mill.pass_time(1))
    assert (back[0].kind, back[0].withdrawn) == ("look", True)
    assert mill.stands is not None and mill.stands.kind in POURS
    check_rules(mill.said)


# ---- the strength


def test_a_weak_sump_is_strengthened_to_near_its_target() -> None:
    mill = Mill(litres=290.0, pct=5.2).settled()
    one = mill.stands
    assert one is not None and one.kind == "strengthen"
    assert one.makeup_pct * 2 == round(one.makeup_pct * 2), "a mix that can be measured"
    landed = mixed_pct(mill.litres, mill.pct, one.volume_l, one.makeup_pct)
    assert landed == pytest.approx(one.expected_strength_pct, abs=2.0 * one.expected_strength_sd)
    assert MILL.low_pct < landed < MILL.target_pct + 0.4
    assert one.chance_in_band > 0.8


def test_a_strong_sump_is_topped_off_before_its_level_asks_for_it() -> None:
    mill = Mill(litres=310.0, pct=8.7).settled()
    one = mill.stands
    assert one is not None and one.kind in ("top_off", "thin") and mill.litres > MILL.low_l + 40.0
    assert one.expected_strength_pct < mill.pct - 0.5


def test_a_weak_sump_without_room_is_helped_in_steps_or_drained_never_overfilled() -> None:
    mill = Mill(litres=338.0, pct=4.0, loses_l_per_h=0.05).settled()
    mill.pass_time(30)
    one = mill.stands
    assert one is not None and one.kind == "drain_part"
    assert "L of concentrate" in one.reason
    assert one.makeup_pct is None and one.expected_volume_l == pytest.approx(mill.litres - one.volume_l, abs=6.0)
    rest = mill.litres - one.volume_l
    refilled = mixed_pct(rest, mill.pct, MILL.full_l - rest, MILL.richest_pct)
    assert refilled == pytest.approx(MILL.target_pct, abs=0.6)
    after = mill.pour(-one.volume_l, mill.pct) + mill.pass_time(2)
    assert any(a.withdrawn and a.id == one.id and a.reason.startswith("done") for a in advices(after))
    assert mill.stands is not None and mill.stands.kind == "strengthen"
    check_rules(mill.said)


def test_a_changed_setting_changes_what_is_called_usual() -> None:
    mill = Mill(litres=262.0, pct=7.9).settled()
    mill.pass_time(12)
    assert mill.stands is not None and mill.stands.makeup_pct == 2.5
    mill.say("setting", field="usual_pct", value=3.0)
    mill.pass_time(0.5)
    assert mill.stands is not None and (mill.stands.kind, mill.stands.makeup_pct) == ("top_off", 3.0)


# ---- asking


def test_a_first_reading_is_asked_for_and_closed_by_it() -> None:
    mill = Mill()
    mill.pass_time(3)
    one = mill.stands
    assert one is not None and one.kind == "read_strength" and one.volume_l is None
    assert [a.withdrawn for a in advices(mill.read())] == [True]
    mill.pass_time(5)
    assert mill.stands is None


def test_readings_are_asked_for_about_once_a_week() -> None:
    mill = Mill(litres=335.0, loses_l_per_h=0.5).settled()
    asked = 0
    for _ in range(5 * 24):
        mill.pass_time(6)
        one = mill.stands
        if one is not None and one.kind == "read_strength":
            asked += 1
            mill.read()
        elif one is not None and one.kind in POURS:
            mill.pour(one.volume_l, one.makeup_pct)
    assert 2 <= asked <= 4  # 30 days
    check_rules(mill.said)


def test_a_reading_that_does_not_fit_is_asked_for_again() -> None:
    mill = Mill(litres=335.0, loses_l_per_h=0.3).settled()
    mill.pass_time(24)
    mill.read(wrong_by_brix=2.5)
    mill.pass_time(4)
    assert mill.stands is not None and mill.stands.kind == "read_strength"
    assert "does not fit" in mill.stands.reason
    mill.read()
    assert mill.stands is None


def unnamed(mill: Mill) -> tuple[Finding, Advice]:
    """Somebody corrects what was read low, unasked, and enters nothing."""
    assert mill.stands is None
    said = mill.pour(40.0, 9.0)
    mill.pass_time(2)
    found = [one for one in said if isinstance(one, Finding)][0]
    asked = [one for one in advices(mill.said) if one.kind == "ask" and one.of == found.id]
    assert len(asked) == 1
    return found, asked[0]


def test_an_addition_that_nobody_named_is_asked_about_once_and_the_answer_closes_it() -> None:
    mill = Mill(litres=312.0, pct=6.25, loses_l_per_h=0.3).settled()
    found, one = unnamed(mill)
    before = belief_at(mill.state, "mill-2", mill.now, SITE).strength_sd
    mill.say("addition", volume_l=40.0, pct=9.0, of=found.id)
    assert belief_at(mill.state, "mill-2", mill.now, SITE).strength_sd < 0.8 * before
    gone = [a for a in advices(mill.said) if a.id == one.id and a.withdrawn]
    assert [a.reason for a in gone] == ["answered"]
    mill.pass_time(20)
    assert len([a for a in advices(mill.said) if a.kind == "ask" and not a.withdrawn]) == 1
    check_rules(mill.said)


def test_a_question_is_dropped_when_nobody_can_remember() -> None:
    mill = Mill(litres=312.0, pct=6.25, loses_l_per_h=0.3).settled()
    _, one = unnamed(mill)
    mill.pass_time(25)
    assert any(a.id == one.id and a.withdrawn for a in advices(mill.said))
    check_rules(mill.said)


def test_who_followed_an_instruction_is_not_asked_while_the_word_may_come() -> None:
    """Somebody pours another mix than was posted, and enters it a while after the level has settled."""
    mill = Mill(litres=262.0, pct=7.9).settled()
    mill.pass_time(12)
    assert mill.stands is not None and mill.stands.kind in POURS
    mill.pour(60.0, 9.0)
    mill.pass_time(1.5)
    mill.say("addition", volume_l=60.0, pct=9.0)
    mill.pass_time(30)
    named = [f.id for f in mill.said if isinstance(f, Finding) and f.kind == "top_off"][:1]
    assert named and not [a for a in advices(mill.said) if a.kind == "ask" and a.of in named]
    check_rules(mill.said)


def test_two_pours_of_one_visit_are_one_word() -> None:
    mill = Mill(litres=312.0, pct=6.25, loses_l_per_h=0.3).settled()
    mill.pour(20.0, 9.0)
    mill.pour(20.0, 9.0)
    mill.say("addition", volume_l=20.0, pct=9.0)
    mill.pass_time(12)
    assert not [a for a in advices(mill.said) if a.kind == "ask"]


# ---- what an instruction carries


def test_a_pour_says_what_would_hold_and_what_the_proportioner_gives() -> None:
    mill = Mill(litres=262.0, pct=7.9).settled()
    mill.pass_time(12)
    one = mill.stands
    assert one is not None and one.kind in POURS
    belief = belief_at(mill.state, "mill-2", mill.now, SITE)
    assert one.hold_makeup_pct == pytest.approx(belief.hold_makeup_pct, rel=0.1)
    if one.makeup_pct == MILL.usual_pct:
        assert one.real_makeup_pct == pytest.approx(belief.makeup_pct, rel=0.05)
    else:
        assert one.real_makeup_pct is None


def test_a_drain_is_priced_beside_several_steps() -> None:
    mill = Mill(litres=338.0, pct=11.5, loses_l_per_h=0.3)
    mill.read()
    mill.pass_time(30)
    mill.read()
    mill.pass_time(12)
    drains = [a for a in advices(mill.said) if a.kind == "drain_part" and not a.withdrawn]
    assert drains
    for one in drains:
        assert one.lost_concentrate_l == pytest.approx(one.volume_l * one.expected_strength_pct / 100.0, rel=0.02)
        assert "several top-offs at 1.5 % instead" in one.reason


@pytest.mark.parametrize(("litres", "kind"), [(290.0, "thin"), (310.0, "drain_part")])
def test_room_is_made_where_the_best_pour_would_leave_it_too_strong(litres: float, kind: str) -> None:
    """A little over its band: with room for 50 L the leanest mix puts it right, with room for 30 L it would be thinned
    for weeks and be out again each time before the next."""
    mill = Mill(litres=litres, pct=9.3, loses_l_per_h=0.8)
    mill.read()
    mill.pass_time(30)
    mill.read()
    mill.pass_time(2)
    assert mill.stands is not None and mill.stands.kind == kind


def test_doubt_that_is_only_of_way_oil_asks_for_a_titration() -> None:
    mill = Mill(litres=320.0, pct=7.0).settled()
    sump = mill.state.sumps["mill-2"]
    mix = sump.ledger.mix
    oily = mix.kinds[:, strength.OILY] == 1
    assert oily.any() and not oily.all()
    assert inquire._read(sump, mill.now, "so").method is None
    mix.x[oily, strength.C] -= 2.5
    asked = inquire._read(sump, mill.now, "so")
    assert asked.method == "titration" and "way oil" in asked.reason


@pytest.mark.parametrize(
    ("factor", "high_pct", "method"),
    [(1.5, 8.4, None), (2.8, 8.4, "titration"), (2.8, 16.0, None), (1.2, 6.5, None)],
)
def test_a_dip_that_is_coarse_beside_the_band_gives_way_to_a_titration_where_that_is_finer(
    factor: float, high_pct: float, method: str | None
) -> None:
    spec = replace(MILL, refractometer_factor=factor, high_pct=high_pct)
    asked = inquire._read(new_sump(spec), T0, "so")
    assert asked.method == method and ("coarse" in asked.reason) == (method is not None)


# ---- one at a time, and pure


def test_the_level_goes_before_a_reading() -> None:
    mill = Mill(litres=246.0, pct=8.0, loses_l_per_h=2.0)
    mill.pass_time(12)
    assert mill.stands is not None and mill.stands.kind in POURS


def test_a_snapshot_keeps_what_stands_and_ids_are_never_used_again() -> None:
    mill = Mill(litres=262.0, pct=7.9).settled()
    mill.pass_time(12)
    one = mill.stands
    mill.state = load(dump(mill.state), SITE)
    assert mill.stands == one and one is not None
    fresh = Mill(litres=250.0, now=mill.now)
    fresh.pass_time(24)
    assert {a.id for a in advices(fresh.said)}.isdisjoint({a.id for a in advices(mill.said)})


def test_looking_at_the_advice_does_not_change_what_is_believed() -> None:
    """The same records with and without the looks in between give the same beliefs."""
    rows = []
    for looks in (True, False):
        mill = Mill(litres=262.0, pct=6.4).settled()
        if not looks:
            mill.state.sumps["mill-2"].advice.due = float("inf")
        mill.pass_time(30)
        rows.append(belief_at(mill.state, "mill-2", mill.now, SITE))
    assert rows[0] == rows[1]


# ---- remedies

DAYS = remedy.Coming(growth=1.1, turned=0.1, carry=0.35)


def mixture(pct: float, sd: float) -> strength.Mixture:
    """One component: the fluid without way oil."""
    both = strength.begin(pct, sd)
    return strength.Mixture(np.ones(1), both.x[:1], both.P[:1], both.kinds[:1], both.slots[:1])


def test_the_chance_is_the_mixtures_own() -> None:
    one, other = mixture(6.2, 0.5), mixture(8.0, 0.3)
    mix = replace(one, w=np.array([0.7, 0.3]), x=np.vstack([one.x, other.x]), P=np.concatenate([one.P, other.P]))
    exact = sum(w * (norm.cdf(8.4, m, s) - norm.cdf(6.0, m, s)) for w, m, s in ((0.7, 6.2, 0.5), (0.3, 8.0, 0.3)))
    assert remedy.chance_within(mix, 6.0, 8.4) == pytest.approx(exact, abs=1e-6)


def test_the_usual_mix_lands_where_the_real_proportioner_puts_it() -> None:
    mix = mixture(7.0, 0.2)
    mix.x[0, strength.R] = 0.2
    way = remedy.fill(MILL, mix, 260.0, 1.0, 80.0, 2.5, DAYS)
    assert way.pct == pytest.approx(mixed_pct(260.0, 7.0, 80.0, 2.5 * exp(0.2)), abs=1e-6)
    other = remedy.fill(MILL, mix, 260.0, 1.0, 80.0, 5.0, DAYS)
    assert other.pct == pytest.approx(mixed_pct(260.0, 7.0, 80.0, 5.0), abs=1e-6)


def test_the_usual_mix_is_preferred_where_it_will_do() -> None:
    way = remedy.choose(MILL, mixture(7.9, 0.3), 260.0, 1.0, 80.0, 7.0, DAYS)
    assert way.makeup_pct == MILL.usual_pct and way.chance > remedy.GOOD_CHANCE


@settings(max_examples=300, deadline=None)
@given(
    pct=st.floats(0.5, 20.0),
    sd=st.floats(0.05, 3.0),
    litres=st.floats(60.0, 335.0),
    stands=st.none() | st.sampled_from([1.5, 2.5, 5.0, 14.0]),
)
def test_no_remedy_is_water_neat_or_unmeasurable(pct: float, sd: float, litres: float, stands: float | None) -> None:
    room = remedy.whole_litres(MILL.full_l - litres)
    way = remedy.choose(MILL, mixture(pct, sd), litres, 1.0, room, MILL.target_pct, DAYS, stands)
    assert MILL.leanest_pct <= way.makeup_pct <= MILL.richest_pct
    assert (way.makeup_pct / remedy.step_at(way.makeup_pct)).is_integer()
    usual = remedy.fill(MILL, mixture(pct, sd), litres, 1.0, room, MILL.usual_pct, DAYS)
    if stands is None and usual.chance >= remedy.GOOD_CHANCE and usual.stays >= remedy.GOOD_STAYS:
        assert way.makeup_pct == MILL.usual_pct
    nearer = abs(way.pct - MILL.target_pct) <= abs(usual.pct - MILL.target_pct)
    given_up = remedy.AS_GOOD if stands is None else remedy.AS_GOOD + remedy.FAR
    assert way == usual or way.stays > usual.stays - given_up or nearer


@given(st.floats(0.0, 100.0), st.floats(0.3, 2.0), st.floats(5.0, 20.0))
def test_a_measurable_mix_is_a_step_within_what_is_allowed(pct: float, leanest: float, richest: float) -> None:
    spec = replace(MILL, leanest_pct=leanest, richest_pct=richest)
    mix = remedy.measurable(spec, pct)
    assert leanest <= mix <= richest
    assert abs(mix - min(max(pct, leanest), richest)) <= 0.5


# ---- what an addition under an instruction is taken for


@pytest.mark.parametrize("advised", [2.5, 9.0])
def test_the_kinds_of_an_advised_addition_are_whole_and_mostly_as_advised(advised: float) -> None:
    habits = Habits()
    kinds = as_advised(habits, candidates(habits, "weak", 2.5, 7.0, 14.0, 9.5), advised, 2.5)
    weights = dict.fromkeys((strength.USUAL, strength.SAID), 0.0)
    for kind in kinds:
        weights[kind.label] = weights.get(kind.label, 0.0) + exp(kind.logp)
    assert sum(weights.values()) == pytest.approx(1.0)
    assert weights[strength.USUAL if advised == 2.5 else strength.SAID] > 0.6


def test_an_addition_under_an_instruction_is_taken_for_what_was_advised() -> None:
    mill = Mill(litres=290.0, pct=5.2).settled()
    one = mill.stands
    assert one is not None and one.kind == "strengthen"
    said = mill.pour(one.volume_l, one.makeup_pct)
    found = [f for f in said if isinstance(f, Finding)][0]
    assert 0.75 * one.makeup_pct < found.makeup_pct < 1.25 * one.makeup_pct
    assert belief_at(mill.state, "mill-2", mill.now, SITE).strength_pct == pytest.approx(mill.pct, abs=0.6)
