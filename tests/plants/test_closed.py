"""The closed loop: the rules of advice hold on machines that nobody tuned to, and both ways meet the same machine."""

from __future__ import annotations

import secrets
from dataclasses import replace

import pytest

from agent.core.outputs import Advice
from agent.records import Record
from tests.plants.closed import POURS, Diary, Operator, advised, flips, measure, outcomes, practised, table
from tests.plants.kit import DAY_MIN
from tests.plants.machine import KINDS, draw_machine, troubled

DAYS = 8


@pytest.mark.parametrize("kind", KINDS)
def test_one_instruction_at_a_time_that_fits_and_can_be_measured(kind: str) -> None:
    seed = secrets.randbelow(10**6)
    print(f"seed {seed}")
    machine, diary, said = advised(seed, seed % 12, DAYS, kind, says=seed % 2 == 0, strays=True)
    spec, standing, seen = machine.spec, "", set()
    for one in (row for row in said if isinstance(row, Advice)):
        if one.withdrawn:
            assert one.id == standing and one.reason
            standing = ""
            continue
        assert one.id == standing or (standing == "" and one.id not in seen)
        standing = one.id
        seen.add(one.id)
        if one.kind in POURS:
            assert spec.leanest_pct <= one.makeup_pct <= spec.richest_pct
            assert one.expected_volume_l <= spec.high_l
            assert one.water_l + one.concentrate_l == pytest.approx(one.volume_l)
    assert len(seen) == sum(diary.posted.values())
    assert flips(said) == []
    assert len(outcomes(machine, said)) <= sum(diary.posted[kind] for kind in POURS)


def test_who_is_told_the_strength_believes_it_and_every_hour_out_of_band_has_a_cause() -> None:
    seed = secrets.randbelow(10**6)
    print(f"seed {seed}")
    known = advised(seed, 3, DAYS + 3, "mixed", oracle=True)[1].causes
    assert (known.error2 / known.counted) ** 0.5 < 0.2
    machine, diary, _ = advised(seed, 3, DAYS + 3, "mixed")
    true, spec, causes = machine.strength_pct[DAYS * DAY_MIN :: 60], machine.spec, diary.causes
    assert abs(causes.counted - 72) <= 1
    assert abs(sum(causes.hours.values()) - sum((true < spec.low_pct) | (true > spec.high_pct))) <= 1


def test_a_flip_is_seen() -> None:
    rich, lean = (Advice(i, 0.0, "x", kind, *[None] * 9, "so") for i, kind in (("a1", "strengthen"), ("a2", "thin")))
    gone, done = (
        replace(rich, withdrawn=True, reason="superseded: so"),
        replace(rich, withdrawn=True, reason="done: so"),
    )
    assert flips([rich, gone, lean]) == [(rich, lean)]
    assert flips([rich, done, lean]) == [] and flips([rich, replace(rich, volume_l=3.0)]) == []


def test_both_ways_meet_the_same_machine() -> None:
    one, other = draw_machine(5, 4, DAYS), practised(5, 4, DAYS)[0]
    assert one.spec == other.spec and one.litres == other.volume_l[0]
    assert (one.parts.loss.water_l == other.parts.loss.water_l).all()


def test_a_machine_keeps_its_books() -> None:
    machine, _, _ = advised(11, 0, 3, says=True)
    loss = machine.parts.loss
    before = machine.volume_l[0] * machine.strength_pct[0]
    assert machine.volume_l.min() > 0.0 and before > 0.0
    quiet = [k for k in range(len(machine.volume_l) - 1) if machine.volume_l[k + 1] <= machine.volume_l[k]]
    for k in quiet[::37]:
        assert machine.volume_l[k] - machine.volume_l[k + 1] == pytest.approx(loss.water_l[k] + loss.carry_l[k])


def test_troubles_are_the_leaks_and_the_way_oil() -> None:
    found = {rank: draw_machine(7 + rank, rank, 20) for rank in (0, 2, 3)}
    assert [troubled(machine) for machine in found.values()] == [False, True, True]
    assert found[2].parts.oil_brix.any() and found[3].parts.leak_l.any()


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_plant_sends_levels_at_its_own_pace(kind: str) -> None:
    machine = draw_machine(3, 0, 2, kind)
    records = [r for _ in range(288) for r in machine.run()]
    levels = [r.time for r in records if r.signal == "level"]
    pace_s = [b - a for a, b in zip(levels, levels[1:], strict=False)]
    assert min(pace_s) == 60.0 * KINDS[kind].every_min and len(set(levels)) == len(levels)


def test_who_is_asked_about_what_nobody_poured_says_so() -> None:
    machine = draw_machine(5, 4, 2)
    operator = Operator(machine, Diary())
    operator.poured.append((1.76e9, 40.0, 2.5))
    asks = Advice("a1", 1.76e9, "x", "ask", *[None] * 9, "what was it?", of="x/1760000600")
    (answer,) = operator._do(asks)
    assert isinstance(answer, Record) and (answer.signal, answer.volume_l, answer.pct) == ("addition", 40.0, 2.5)
    asks = Advice("a2", 1.76e9, "x", "ask", *[None] * 9, "what was it?", of="x/1760090000")
    (answer,) = operator._do(asks)
    assert (answer.signal, answer.of) == ("dismissal", "x/1760090000")


def test_the_table_marks_what_misses_its_must() -> None:
    rows = measure(["mixed"], ["practice"], 3, 1, 10)
    (row,) = rows.values()
    row.strength, row.level, row.readings = [0.969], [0.995], [1.4]
    cells = table(rows).splitlines()[-1].split(" | ")
    assert [c.endswith("!") for c in cells[2:7]] == [True, False, False, False, True]
