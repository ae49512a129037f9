"""The closed loop: the rules of advice hold on machines that nobody tuned to, and both ways meet the same machine."""

from __future__ import annotations

import secrets

import pytest

from agent.core.outputs import Advice
from tests.plants.closed import POURS, advised, outcomes, practised, ranks
from tests.plants.machine import draw_machine

DAYS = 8


@pytest.mark.parametrize("says", [True, False])
def test_one_instruction_at_a_time_that_fits_and_can_be_measured(says: bool) -> None:
    seed = secrets.randbelow(10**6)
    print(f"seed {seed}")
    machine, diary, said = advised(seed, seed % 12, DAYS, says=says, strays=True)
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
    assert len(outcomes(machine, said)) <= sum(diary.posted[kind] for kind in POURS)


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


def test_troubles_are_told_apart() -> None:
    for troubled in (False, True):
        found = [draw_machine(7 + r, r, 20).parts for r in ranks(6, troubled)]
        assert [bool(p.leak_l.any() or p.oil_brix.any()) for p in found] == [troubled] * 6
