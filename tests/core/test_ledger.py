"""The ledger: a word that comes late, is changed or taken back counts as if it had never been otherwise."""

from __future__ import annotations

from math import log

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.core import strength
from agent.core.ledger import COPY_EVERY_S, KEEP_S, Ledger, Move, apply
from agent.core.strength import LEAN, RICH, USUAL, WATER, C, Kind, Mixture

HOUR_S = 3600.0
seeds = st.integers(0, 2**32 - 1)
KINDS = [
    Kind(USUAL, 2.5, 0.15, log(0.7)),
    Kind(WATER, 0.0, 0.04, log(0.1)),
    Kind(RICH, 8.0, 2.5, log(0.15)),
    Kind(LEAN, 1.2, 0.6, log(0.05)),
]


def hoped() -> Mixture:
    return strength.begin(7.0, 1.0)


def drawn_moves(rng: np.random.Generator, n: int, hours: float = 100.0) -> list[Move]:
    """Moves of all sorts, each at a time of its own, each with a ref."""
    times = np.sort(rng.choice(int(hours * 60), n, replace=False)) * 60.0
    return [drawn_move(rng, float(t), f"m{i}") for i, t in enumerate(times)]


def drawn_move(rng: np.random.Generator, time: float, ref: str) -> Move:
    what = str(rng.choice(["lose", "pour", "hand", "titration", "inline", "renew"], p=[0.4, 0.2, 0.2, 0.05, 0.1, 0.05]))
    volume, brix = float(rng.uniform(120.0, 200.0)), float(rng.normal(4.5, 0.4))
    numbers = {
        "lose": (float(rng.uniform(0.0, 4.0)), 0.2, volume, 0.25),
        "pour": (volume, float(rng.uniform(5.0, 50.0)), 0.5, 2.5),
        "hand": (brix, 1.5, 0.2),
        "titration": (1.5 * brix, 0.25),
        "inline": (brix, 1.5, 0.12),
        "renew": (volume,),
    }
    return Move(time, what, numbers[what], KINDS if what in ("pour", "renew") else [], ref)


def kept(moves: list[Move]) -> Ledger:
    """A ledger that was told each move when it happened."""
    ledger = Ledger(hoped())
    for move in moves:
        ledger.add(Move(move.time, move.what, move.numbers, list(move.kinds), move.ref))
    return ledger


def same(a: Mixture, b: Mixture) -> None:
    """Equal to 1e-9, branch by branch."""
    assert len(a.w) == len(b.w)
    for one, other in ((a.w, b.w), (a.x, b.x), (a.P, b.P), (a.slots, b.slots)):
        assert one == pytest.approx(other, rel=1e-9, abs=1e-9)
    assert (a.kinds == b.kinds).all()


def carried(moves: list[Move]) -> Mixture:
    """The moves one after the other, with no ledger at all."""
    mix = hoped()
    for move in moves:
        mix = apply(mix, move)
    return mix


@settings(max_examples=25)
@given(seeds, st.integers(1, 25))
def test_in_time_the_ledger_is_its_moves_one_after_the_other(seed, n):
    moves = drawn_moves(np.random.default_rng(seed), n)
    same(kept(moves).mix, carried(moves))


@settings(max_examples=25)
@given(seeds, st.integers(2, 20), st.data())
def test_a_move_put_in_late_counts_as_if_it_had_come_in_time(seed, n, data):
    moves = drawn_moves(np.random.default_rng(seed), n)
    late = data.draw(st.lists(st.integers(0, n - 1), min_size=1, max_size=4, unique=True))
    ledger = kept([m for i, m in enumerate(moves) if i not in late])
    for i in late:
        ledger.add(moves[i])
    assert [m.time for m in ledger.moves] == [m.time for m in moves]
    same(ledger.mix, carried(moves))


@settings(max_examples=25)
@given(seeds, st.integers(2, 20), st.data())
def test_a_move_taken_back_counts_as_never_made(seed, n, data):
    moves = drawn_moves(np.random.default_rng(seed), n)
    ledger = kept(moves)
    gone = data.draw(st.lists(st.integers(0, n - 1), min_size=1, max_size=n, unique=True))
    for i in gone:
        assert ledger.remove(f"m{i}")
        assert not ledger.remove(f"m{i}"), "it is there no more"
    same(ledger.mix, carried([m for i, m in enumerate(moves) if i not in gone]))


