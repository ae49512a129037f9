"""The belief in words: every number in them is the plant's or the estimator's own."""

from __future__ import annotations

import re

import numpy as np
import pytest

from agent.core import strength
from agent.core.explain import doubted
from agent.core.step import belief_at, explain
from agent.records import Record
from tests.replay.small import DAY_S, SITE, T0, Days, Plant, Pour, Run, drive, hand, in_order, simulate

HOUR_S = 3600.0
LITRES = r"(?P<{0}>[+-]?[\d.]+) ± (?P<{0}_half>[\d.]+) L"
BALANCE = re.compile(
    r"^(?P<since>[A-Z][\w ]+), (?P<hours>\d+) h ago: "
    + LITRES.format("poured") + " in; " + LITRES.format("water") + " out as water, " + LITRES.format("mix")
    + " out as mix(?:, " + LITRES.format("leaked") + " leaked)?(?:, " + LITRES.format("drained") + " drained)?: "
    + LITRES.format("change") + r"\.$",
    re.M,
)  # fmt: skip


def lived(words: list[Record], days: float = 6.0, every_s: float = 300.0, **changes: object) -> tuple[Days, Run]:
    plant = Plant(pours=[Pour(66.0, 30.0), Pour(114.5, 20.0, pct=8.0)], volume_l=185.0, **changes)  # type: ignore[arg-type]
    lived_days = simulate(np.random.default_rng(1), plant, 24.0 * days, every_s)
    return lived_days, drive(in_order(lived_days.contact(), lived_days.levels(), words))


def told(run: Run, when: float) -> str:
    return explain(run.state, "mill-2", when, SITE)


def balance(text: str) -> dict[str, float]:
    found = BALANCE.search(text)
    assert found, text
    return {k: float(v or 0.0) for k, v in found.groupdict().items() if k != "since"}


@pytest.mark.parametrize("read_h", [None, 40.0, 60.02, 100.3])
def test_the_balance_closes_on_the_plants_own_litres(read_h):
    """In less out, since the last reading, is what the level rose or fell by; to a per cent of the tank."""
    words = [] if read_h is None else [hand(T0 + HOUR_S * read_h, 4.6)]
    days, run = lived(words)
    now = days.time[-1]
    b = balance(told(run, now))
    since = T0 + HOUR_S * (read_h or 0.0)
    assert b["hours"] == pytest.approx((now - since) / HOUR_S, abs=0.51)
    assert b["poured"] - b["water"] - b["mix"] == pytest.approx(b["change"], abs=0.11)
    truth = days.volume_l[-1] - days.volume_l[days.at(since)]
    assert b["change"] == pytest.approx(truth, abs=2.0)
    poured = sum(litres for hour, litres in ((66.0, 30.0), (114.5, 20.0)) if hour > (read_h or 0.0))
    assert b["poured"] == pytest.approx(poured, abs=1.5)
    assert abs(b["change"] - truth) <= b["change_half"] and 0.0 < b["change_half"] < 0.02 * 340.0
    assert abs(b["poured"] - poured) <= b["poured_half"] + 0.05  # as far as it is written out
    lost = b["water"] + b["mix"]
    assert abs(lost - (poured - truth)) <= b["water_half"] + b["mix_half"]


def test_it_can_be_asked_between_two_levels_and_after_the_last():
    days, run = lived([])
    now = days.time[-1]
    first, later = balance(told(run, now)), balance(told(run, now + 12 * HOUR_S))
    assert later["change"] < first["change"] and later["change_half"] > first["change_half"]
    assert later["hours"] == first["hours"] + 12


def test_a_leak_and_what_was_drained_are_told_apart_from_the_losses():
    days, run = lived([hand(T0 + 12.05 * DAY_S, 4.6)], 13.0, leak_l_per_h=1.4, leak_from_h=24.0 * 11)
    b = balance(told(run, days.time[-1]))
    assert b["leaked"] == pytest.approx(1.4 * b["hours"], rel=0.25)
    assert b["change"] == pytest.approx(days.volume_l[-1] - days.volume_l[days.at(T0 + 12.05 * DAY_S)], abs=2.0)
    plant = Plant(pours=[Pour(50.0, -25.0, minutes=6.0)], volume_l=185.0)
    days = simulate(np.random.default_rng(2), plant, 60.0)
    run = drive(in_order(days.contact(), days.levels()))
    assert balance(told(run, days.time[-1]))["drained"] == pytest.approx(25.0, abs=1.5)


def test_the_first_line_is_the_belief():
    days, run = lived([hand(T0 + 40 * HOUR_S, 4.6)])
    now = days.time[-1] + 60.0
    b = belief_at(run.state, "mill-2", now, SITE)
    first = told(run, now).splitlines()[0]
    assert first.startswith(f"Mill 2: {b.volume_l:.0f} ± {1.645 * b.volume_sd:.0f} L at {b.strength_pct:.1f} %")
    assert f"between {b.strength_p05:.1f} and {b.strength_p95:.1f} %" in first and first.endswith(f"{b.status}.")


def test_each_addition_says_what_it_was_judged_and_why():
    """What was said, what had been read before, and how likely each kind now is."""
    words = [
        hand(T0 + 64.0 * HOUR_S, 5.6),  # 8.4 %: strong
        Record(T0 + 68.0 * HOUR_S, "mill-2", "addition", volume_l=30.0, pct=2.5),
        hand(T0 + 112.0 * HOUR_S, 3.9),  # 5.9 %: weak
    ]
    days, run = lived(words)
    lines = [line for line in told(run, days.time[-1]).splitlines() if " L in" in line and line.startswith("- ")]
    assert len(lines) == 2
    assert "said to be 2.5 %" in lines[0] and "after a strong reading" in lines[0]
    assert "said" not in lines[1] and "after a weak reading" in lines[1]
    sump = run.state.sumps["mill-2"]
    for slot, line in enumerate(reversed(lines)):
        for kind, p in strength.kind_weights(sump.ledger.mix, slot).items():
            if p > 0.03:
                assert f"{strength.KIND_NAMES[kind]} {100 * p:.0f} %" in line


def test_a_reading_that_was_doubted_is_named():
    words = [hand(T0 + HOUR_S * h, brix) for h, brix in ((30.0, 4.7), (54.0, 4.8), (60.0, 7.4))]
    days, run = lived(words)
    doubts = [line for line in told(run, days.time[-1]).splitlines() if "doubted" in line]
    assert len(doubts) == 1 and "11.1 %" in doubts[0]
    (held,) = doubted(run.state.sumps["mill-2"])
    assert (held.time, held.pct) == (T0 + 60.0 * HOUR_S, pytest.approx(11.1)) and held.doubt > 0.5


def test_what_is_prior_and_what_is_learned_is_said():
    fresh = told(lived([], 0.1)[1], T0 + 8000.0).splitlines()[-1]
    words = [hand(T0 + DAY_S * d, 4.7) for d in range(1, 30, 2)]
    known = told(lived(words, 30.0, 600.0)[1], T0 + 30 * DAY_S).splitlines()[-1]
    assumed = [float(re.search(r"\((\d+) % of that is still assumption", line)[1]) for line in (fresh, known)]
    assert assumed[0] == 100.0 and assumed[1] < 100.0


def test_before_anything_is_known_there_are_words_too():
    run = drive([])
    text = told(run, T0)
    assert "stale" in text.splitlines()[0] and "still assumption" in text
    assert "No level has been read yet." in text and not BALANCE.search(text)
