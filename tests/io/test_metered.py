"""Litres through a meter go the way of every reading: block of the journal, back to the core as a record."""

from __future__ import annotations

from agent.engine import records_in
from agent.io.blocks import Sample, pack
from agent.io.chain import LogRow
from agent.records import decode_line, encode, sensed


def test_metered_litres_stand_in_their_own_field() -> None:
    record = sensed(1000.0, "mill-1", "metered", 12.5)
    assert (record.volume_l, record.value) == (12.5, None)
    assert decode_line(encode(record)) == record
    assert sensed(1000.0, "mill-1", "level", 12.5).value == 12.5


def test_a_block_gives_back_what_the_core_was_given() -> None:
    samples = [Sample(1000.0, "mill-1", "metered", 12.5, 12.5), Sample(1001.0, "mill-1", "level", 200.1, 211.2)]
    row = LogRow(1, 1001.0, 1, "block", None, None, pack(samples), None)
    assert records_in(row) == [sensed(1000.0, "mill-1", "metered", 12.5), sensed(1001.0, "mill-1", "level", 200.1)]