@settings(max_examples=25)
@given(seeds, st.integers(1, 20), st.data())
def test_a_move_changed_counts_as_never_otherwise(seed, n, data):
    rng = np.random.default_rng(seed)
    moves = drawn_moves(rng, n)
    i = data.draw(st.integers(0, n - 1))
    other = drawn_move(rng, moves[i].time, moves[i].ref)
    ledger = kept(moves)
    ledger.change(f"m{i}", what=other.what, numbers=other.numbers, kinds=other.kinds)
    same(ledger.mix, carried([*moves[:i], other, *moves[i + 1 :]]))


@settings(max_examples=8)
@given(seeds)
def test_whatever_is_done_to_it_the_ledger_is_its_moves(seed):
    """Late, changed and taken back in any order, over days, with copies of the mixture here and there."""
    rng = np.random.default_rng(seed)
    ledger, told = Ledger(hoped()), 0
    for step in range(40):
        move, refs = rng.random(), [m.ref for m in ledger.moves]
        if move < 0.7 or not refs:
            late = float(rng.uniform(0.0, 26.0)) if rng.random() < 0.3 else 0.0
            ledger.add(drawn_move(rng, HOUR_S * (5.0 * step - late) + step, f"n{told}"))
            told += 1
        elif move < 0.85:
            ledger.remove(str(rng.choice(refs)))
        else:
            ref = str(rng.choice(refs))
            other = drawn_move(rng, 0.0, ref)
            ledger.change(ref, what=other.what, numbers=other.numbers, kinds=other.kinds)
    same(ledger.mix, carried(ledger.moves))
    assert [m.time for m in ledger.moves] == sorted(m.time for m in ledger.moves)


def test_what_was_believed_before_stays_as_it_was():
    """Nothing that was handed out is written to: an old belief's mixture is not touched by a late word."""
    rng = np.random.default_rng(3)
    moves = drawn_moves(rng, 20)
    ledger = kept(moves)
    seen = ledger.mix
    copy = Mixture(*(np.copy(getattr(seen, name)) for name in ("w", "x", "P", "kinds", "slots")))
    ledger.add(Move(moves[10].time + 1.0, "hand", (3.0, 1.5, 0.2)))
    ledger.remove("m4")
    assert ledger.mix is not seen
    same(seen, copy)


def test_moves_of_the_same_time_keep_the_order_in_which_they_were_told():
    a, b = Move(100.0, "hand", (4.0, 1.5, 0.2), ref="a"), Move(100.0, "pour", (150.0, 30.0, 0.5, 2.5), KINDS, "b")
    ledger = kept([a, b, Move(200.0, "lose", (1.0, 0.0, 180.0, 0.1), ref="c")])
    ledger.add(Move(100.0, "titration", (6.0, 0.25), ref="d"))
    assert [m.ref for m in ledger.moves] == ["a", "b", "d", "c"]


@settings(max_examples=5)
@given(seeds)
def test_old_moves_are_forgotten_and_none_that_may_still_be_asked_for(seed):
    """A month of moves: those of the last KEEP_S stay, the list stays short, a word of a day ago still goes in."""
    rng = np.random.default_rng(seed)
    ledger, moves, longest = Ledger(hoped()), [], 0
    for hour in range(0, 30 * 24, 4):
        move = drawn_move(rng, hour * HOUR_S, f"m{hour}")
        moves.append(move)
        ledger.add(Move(move.time, move.what, move.numbers, list(move.kinds), move.ref))
        longest = max(longest, len(ledger.moves))
    now = moves[-1].time
    recent = [m.ref for m in moves if now - m.time <= KEEP_S]
    assert [m.ref for m in ledger.moves][-len(recent) :] == recent
    assert longest <= (KEEP_S + 4 * COPY_EVERY_S) / (4 * HOUR_S)
    word = drawn_move(rng, now - 24 * HOUR_S + 1.0, "word")
    ledger.add(word)
    same(ledger.mix, carried(sorted([*moves, word], key=lambda m: m.time)))


def test_a_word_from_before_all_that_is_kept_moves_nothing():
    """Nobody can say any more what was then: it must not count as if it were of the oldest day kept."""
    rng = np.random.default_rng(8)
    ledger = Ledger(hoped())
    for hour in range(0, 20 * 24, 4):
        ledger.add(drawn_move(rng, hour * HOUR_S, f"m{hour}"))
    before = strength.moments(ledger.mix, C)
    ledger.add(Move(1.0, "hand", (2.0, 1.5, 0.2), ref="old"))
    assert strength.moments(ledger.mix, C) == before and ledger.find("old") is None
