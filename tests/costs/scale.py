"""What a second of the agent's life costs in processor time, by the number of sumps: the price must grow in a line."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from tests.costs.byhand import ByHand

WARM_S, COUNTED_S = 60, 180
MOST_RATIO = 1.5  # of the price of one sump at 64 over that at 8


def ms_a_second(sumps: int) -> float:
    """Processor time, ms, for a second of so many sumps with three signals each, all that the main loop does."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        shop = ByHand(Path(folder), sumps)
        shop.run(WARM_S)
        began = time.process_time()
        shop.run(COUNTED_S)
        found = 1000.0 * (time.process_time() - began) / COUNTED_S
        shop.stop()
    return found


def main() -> int:
    """The table; exit 1 where the price of a sump grows."""
    print("| sumps | ms of processor a second | a sump, ms |\n| --- | --- | --- |")
    a_sump = {}
    for sumps in (1, 8, 32, 64):
        whole = ms_a_second(sumps)
        a_sump[sumps] = whole / sumps
        print(f"| {sumps} | {whole:.1f} | {a_sump[sumps]:.2f} |")
    met = a_sump[64] <= MOST_RATIO * a_sump[8]
    print(f"\n{'met' if met else 'MISSED'}: a sump among 64 costs × {a_sump[64] / a_sump[8]:.2f} of one among 8")
    return 0 if met else 1
