"""A start: the first reading waits for nothing, neither for a block nor for months in which nothing ran."""

from __future__ import annotations

import json
from pathlib import Path

from agent.engine import MADE_UP_S
from agent.io.journal import JournalReader
from tests.costs.byhand import DAY_S, ByHand


def kept(shop: ByHand, kind: str) -> list[float]:
    """Times of the journal's rows of a kind; of readings, blocks unpacked."""
    reader = JournalReader(shop.journal_path)
    try:
        if kind == "level":
            return [sample.time for sample in reader.samples("lathe-1", "level", 0.0, 9e9)]
        return [row.time for row in reader.rows_after(0, 100_000) if row.kind == kind]
    finally:
        reader.close()


def test_the_first_reading_of_each_signal_is_shown_and_kept_in_the_tick_that_takes_it(in_memory: Path) -> None:
    shop = ByHand(in_memory, 1)
    shop.agent.tick()
    for signal, value in (("level", 250.0), ("brix", 4.6)):  # no time passes: neither block nor picture is due
        shop.bus.put("lathe-1", signal, value)
        shop.agent.tick()
        live = json.loads((shop.runtime / "live.json").read_text())
        assert live["sumps"]["lathe-1"]["signals"][signal]["raw"] == value
        assert live["agent"]["journal_seq"] == shop.agent.journal.last_seq
        assert not shop.agent.journal.waiting
    assert len(kept(shop, "level")) == 1
    shop.bus.put("lathe-1", "level", 251.0)
    shop.agent.tick()
    assert shop.agent.journal.waiting, "the second waits for its block"
    shop.stop()
    assert len(kept(shop, "level")) == 2


def test_after_months_in_which_nothing_ran_beliefs_go_on_with_the_last_day(in_memory: Path) -> None:
    shop = ByHand(in_memory, 1)
    shop.run(1200)
    shop.stop()
    before, left_at = len(kept(shop, "belief")), shop.clock.time()
    shop.clock.go(65 * DAY_S)
    for _ in range(2):  # the second start takes up from the state that the first one found
        shop.start()
        shop.run(60)
        shop.agent.journal.abandon()
    shop.start()
    shop.stop()
    made_up = kept(shop, "belief")[before:]
    every_s = shop.site.agent.belief_every_s
    assert min(made_up) > left_at + 64 * DAY_S - every_s
    assert MADE_UP_S / every_s - 1 <= len(made_up) <= MADE_UP_S / every_s + 3
    assert len(set(made_up)) == len(made_up), "told once"
