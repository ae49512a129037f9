"""People's words: late, doubled, wrong or taken back; each counts at its time and never rewrites what was said."""

from __future__ import annotations

from itertools import pairwise

import msgspec
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from agent.core import kinds as habits_of
from agent.core import strength
from agent.core.level import Poured
from agent.core.outputs import Finding
from agent.core.step import dump, finish, load, step
from agent.core.sump import told
from agent.records import Record
from tests.replay.small import DAY_S, SITE, T0, Days, Plant, Pour, Run, drive, in_order, simulate, written

HOUR_S = 3600.0
FIRST_H, SECOND_H = 60.5, 106.5
POURS = [Pour(FIRST_H, 30.0, minutes=5.0), Pour(SECOND_H, 40.0, pct=8.0, minutes=5.0)]  # the usual mix, a strong one
USUAL_PLANT = Plant(pours=POURS, volume_l=185.0, pct=6.2)
TRUTH = simulate(np.random.default_rng(7), USUAL_PLANT, 24.0 * 6, 120.0)

PLAIN = Plant()  # nothing is poured

UNSAID: list[tuple[Days, Run]] = []  # the usual plant with nobody saying anything, once for all


def lived(*words: Record, days: float = 6.0, plant: Plant | None = None) -> tuple[Days, Run]:
    if not words and plant is None and UNSAID:
        return UNSAID[0]
    seen = TRUTH if plant is None else simulate(np.random.default_rng(7), plant, 24.0 * days, 120.0)
    run = drive(in_order(seen.contact(), seen.levels(), sorted(words, key=lambda r: r.time)))
    if not words and plant is None:
        UNSAID.append((seen, run))
    return seen, run


def said(hour: float, signal: str, **fields: object) -> Record:
    return Record(T0 + HOUR_S * hour, "mill-2", signal, **fields)  # type: ignore[arg-type]


def read(hour: float, brix: float, at_h: float | None = None) -> Record:
    return said(hour, "hand_reading", value=brix, **({} if at_h is None else {"at": T0 + HOUR_S * at_h}))


def read_well(hour: float) -> Record:
    """What a good refractometer shows of the usual plant at that hour."""
    return read(hour, round(float(TRUTH.pct[TRUTH.at(T0 + HOUR_S * hour)]) / 1.5, 1))


def only(run: Run, kind: str = "top_off") -> list[Finding]:
    return run.standing(kind)


def strength_now(run: Run) -> tuple[float, float]:
    return strength.moments(run.state.sumps["mill-2"].ledger.mix, strength.C)


def kinds_of(run: Run, slot: int) -> dict[int, float]:
    return strength.kind_weights(run.state.sumps["mill-2"].ledger.mix, slot)


# ---- readings


def test_a_reading_narrows_the_strength_to_itself():
    _, blind = lived()
    _, run = lived(read(100.0, 4.4))
    before, after = blind.belief(T0 + 101 * HOUR_S), run.belief(T0 + 101 * HOUR_S)
    assert after.strength_sd < 0.6 * before.strength_sd
    assert after.strength_pct == pytest.approx(6.6, abs=2.0 * after.strength_sd)


def test_a_titration_is_believed_more_than_a_reading():
    words = (read(100.0, 4.4), said(100.0, "titration", value=6.6))
    brix_sd, titrated_sd = (lived(word)[1].belief(T0 + 101 * HOUR_S).strength_sd for word in words)
    assert titrated_sd < brix_sd


