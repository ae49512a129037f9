"""A week in which broker and store are away: what the agent's memory grows by, the journal being the queue.

The real agent by a clock of its own, a turn each ten seconds, its publishers trying a closed port all the while.
"""

from __future__ import annotations

import gc
import os
import tempfile
from pathlib import Path

from tests.costs.byhand import DAY_S, ByHand
from tests.costs.proc import account
from tests.services import free_port

SUMPS, PERIOD_S = 2, 10.0
WARM_S = 6 * 3600.0
MOST_MB = 20.0


def main(days: float) -> int:
    """The figure; exit 1 where it is missed."""
    more = f'[mqtt]\nhost = "127.0.0.1"\nport = {free_port()}\n'
    more += f'[timeseries]\nurl = "http://127.0.0.1:{free_port()}"\nbucket = "sumps"\n'
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        shop = ByHand(Path(folder), SUMPS, more=more)
        shop.period_s = PERIOD_S
        shop.run(WARM_S)
        gc.collect()
        before = account(os.getpid())
        shop.run(days * DAY_S)
        gc.collect()
        after, sinks = account(os.getpid()), shop.agent.publishers.statuses()
        rows, sent = shop.agent.journal.last_seq, max(shop.agent.journal.bookmark_of(name) for name in sinks)
        shop.stop()
    told = ", ".join(f"{name}: {status['text']}" for name, status in sinks.items())
    grew_mb = after.resident_mb - before.resident_mb
    print(f"{days:g} days offline: {rows:,} rows wait, {sent} were sent; resident {before.resident_mb:.1f} MB before,")
    print(f"{after.resident_mb:.1f} MB after; {told}")
    away = not sent and not any(status["connected"] for status in sinks.values())
    met = away and grew_mb < MOST_MB
    print(f"{'met' if met else 'MISSED'}: memory grew by {grew_mb:.1f} MB (must < {MOST_MB:g})")
    return 0 if met else 1
