"""The plants keep their own books, speak the contract, and repeat; the judge judges as it says."""

from __future__ import annotations

import json
import secrets
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from agent.records import decode_line
from agent.site import check_site
from tests.plants import carry, lean, mixed
from tests.plants.__main__ import KINDS, make
from tests.plants.kit import START_S, Fluid, Sump, new_books
from tests.plants.people import Habits, Person
from tests.plants.reference import Notes, balance, kalman, take_notes
from tests.plants.score import FROM_S, figures, hand_readings, last_held, load_truth, score_plant

BUILD = {"mixed": mixed.build, "carry": carry.build, "lean": lean.build}
DAYS = 14


@pytest.fixture(scope="module", params=KINDS)
def shop(request: pytest.FixtureRequest) -> list[Sump]:
    """A small shop of each kind, from a seed drawn now; the seed is shown when a test fails."""
    seed = secrets.randbelow(10**6)
    print(f"{request.param} seed {seed}")
    return BUILD[request.param](np.random.default_rng(seed), 6, DAYS)


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A `mixed` plant of four sumps on disk, long enough to be judged."""
    folder = tmp_path_factory.mktemp("plant")
    make("mixed", 11, 4, 24, folder)
    return folder


def test_every_minute_balances_in_mix_and_in_concentrate(shop: list[Sump]) -> None:
    for sump in shop:
        b = sump.books
        came, conc, water, mix = (np.array(x) for x in (b.in_l, b.in_concentrate_l, b.water_out_l, b.mix_out_l))
        c = b.concentrate_l[:-1] / b.volume_l[:-1]
        assert np.abs(np.diff(b.volume_l) - (came - water - mix)).max() < 1e-9
        assert np.abs(np.diff(b.concentrate_l) - (conc - mix * c)).max() < 1e-9


def test_nothing_runs_dry_over_or_stronger_than_its_makeup(shop: list[Sump]) -> None:
    for sump in shop:
        assert sump.books.volume_l.min() > 0
        assert sump.books.volume_l.max() < 1.15 * sump.high_l
        assert sump.books.strength_pct.min() > 0 and sump.books.strength_pct.max() < 40


def test_what_people_poured_is_what_the_truth_lists(shop: list[Sump]) -> None:
    for sump in shop:
        listed = [e for e in sump.events if e.event in ("addition", "recharge")]
        whole = [e for e in listed if e.end < START_S + 60 * len(sump.books.in_l)]
        for e in whole:
            span = slice(round(e.start - START_S) // 60, round(e.end - START_S) // 60)
            assert sum(sump.books.in_l[span]) == pytest.approx(e.volume_l)
            assert sum(sump.books.in_concentrate_l[span]) == pytest.approx(e.volume_l * e.pct / 100)
        if len(whole) == len(listed):
            assert sum(sump.books.in_l) == pytest.approx(sum(e.volume_l for e in listed))


@pytest.mark.parametrize("kind", KINDS)
def test_records_and_site_pass_the_doors_of_the_agent(kind: str, tmp_path: Path) -> None:
    make(kind, secrets.randbelow(10**6), 4, 6, tmp_path)
    faults, _ = check_site(tmp_path / "site.toml")
    assert faults == []
    known = set(load_truth(tmp_path)[0])
    last = 0.0
    for line in (tmp_path / "records.jsonl").read_bytes().splitlines(keepends=True):
        record = decode_line(line)
        assert record.time >= last and record.sump in known
        last = record.time


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_seed_gives_the_same_bytes_and_another_does_not(kind: str, tmp_path: Path) -> None:
    for name, seed in (("a", 5), ("b", 5), ("c", 6)):
        make(kind, seed, 3, 5, tmp_path / name)
    for file in ("site.toml", "records.jsonl", "truth.json"):
        a, b, c = ((tmp_path / name / file).read_bytes() for name in "abc")
        assert a == b and a != c


def test_a_weak_reading_brings_a_rich_mix_and_a_strong_one_a_lean_mix() -> None:
    for read_pct, rich in ((4.0, True), (9.0, False)):
        person = eager_person(read_pct)
        kind, said, real = person.choose(100, 70.0, 20.0)
        assert kind in ("water", "corrective")
        assert said == pytest.approx(real, rel=0.5)
        assert (said > 6.0) is rich


def eager_person(read_pct: float) -> Person:
    """Somebody at a 7 % sump who always corrects, and has just read `read_pct`."""
    habits = Habits(1.0, 0.0, 0.0, 1.0, 2.0, 0.1, 0.1, 0.0, 0.95, 0.02, 0.3)
    fluid = Fluid(7.0, 6.0, 8.4, 1.5, 2.0, 0.7, 14.0)
    books, ones = new_books(200, np.zeros(200)), np.ones(200)
    rng = np.random.default_rng(1)
    person = Person("s", rng, fluid, habits, 100.0, 70.0, 105.0, books, ones, 0 * ones, 0 * ones)
    person.read_at, person.read_pct = 90, read_pct
    return person


def write_out(plant: Path, shift: Any = 0.0, leak_withdrawn: bool = False, skip: int = 0) -> Path:
    """What an estimator that knows the truth would write, its strength off by `shift`, `skip` top-offs unsaid."""
    truth, arrays = load_truth(plant)
    rows: list[dict[str, Any]] = []
    for sump, facts in truth.items():
        for t, v, c in zip(arrays["time"], arrays[f"{sump}/volume_l"], arrays[f"{sump}/strength_pct"], strict=True):
            said = {"volume_l": v, "strength_pct": c + shift}
            said |= {"strength_p05": c + shift - 0.1, "strength_p95": c + shift + 0.1}
            rows.append({"type": "belief", "time": float(t), "sump": sump, **said})
        pours = [e for e in facts["events"] if e["event"] in ("addition", "recharge")]
        for i, e in enumerate(pours[skip:]):
            rows.append(found(sump, f"{sump}-{i}", e))
    if leak_withdrawn:
        leak = {"type": "finding", "id": "x", "sump": next(iter(truth)), "kind": "leak", "start": FROM_S + 60.0}
        rows += [
            {**leak, "time": FROM_S + 60.0},
            {**leak, "time": FROM_S + 120.0, "withdrawn": True},
        ]
    out = plant / "out.jsonl"
    out.write_text("".join(json.dumps(r) + "\n" for r in rows), encoding="utf-8")
    return out


def found(sump: str, name: str, event: dict[str, Any]) -> dict[str, Any]:
    """A finding that tells an event as it was."""
    kind = "recharge" if event["event"] == "recharge" else "top_off"
    told = {"start": event["start"], "end": event["end"], "volume_l": event["volume_l"], "makeup_pct": event["pct"]}
    return {"type": "finding", "id": name, "time": event["end"] + 900, "sump": sump, "kind": kind, **told}


def test_the_truth_itself_scores_perfectly(plant: Path) -> None:
    got = figures(score_plant(plant, write_out(plant)))
    assert got["strength_ratio"] == pytest.approx(0.0, abs=1e-12)
    assert got["inside"] == 1.0 and got["found"] == 1.0 and got["precision"] == 1.0
    assert got["top_off_volume_error"] == 0.0 and got["volume_rmse"] == 0.0 and got["false_leaks"] == 0.0


def test_a_constant_error_scores_its_share_of_the_last_reading_held(plant: Path) -> None:
    truth, arrays = load_truth(plant)
    hours = arrays["time"].astype(float)
    use, squares = hours >= FROM_S, []
    for sump, facts in truth.items():
        held = last_held(hand_readings(plant)[sump], facts["factor"], facts["target_pct"], hours)
        squares.append(np.mean((held - arrays[f"{sump}/strength_pct"])[use] ** 2))
    got = figures(score_plant(plant, write_out(plant, shift=0.5)))
    assert got["strength_ratio"] == pytest.approx(0.5 / np.sqrt(np.mean(squares)))
    assert got["inside"] == 0.0


def test_a_withdrawn_leak_counts_as_false(plant: Path) -> None:
    tallies = score_plant(plant, write_out(plant, leak_withdrawn=True))
    assert sum(t.false_leaks for t in tallies.values()) == 1


def test_top_offs_that_were_not_said_are_missed(plant: Path) -> None:
    full, short = (score_plant(plant, write_out(plant, skip=n)) for n in (0, 99))
    assert sum(t.found for t in full.values()) == sum(t.to_find for t in short.values()) > 0
    assert sum(t.found for t in short.values()) == 0


def test_the_last_reading_holds_from_its_time_and_the_target_before() -> None:
    held = last_held([(100.0, 4.0), (300.0, 5.0)], 1.5, 7.0, np.array([50.0, 100.0, 299.0, 300.0]))
    assert held.tolist() == [7.0, 6.0, 6.0, 7.5]


def test_the_sheet_by_hand_balances_a_worked_day() -> None:
    # 100 L at 5 %, 10 L gone of which 3 L as mix: 500 - 15 = 485 over 90 L
    assert balance(5.0, 100.0, 90.0, [], 100.0, 2.0) == pytest.approx(485 / 90)
    # 20 L at 3 % in, 10 L gone: 500 + 60 - 15 over 110 L
    assert balance(5.0, 100.0, 110.0, [(20.0, 3.0)], 100.0, 2.0) == pytest.approx(545 / 110)
    # a rise that nobody logged counts as the usual mix
    assert balance(5.0, 100.0, 110.0, [], 200.0, 2.0) == pytest.approx(520 / 110)


def test_the_one_state_filter_matches_its_textbook_gain() -> None:
    site = {"fluid": {"target_pct": 7.0, "refractometer_factor": 1.0}}
    mean, sd = kalman(Notes(site, readings=[(3600.0, 8.0)]), np.array([3600.0]))
    p, r = 1.0 + 0.3**2 / 24, 0.25**2
    assert mean[0] == pytest.approx(7.0 + p / (p + r))
    assert sd[0] == pytest.approx(np.sqrt(p * r / (p + r)))


def test_notes_hold_each_hand_reading_in_percent(plant: Path) -> None:
    truth, _ = load_truth(plant)
    for sump, notes in take_notes(plant).items():
        brix = hand_readings(plant)[sump]
        assert [c for _, c in notes.readings] == pytest.approx([v * truth[sump]["factor"] for _, v in brix])
        assert len(notes.mornings) > DAYS


def test_a_shop_of_24_has_every_kind_of_trouble() -> None:
    shop = mixed.build(np.random.default_rng(secrets.randbelow(10**6)), 24, 40)
    seen = {e.event for s in shop for e in s.events}
    assert {"addition", "leak", "recharge", "drained", "gap", "stuck", "wrong_reading"} <= seen
    assert any(s.curve[0][1] > s.curve[-1][1] for s in shop) and any(s.curve[0][1] < s.curve[-1][1] for s in shop)
    assert {e.kind for s in shop for e in s.events if e.event == "addition"} == {"usual", "water", "corrective"}
    assert asdict(shop[0].events[0])["sump"] == "sump-01"
