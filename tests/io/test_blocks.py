"""Samples packed into a block come out as they went in."""

from __future__ import annotations

import math
import random
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.core.curve import Curve
from agent.io.blocks import Sample, as_kept, pack, unpack
from tests.costs.byhand import Shop, sump_ids

T0 = 1_790_000_000.0
LITRES = Curve((0.0, 120.5, 310.0, 380.0), (0.0, 118.0, 340.0, 421.0))
FIRST = (
    "789cf3626060a8564ace48cccb4bcd2956b28a8e56cacdccc9d13554d251ca492d4bcd51d229292a4dd531d601ca142ae918"
    "c7ea442b652ae918426918df2016086a19202027e0c80246068617cc102e8cdecac2c0001406e30f67181940ca615a400028"
    "cd00004e611d88"
)

raws = st.one_of(
    st.floats(allow_nan=False),
    st.decimals(-10_000, 10_000, places=2).map(float),
    st.integers(-5, 5).map(float),
)
values = st.one_of(st.decimals(-1_000_000, 1_000_000, places=4).map(float), st.just(math.inf))
times = st.one_of(
    st.integers(0, 4_000_000_000_000).map(lambda ms: ms / 1000),
    st.integers(0, 4_000_000_000_000_000).map(lambda us: us / 1e6),
)
samples = st.builds(
    Sample,
    time=times,
    sump=st.sampled_from(["lathe-1", "mill-1", "mill-2"]),
    signal=st.sampled_from(["level", "temperature", "brix", "running"]),
    raw=raws,
    value=values,
    flags=st.integers(0, 65_535),
    simulated=st.booleans(),
)


@given(st.floats(0.0, 4e9), st.floats(-1e6, 1e6), st.floats(-1e6, 1e6), st.lists(samples, max_size=3))
def test_what_is_sent_ahead_is_what_the_block_will_give(
    time: float, raw: float, value: float, others: list[Sample]
) -> None:
    sample = Sample(time, "mill-1", "level", raw, value)
    assert unpack(pack([sample, *others]))[0] == as_kept(sample)


@given(st.lists(samples, max_size=60))
def test_what_was_packed_comes_out_in_the_order_it_arrived(block: list[Sample]) -> None:
    assert unpack(pack(block)) == block


@given(st.lists(samples, min_size=1, max_size=40))
def test_one_signal_of_one_sump_can_be_taken_alone(block: list[Sample]) -> None:
    wanted = [s for s in block if (s.sump, s.signal) == ("mill-1", "level")]
    assert unpack(pack(block), "mill-1", "level") == wanted
    assert unpack(pack(block), "mill-1") == [s for s in block if s.sump == "mill-1"]


def test_time_is_kept_to_the_microsecond_and_value_to_a_tenth_of_a_millilitre() -> None:
    (kept,) = unpack(pack([Sample(T0 + 0.123456789, "mill-1", "level", 0.1 + 0.2, 100.123456789)]))
    assert kept.time == pytest.approx(T0 + 0.123457, abs=2e-7)
    assert kept.raw == 0.1 + 0.2
    assert kept.value == 100.1235


def test_a_raw_reading_that_is_not_a_number_stays_one() -> None:
    (kept,) = unpack(pack([Sample(T0, "mill-1", "level", math.nan, 0.0, 4)]))
    assert math.isnan(kept.raw)


def test_ten_seconds_of_a_site_stay_small() -> None:
    """8 sumps × 3 signals at 1 Hz, noisy: below 8 bytes a sample."""
    block = [
        Sample(T0 + second + i / 1000, f"mill-{i}", signal, round(100 + math.sin(second * 7 + i), 2), 200.0 + i)
        for second in range(10)
        for i in range(8)
        for signal in ("level", "temperature", "brix")
    ]
    assert len(pack(block)) < 8 * len(block)


def test_a_block_with_a_flipped_byte_does_not_pass_for_sound() -> None:
    body = bytearray(pack([Sample(T0, "mill-1", "level", 1.0, 2.0)] * 20))
    body[len(body) // 2] ^= 0xFF
    with pytest.raises((zlib.error, ValueError)):
        unpack(bytes(body))


def test_a_minute_of_a_site_fits_half_a_page() -> None:
    """8 sumps × 3 signals at 1 Hz with the noise of real sensors and ports: two blocks share a page of the journal."""
    shop, rng, block = Shop(sump_ids(8)), random.Random(3), []
    for second in range(60):
        for i, (sump, signal, value) in enumerate(shop.readings(T0 + second)):
            time = round(T0 + second + 0.03 * (i // 3) + rng.random() * 0.002, 3)
            block.append(Sample(time, sump, signal, value, LITRES.litres_at(value) if signal == "level" else value))
    assert len(pack(block)) < 2_100  # four times less than the readings as numbers of 4 bytes
    assert [(s.time, s.raw) for s in unpack(pack(block))] == [(s.time, s.raw) for s in block]


def test_a_block_of_an_earlier_release_is_read() -> None:
    """Written by the release before the form changed."""
    whole = [Sample(T0 + i, "mill-1", "level", 120.5 + i / 10, 118.0 + i / 8, 4 * (i == 2), True) for i in range(3)]
    assert unpack(bytes.fromhex(FIRST), "mill-1") == whole
    assert unpack(bytes.fromhex(FIRST), "mill-2") == []


@given(st.lists(st.floats(), min_size=1, max_size=9))
def test_a_reading_beside_others_comes_out_whatever_it_was(raws_of_one: list[float]) -> None:
    block = [Sample(T0 + i, "mill-1", "level", raw, float(i)) for i, raw in enumerate(raws_of_one)]
    assert repr(unpack(pack(block))) == repr(block)