@pytest.mark.parametrize("late_h", [0.5, 6.0, 23.5])
def test_a_reading_entered_late_counts_at_its_time(late_h):
    """Read before a pour, entered after it: it must tell of the strength before, and the present be as if in time."""
    taken = FIRST_H - 0.3
    brix = float(read_well(taken).value)
    _, in_time = lived(read(taken, brix))
    _, late = lived(read(taken + late_h, brix, at_h=taken))
    end = T0 + 5.9 * DAY_S
    strengths = strength_now(late), strength_now(in_time)  # apart by what was advised when
    assert strengths[0] == pytest.approx(strengths[1], abs=0.3)
    early = [b for b in late.beliefs if b.time < T0 + HOUR_S * (taken + late_h)]
    _, never = lived()
    assert written(early) == written(never.beliefs)[: len(early)], "beliefs already written stay"
    assert late.belief(end // HOUR_S * HOUR_S).strength_sd == pytest.approx(
        in_time.belief(end // HOUR_S * HOUR_S).strength_sd, rel=0.25
    )


def test_a_weak_reading_entered_late_still_says_why_people_poured_a_strong_mix():
    """Who has just read a weak sump corrects it: what the next addition may have been is judged anew."""
    _, blind = lived()
    _, late = lived(read(FIRST_H + 3.0, 3.7, at_h=FIRST_H - 0.5))
    first = late.state.sumps["mill-2"].additions[0]
    assert (blind.state.sumps["mill-2"].additions[0].mood, first.mood) == ("plain", "weak")
    assert kinds_of(late, 1)[strength.RICH] > 2.0 * kinds_of(blind, 1)[strength.RICH]
    taken_back = said(FIRST_H + 9.0, "void", record_time=T0 + HOUR_S * (FIRST_H + 3.0), record_signal="hand_reading")
    _, void = lived(read(FIRST_H + 3.0, 3.7, at_h=FIRST_H - 0.5), taken_back)
    assert void.state.sumps["mill-2"].additions[0].mood == "plain"
    assert kinds_of(void, 1) == pytest.approx(kinds_of(blind, 1), abs=0.05)


def test_a_reading_of_the_day_before_moves_people_less_than_one_just_taken():
    def share(age_h: float) -> float:
        mood = habits_of.mood_after(9.0, HOUR_S * age_h, 6.0, 7.0, 8.4)
        return habits_of.Habits().share(mood, strength.USUAL)

    assert share(2.0) < share(20.0) < habits_of.Habits().share(habits_of.PLAIN, strength.USUAL)


def test_a_lean_mix_by_hand_is_learned_as_lean():
    """A mix of its own below the usual one counts for lean mixes, one above for stronger ones."""
    for pct, kind in ((1.0, strength.LEAN), (6.0, strength.RICH)):
        _, run = lived(said(FIRST_H + 1.0, "addition", volume_l=None, pct=pct))
        assert run.state.sumps["mill-2"].additions[0].taught == ("plain", kind)


def test_a_late_reading_is_not_taken_for_the_newest():
    """Two readings, the older entered last: what people had just read before a pour is the newer."""
    _, run = lived(read(58.0, 5.7), read(59.0, 4.0, at_h=50.0))
    assert [round(r.pct, 1) for r in run.state.sumps["mill-2"].readings] == [6.0, 8.6]
    assert run.state.sumps["mill-2"].additions[0].mood == "strong"


def test_a_reading_from_before_all_that_is_kept_moves_nothing():
    plain = Plant(volume_l=210.0, loses_l_per_h=0.3)
    days = simulate(np.random.default_rng(8), plant=plain, hours=24.0 * 16, period_s=600.0)
    word = Record(T0 + 15.5 * DAY_S, "mill-2", "hand_reading", 2.0, at=T0 + 0.2 * DAY_S)
    runs = [drive(in_order(days.contact(), days.levels(), extra)) for extra in ([], [word])]
    assert strength_now(runs[0]) == pytest.approx(strength_now(runs[1]), abs=1e-6)


def test_a_later_reading_revises_what_an_unlogged_addition_was():
    """Same id, next revision: the second pour was a strong mix, and the reading after it says so."""
    _, run = lived(*(read_well(h) for h in (FIRST_H + 5.0, SECOND_H - 1.0, SECOND_H + 6.0, SECOND_H + 20.0)))
    second = [f for f in run.findings if abs(f.start - T0 - SECOND_H * HOUR_S) < 1200.0]
    assert len({f.id for f in second}) == 1 and len(second) >= 2
    assert [f.revision for f in second] == list(range(len(second)))
    assert all(a.time <= b.time for a, b in pairwise(second))
    assert abs(second[-1].makeup_pct - 8.0) < abs(second[0].makeup_pct - 8.0)
    assert second[-1].makeup_sd < 0.5 * second[0].makeup_sd
    assert second[-1].makeup_pct == pytest.approx(8.0, abs=2.5 * second[-1].makeup_sd)


# ---- additions


@pytest.mark.parametrize("late_h", [0.2, 5.0, 23.0])
def test_a_word_on_an_addition_goes_to_it(late_h):
    _, run = lived(said(SECOND_H + 0.1 + late_h, "addition", volume_l=40.0, pct=8.0))
    assert kinds_of(run, 0).get(strength.SAID, 0.0) > 0.8
    assert kinds_of(run, 1).get(strength.SAID, 0.0) == 0.0
    assert only(run)[-1].makeup_pct == pytest.approx(8.0, abs=1.5)
    assert run.state.sumps["mill-2"].words == []


def test_a_word_with_its_time_finds_the_older_of_two():
    at = T0 + FIRST_H * HOUR_S
    _, run = lived(said(FIRST_H + 20.0, "addition", volume_l=None, pct=0.0, at=at))
    assert kinds_of(run, 1)[strength.WATER] > 0.8 > kinds_of(run, 0).get(strength.WATER, 0.0)


def test_a_word_that_names_the_finding_is_meant_for_it():
    _, blind = lived()
    ident = only(blind)[0].id
    _, run = lived(said(SECOND_H + 12.0, "addition", volume_l=None, pct=0.0, of=ident))
    assert kinds_of(run, 1)[strength.WATER] > 0.8


def test_the_usual_mix_is_the_proportioners_and_not_its_setting():
    """Exactly usual_pct names the usual mix, whose real strength the proportioner's ratio decides."""
    _, run = lived(said(FIRST_H + 1.0, "addition", volume_l=30.0, pct=2.5))
    assert kinds_of(run, 1)[strength.USUAL] > 0.85
    assert only(run)[0].makeup_sd > 0.15


def test_said_before_the_level_has_settled_it_waits_for_it():
    _, run = lived(said(FIRST_H + 0.12, "addition", volume_l=31.0, pct=0.0))
    first = [f for f in run.findings if abs(f.start - T0 - FIRST_H * HOUR_S) < 1200.0]
    assert first[0].makeup_pct < 0.5 and kinds_of(run, 1)[strength.WATER] > 0.8


def test_said_twice_is_said_once():
    twice = [said(FIRST_H + h, "addition", volume_l=30.0, pct=0.0) for h in (1.0, 1.4)]
    once = lived(twice[0])[1]
    both = lived(*twice)[1]
    assert strength_now(both) == strength_now(once) and both.state.sumps["mill-2"].words == []


def test_a_word_far_from_any_addition_changes_nothing():
    """30 h before anything was poured, 200 L into a 200 L sump: it fits nothing and is forgotten."""
    _, blind = lived()
    _, run = lived(said(20.0, "addition", volume_l=200.0, pct=14.0))
    assert strength_now(run) == strength_now(blind)


HIDDEN = said(30.0, "addition", volume_l=24.0, pct=14.0)  # nothing of it is seen


def test_what_was_entered_and_never_seen_may_have_been_hidden_from_the_level():
    """Both are kept: that it went in, and that the word was none; no finding is told of it."""
    _, blind = lived(days=2.0, plant=PLAIN)
    _, run = lived(HIDDEN, days=2.0, plant=PLAIN)
    assert kinds_of(run, 0) == pytest.approx({strength.SAID: 0.7, strength.NOTHING: 0.3}, abs=0.01)
    assert strength_now(run)[0] > strength_now(blind)[0] + 0.3 and strength_now(run)[1] > strength_now(blind)[1]
    assert only(run) == only(blind)


def test_what_was_entered_twice_and_never_seen_counts_once():
    again = said(32.0, "addition", volume_l=24.0, pct=14.0)
    _, once = lived(HIDDEN, days=2.0, plant=PLAIN)
    _, twice = lived(HIDDEN, again, days=2.0, plant=PLAIN)
    assert strength_now(twice) == pytest.approx(strength_now(once), abs=1e-6)


def test_readings_tell_whether_the_level_has_hidden_it():
    seen = simulate(np.random.default_rng(7), PLAIN, 24.0 * 4, 120.0)
    hours = (20.0, 26.0, 50.0, 60.0, 70.0)
    words = [read(h, round(float(seen.pct[seen.at(T0 + HOUR_S * h)]) / 1.5, 1)) for h in hours]
    _, run = lived(HIDDEN, *words, days=4.0, plant=PLAIN)
    assert kinds_of(run, 0)[strength.NOTHING] > 0.6


def test_what_is_entered_of_what_was_not_seen_and_taken_back_leaves_no_trace():
    back = said(40.0, "void", record_time=HIDDEN.time, record_signal="addition")
    _, blind = lived(days=2.0, plant=PLAIN)
    _, run = lived(HIDDEN, back, days=2.0, plant=PLAIN)
    assert strength_now(run) == pytest.approx(strength_now(blind), abs=1e-6)
    assert run.state.sumps["mill-2"].words == []


def test_what_was_said_of_a_finding_that_the_level_takes_back_waits_for_another():
    _, run = lived(said(SECOND_H + 0.5, "addition", volume_l=40.0, pct=8.0))
    sump, habits = run.state.sumps["mill-2"], habits_of.Habits()
    last = sump.additions[-1].finding
    told(sump, habits, last.time + 60.0, Poured(last.start, last.start + 300.0, 0.1, 0.01))
    assert [(w.volume_l, w.pct) for w in sump.words] == [(last.volume_l, 8.0)]
    told(sump, habits, last.time + 120.0, Poured(last.start + 400.0, last.start + 800.0, 39.0, 1.0, before_l=150.0))
    assert sump.words == [] and sump.additions[-1].said_pct == 8.0


def test_a_wrong_word_is_outweighed_by_readings():
    """A person says water; the readings say that it was a strong mix."""
    words = [read_well(SECOND_H - 2.0), said(SECOND_H + 1.0, "addition", volume_l=40.0, pct=0.0)]
    later = [read_well(SECOND_H + h) for h in (6.0, 18.0, 30.0)]
    _, believed = lived(*words)
    _, corrected = lived(*words, *later)
    assert kinds_of(believed, 0)[strength.WATER] > 0.8
    assert kinds_of(corrected, 0)[strength.WATER] < 0.5
    assert only(corrected)[-1].revision > only(believed)[-1].revision


def test_a_metered_volume_is_the_additions_volume():
    _, run = lived(said(FIRST_H + 0.6, "metered", volume_l=30.7))
    first = only(run)[0]
    assert first.volume_l == pytest.approx(30.7) and first.volume_sd == pytest.approx(0.02 * 30.7)
    assert run.state.sumps["mill-2"].ledger.find(first.id).numbers[1] == pytest.approx(30.7)


# ---- taken back


def test_a_reading_taken_back_counts_as_never_made():
    _, never = lived(read(90.0, 4.6))
    _, void = lived(
        read(90.0, 4.6),
        read(100.0, 2.0),
        said(104.0, "void", record_time=T0 + 100.0 * HOUR_S, record_signal="hand_reading"),
    )
    assert strength_now(void) == pytest.approx(strength_now(never), abs=0.02)
    assert [r.pct for r in void.state.sumps["mill-2"].readings] == pytest.approx([6.9])


def test_a_word_on_an_addition_taken_back_leaves_it_open_again():
    word = said(FIRST_H + 1.0, "addition", volume_l=30.0, pct=0.0)
    _, never = lived()
    _, void = lived(word, said(FIRST_H + 4.0, "void", record_time=word.time, record_signal="addition"))
    assert strength_now(void) == pytest.approx(strength_now(never), abs=1e-6)
    assert kinds_of(void, 1) == pytest.approx(kinds_of(never, 1), abs=1e-6)
    assert not void.state.sumps["mill-2"].additions[0].said


def test_a_finding_that_a_person_dismisses_is_gone_for_good():
    _, blind = lived()
    ident = only(blind)[0].id
    _, run = lived(said(FIRST_H + 2.0, "dismissal", of=ident))
    mine = [f for f in run.findings if f.id == ident]
    assert mine[-1].withdrawn and mine[-1].revision == len(mine) - 1
    assert [f.id for f in only(run)] == [only(blind)[1].id]
    assert run.state.sumps["mill-2"].ledger.find(ident) is None


def test_what_nobody_said_or_found_is_taken_back_without_harm():
    _, blind = lived()
    odd = [
        said(50.0, "void", record_time=T0, record_signal="hand_reading"),
        said(50.1, "void", record_time=T0, record_signal="addition"),
        said(50.2, "void", record_time=T0, record_signal="recharge"),
        said(50.3, "dismissal", of="mill-2/1"),
        said(50.4, "dismissal", of="nonsense"),
    ]
    _, run = lived(*odd)
    assert strength_now(run) == strength_now(blind)
    assert [f.id for f in only(run)] == [f.id for f in only(blind)]


# ---- recharge and drained


def recharged() -> Plant:
    """Pumped out on a still morning, cleaned, filled anew hours later."""
    pours = [Pour(98.0, -130.0, minutes=20.0), Pour(99.5, 180.0, pct=7.4, minutes=30.0)]
    return Plant(pours=pours, volume_l=200.0, pct=5.2, runs=lambda h: 4.0 <= h % 24.0 < 20.0 and h < 96.0)


@pytest.mark.parametrize("words", [[], [said(103.0, "recharge", volume_l=180.0, pct=7.4)]], ids=["unsaid", "said"])
def test_a_recharge_that_the_level_shows_is_one_finding(words):
    days, run = lived(read(50.0, 3.5), *words, plant=recharged())
    stand = [f for f in run.moved(T0 + 97 * HOUR_S) if f.kind in ("recharge", "top_off")]
    assert [f.kind for f in stand] == ["recharge"]
    assert stand[0].volume_l == pytest.approx(180.0, abs=4.0)
    last = run.beliefs[-1]
    assert last.strength_pct == pytest.approx(7.4, abs=0.8 if words else 1.5)
    assert last.strength_p05 < days.pct[-1] < last.strength_p95


def test_a_recharge_that_no_level_shows_is_believed_at_its_time():
    word = said(90.0, "recharge", volume_l=190.0, pct=7.0, at=T0 + 80.0 * HOUR_S)
    _, run = lived(read(50.0, 3.2), word, plant=Plant())
    stand = only(run, "recharge")
    assert len(stand) == 1 and stand[0].start == T0 + 80.0 * HOUR_S and stand[0].time == T0 + 90.0 * HOUR_S
    assert run.belief(T0 + 89 * HOUR_S).strength_pct < 6.2 < run.belief(T0 + 91 * HOUR_S).strength_pct
    assert run.belief(T0 + 91 * HOUR_S).strength_pct == pytest.approx(7.0, abs=0.5)


def test_a_recharge_said_before_the_level_is_back_is_not_counted_twice():
    """The level was away while the sump was emptied and filled; a person said so before it came back."""
    days = simulate(np.random.default_rng(9), recharged(), 24.0 * 6, 120.0)
    levels = [r for r in days.levels() if not T0 + 97.0 * HOUR_S < r.time < T0 + 104.0 * HOUR_S]
    word = said(102.0, "recharge", volume_l=180.0, pct=7.4, at=T0 + 99.5 * HOUR_S)
    run = drive(in_order(days.contact(), levels, [read(50.0, 3.5), word]))
    assert [f.kind for f in run.moved(T0 + 97 * HOUR_S) if f.kind != "drained"] == ["recharge"]
    assert run.beliefs[-1].strength_pct == pytest.approx(7.4, abs=0.8)


@pytest.mark.parametrize("shown", [True, False])
def test_a_recharge_taken_back_is_what_it_was_before(shown):
    """Entered for the wrong machine: the strength and the findings are as if it had never been said."""
    plant = Plant(pours=[Pour(SECOND_H, 90.0, minutes=15.0)], volume_l=120.0) if shown else Plant(pours=POURS)
    word = said(SECOND_H + 3.0, "recharge", volume_l=100.0 if shown else 190.0, pct=7.0)
    _, never = lived(read(100.0, 4.0), plant=plant)
    back = said(SECOND_H + 5.0, "void", record_time=word.time, record_signal="recharge")
    _, run = lived(read(100.0, 4.0), word, back, plant=plant)
    assert strength_now(run) == pytest.approx(strength_now(never), abs=0.02)
    assert [(f.id, f.kind) for f in run.moved()] == [(f.id, f.kind) for f in never.moved()]


def test_what_is_said_to_be_drained_is_no_evaporation():
    """Let out over an afternoon, too slowly to be seen as one fall: said, it leaves at the strength it had."""
    slow = Pour(66.0, -24.0, minutes=240.0)
    words = [read(50.0, 4.5), said(71.0, "drained", volume_l=24.0)]
    days, heard = lived(*words, plant=Plant(pours=[slow], volume_l=200.0), days=4.0)
    _, deaf = lived(words[0], plant=Plant(pours=[slow], volume_l=200.0), days=4.0)
    assert heard.beliefs[-1].strength_pct <= deaf.beliefs[-1].strength_pct + 1e-6


@pytest.mark.parametrize("said_h", [58.05, 59.0])
def test_drained_in_one_go_and_said_counts_once(said_h):
    """Said before or after the level has told it: nothing is left over for the losses of the coming days."""
    plant = Plant(pours=[Pour(58.0, -40.0, minutes=6.0)], volume_l=205.0)
    _, run = lived(said(said_h, "drained", volume_l=40.0), plant=plant, days=4.0)
    assert [f.kind for f in run.moved()] == ["drained"]
    sump = run.state.sumps["mill-2"]
    assert sump.drained_l < 4.0
    assert [m for m in sump.ledger.moves if m.what == "out"] == [], "what somebody drained is no skimmed oil"


# ---- settings


@pytest.mark.parametrize(
    ("name", "value"), [("usual_pct", 4.0), ("target_pct", 7.5), ("low_pct", 5.5), ("high_pct", 9.0)]
)
def test_a_setting_counts_from_now_on(name, value):
    _, blind = lived()
    _, run = lived(said(80.0, "setting", field=name, value=value))
    early = [b for b in run.beliefs if b.time < T0 + 80 * HOUR_S]
    assert written(early) == written(blind.beliefs)[: len(early)]
    assert getattr(run.state.sumps["mill-2"].spec, name) == value
    if name == "usual_pct":
        assert run.beliefs[-1].makeup_pct == pytest.approx(1.6 * blind.beliefs[-1].makeup_pct, rel=0.05)
        assert only(run)[1].makeup_pct > only(blind)[1].makeup_pct
        assert only(run)[0].makeup_pct == only(blind)[0].makeup_pct


def test_another_refractometer_factor_reads_the_next_reading_otherwise():
    words = [read(50.0, 4.6), said(80.0, "setting", field="refractometer_factor", value=1.2), read(90.0, 5.75)]
    _, run = lived(*words)
    assert [r.pct for r in run.state.sumps["mill-2"].readings] == pytest.approx([6.9, 6.9])
    assert run.belief(T0 + 91 * HOUR_S).strength_pct == pytest.approx(6.9, abs=0.4)


def test_a_new_curve_moves_the_litres_at_once_and_is_no_pour():
    """The old curve read 15 L too little; the new one is put in at noon."""
    days = simulate(np.random.default_rng(7), Plant(pours=POURS, volume_l=185.0), 24.0 * 6, 120.0)
    wrong = [with_level(r, float(r.value) - 15.0) for r in days.levels()]
    curve = [[0.0, 15.0], [300.0, 315.0]]
    run = drive(in_order(days.contact(), wrong, [said(83.9, "setting", field="curve", value=curve)]))
    assert [f.kind for f in run.moved()] == ["top_off", "top_off"]
    for b in run.beliefs:
        if b.time > T0 + DAY_S:
            truth = days.volume_l[days.at(b.time)] - (15.0 if b.time < T0 + 84 * HOUR_S else 0.0)
            assert b.volume_l == pytest.approx(truth, abs=3.0)


def test_a_new_curve_in_another_unit_leaves_the_litres_as_they_are():
    """The transmitter is set to millimetres instead of centimetres, and the curve with it."""
    days = simulate(np.random.default_rng(7), Plant(pours=POURS, volume_l=185.0), 24.0 * 6, 120.0)
    when = T0 + 84.0 * HOUR_S
    levels = [r if r.time < when else with_level(r, 10.0 * float(r.value)) for r in days.levels()]
    setting = Record(when - 1.0, "mill-2", "setting", [[0.0, 0.0], [3000.0, 300.0]], field="curve")
    run = drive(in_order(days.contact(), levels, [setting]))
    assert [f.kind for f in run.moved()] == ["top_off", "top_off"]
    assert run.beliefs[-1].volume_l == pytest.approx(days.volume_l[-1], abs=3.0)


def with_level(record: Record, value: float) -> Record:
    return msgspec.structs.replace(record, value=round(value, 4))


# ---- whatever people say


@st.composite
def any_word(draw: st.DrawFn) -> Record:
    hour = draw(st.floats(0.0, 140.0))
    signal = draw(st.sampled_from(
        ["hand_reading", "titration", "addition", "metered", "recharge", "drained", "dismissal", "setting", "void"]
    ))  # fmt: skip
    at = draw(st.none() | st.floats(max(0.0, hour - 30.0), hour + 0.05))
    litres, pct = draw(st.none() | st.floats(0.0, 400.0)), draw(st.none() | st.floats(0.0, 100.0))
    word = said(hour, signal, at=None if at is None else T0 + HOUR_S * at)
    match signal:
        case "hand_reading" | "titration":
            return msgspec.structs.replace(word, value=draw(st.floats(0.0, 100.0)))
        case "addition" | "recharge":
            return msgspec.structs.replace(word, volume_l=litres, pct=pct)
        case "metered" | "drained":
            return msgspec.structs.replace(word, volume_l=litres or 0.0)
        case "dismissal":
            return msgspec.structs.replace(word, of=draw(st.sampled_from(IDENTS)))
        case "setting":
            name = draw(st.sampled_from(["usual_pct", "target_pct", "low_pct", "high_pct", "refractometer_factor"]))
            return msgspec.structs.replace(word, field=name, value=draw(st.floats(0.3, 10.0)))
    told = draw(st.floats(0.0, 140.0))
    return msgspec.structs.replace(word, record_time=T0 + HOUR_S * told, record_signal=draw(st.sampled_from(SAYABLE)))


SAYABLE = ["hand_reading", "titration", "addition", "recharge", "drained", "metered", "setting"]
LIVED = lived()
IDENTS = [f.id for f in LIVED[1].findings] + ["mill-2/x"]


@settings(max_examples=12, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(any_word(), max_size=25))
def test_nothing_that_people_say_breaks_the_estimate(words):
    """Any words, late and early, right and absurd: finite figures, revisions in order, a state that can be kept."""
    days = LIVED[0]
    records = in_order(days.contact(), days.levels()[::5], sorted(words, key=lambda r: r.time))
    run = drive(records, every_s=7200.0)
    for b in run.beliefs:
        row = {k: v for k, v in b.row().items() if isinstance(v, float)}
        assert all(np.isfinite(v) for v in row.values())
        assert 0.0 <= b.strength_p05 <= b.strength_p95 and b.strength_sd > 0.0 and b.volume_sd > 0.0
    revisions: dict[str, int] = {}
    for f in run.findings:
        assert f.revision == revisions.get(f.id, -1) + 1
        revisions[f.id] = f.revision
    assert written(finish(load(dump(run.state), SITE), SITE)) == written(finish(run.state, SITE))


def test_a_word_a_little_out_of_order_is_of_the_time_at_which_it_was_judged():
    """A reading stamped half a minute before the last level that was taken: its revisions are not back-dated."""
    days, run = lived(read(58.0, 4.5))
    late = days.time[-1] - 30.0
    state, outputs = step(run.state, Record(late, "mill-2", "hand_reading", 5.2), SITE)
    findings = [o for o in outputs if isinstance(o, Finding)]
    assert findings and all(f.time >= days.time[-1] for f in findings)
    assert state.sumps["mill-2"].readings[-1].time == late
