"""A new charge lands on its target, in buckets, over everything that may be asked for."""

from fractions import Fraction
from math import ceil

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from agent.core.charge import MAX_BUCKETS, CannotBe, Plan, Request, plan

NEAR = 1e-9


@st.composite
def requests(draw) -> Request:
    """Anything that can be mixed: target up to the richest itself, lean anywhere below the target."""
    bucket = draw(st.floats(0.5, 1000.0))
    volume = draw(st.floats(0.01, 1e6) | st.integers(1, 5000).map(lambda n: n * bucket))
    richest = draw(st.floats(0.1, 99.0))
    target = draw(st.just(richest) | st.floats(0.01, 0.999).map(lambda share: share * richest))
    lean = draw(st.just(0.0) | st.floats(0.0, 0.999).map(lambda share: share * target))
    assume(volume / bucket < MAX_BUCKETS and 1e-3 <= volume <= 1e9)
    return Request(volume, target, bucket, richest, lean)


def exact_strength(planned: Plan) -> float:
    """% of the mix of all that is poured, summed in whole fractions."""
    water = sum(Fraction(b.water_l) * b.count for b in planned.batches)
    concentrate = sum(Fraction(b.concentrate_l) * b.count for b in planned.batches)
    return float(100 * concentrate / (water + concentrate))


@given(requests())
@example(Request(340.0, 7.0))
@example(Request(36.0, 7.0, lean_pct=0.0))
@example(Request(12.0, 7.0))
@example(Request(12.000001, 7.0))
@example(Request(100.0, 14.999999, lean_pct=14.9))
@example(Request(1e6, 5.0, bucket_l=0.5))
def test_the_whole_lands_on_target_and_volume(asked):
    planned = plan(asked)
    assert exact_strength(planned) == pytest.approx(asked.target_pct, abs=NEAR)
    assert planned.strength_pct == pytest.approx(asked.target_pct, abs=NEAR)
    poured = sum(b.count * b.volume_l for b in planned.batches)
    assert poured == pytest.approx(asked.volume_l, rel=NEAR)
    assert planned.total_water_l + planned.total_concentrate_l == pytest.approx(poured, rel=1e-12)


@given(requests())
def test_no_bucket_runs_over_and_none_is_richer_than_allowed(asked):
    for batch in plan(asked).batches:
        assert batch.count >= 1
        assert batch.water_l > 0.0
        assert batch.concentrate_l >= 0.0
        assert 0.0 < batch.volume_l <= asked.bucket_l * (1 + 1e-12)
        assert batch.pct <= asked.richest_pct + NEAR


@given(requests())
def test_all_but_one_are_richer_than_the_target_or_lean(asked):
    assume(asked.target_pct < asked.richest_pct * (1 - 1e-6))
    odd = 0
    for batch in plan(asked).batches:
        lean = abs(batch.pct - asked.lean_pct) <= NEAR
        odd += 0 if lean or batch.pct > asked.target_pct else batch.count
    assert odd <= 1


@given(requests())
def test_no_fewer_rich_buckets_would_do(asked):
    assume(asked.volume_l > asked.bucket_l and asked.target_pct < asked.richest_pct * (1 - 1e-6))
    rich = sum(b.count for b in plan(asked).batches if b.kind == "rich")
    fewer = rich - 1
    carried = fewer * asked.bucket_l * (asked.richest_pct - asked.lean_pct)
    needed = asked.volume_l * (asked.target_pct - asked.lean_pct)
    assert carried < needed * (1 + 1e-9)
    assert rich == max(1, ceil(needed / (asked.richest_pct - asked.lean_pct) / asked.bucket_l * (1 - 1e-12)))


def test_what_fits_one_bucket_is_one_batch_at_the_target():
    (batch,) = plan(Request(10.0, 7.0)).batches
    assert (batch.count, batch.kind, batch.pct) == (1, "target", pytest.approx(7.0))


def test_a_target_as_rich_as_allowed_is_mixed_at_the_target_throughout():
    (batch,) = plan(Request(100.0, 15.0)).batches
    assert batch.count == 9
    assert batch.pct == pytest.approx(15.0)


def test_no_scant_last_bucket_is_left_to_mix():
    """24.1 L of lean rest in 12 L buckets: three equal ones rather than two full and one of a glassful."""
    planned = plan(Request(24.1 + 12.0, 1.5 + 13.5 * 12.0 / 36.1))
    (lean,) = [b for b in planned.batches if b.kind == "lean"]
    assert lean.count == 3


@pytest.mark.parametrize(
    "asked",
    [
        Request(100.0, 16.0),
        Request(100.0, 1.5),
        Request(100.0, 1.0),
        Request(0.0, 7.0),
        Request(-5.0, 7.0),
        Request(100.0, 0.0, lean_pct=0.0),
        Request(100.0, -7.0, lean_pct=-8.0),
        Request(100.0, 7.0, lean_pct=-0.1),
        Request(100.0, 7.0, bucket_l=0.0),
        Request(100.0, 7.0, richest_pct=-1.0),
        Request(100.0, 7.0, richest_pct=100.0),
        Request(1e12, 7.0),
        Request(1e8, 7.0, bucket_l=1e-3),
        *(Request(x, 7.0) for x in (float("nan"), float("inf"))),
        *(Request(100.0, x) for x in (float("nan"), float("inf"))),
        *(Request(100.0, 7.0, bucket_l=x) for x in (float("nan"), float("inf"))),
        *(Request(100.0, 7.0, richest_pct=x) for x in (float("nan"), float("inf"))),
        *(Request(100.0, 7.0, lean_pct=x) for x in (float("nan"), float("-inf"))),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(asked):
    with pytest.raises(CannotBe) as refused:
        plan(asked)
    assert "\n" not in str(refused.value)
