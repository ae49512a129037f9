"""What the journal costs the card at 8 sumps × 3 signals × 1 Hz: the real agent by a clock of our own, on a real disk.

Hours in seconds, the same each time. Sensors answer a little early or late, as ports do; the write-ahead file's index,
a mapped file that the kernel writes back by itself after 30 s, is synced as often, so that its pages are in the figure.
"""

from __future__ import annotations

import os
import random
import sqlite3
import struct
import tempfile
from collections import Counter
from pathlib import Path

from tests.costs.byhand import ByHand
from tests.costs.proc import DAY_S, account

MOST_MB = 60.0  # a day
WRITE_BACK_S = 30  # vm.dirty_expire_centisecs of a stock kernel
WARM_S = 600
LINE_S, NEXT_LINE_S = 0.004, 0.002  # how unevenly a port's first and further lines come
FRAME, HEAD = 24, 32  # bytes before a page in the write-ahead file, and before all


class Uneven:
    """The same shop, its readings at times as ports give them."""

    def __init__(self, shop: ByHand) -> None:
        self.shop, self.rng = shop, random.Random(4)
        self.offset = {sump: self.rng.random() * 0.9 - 1.0 for sump in shop.sumps}
        self.index = os.open(f"{shop.journal_path}-shm", os.O_RDWR)

    def run(self, seconds: int) -> None:
        """So many seconds of the shop's life."""
        for second in range(seconds):
            self.shop.clock.go(1.0)
            self.shop.true_time += 1.0
            last, late = "", 0.0
            for sump, signal, value in self.shop.shop.readings(self.shop.true_time):
                late = self.rng.random() * NEXT_LINE_S + (late if sump == last else self.offset[sump] + LINE_S)
                self.shop.bus.put(sump, signal, value, round(self.shop.clock.time() + late, 3))
                last = sump
            self.shop.agent.tick()
            if second % WRITE_BACK_S == 0:
                os.fsync(self.index)


def frames(journal: Path) -> Counter[str]:
    """Pages in the write-ahead file since its last turn, by the table they belong to."""
    wal = Path(f"{journal}-wal").read_bytes()
    with sqlite3.connect(journal) as db:
        (size,) = db.execute("PRAGMA page_size").fetchone()
        names = {1: "the file's first page"} | dict(db.execute("SELECT pageno, name FROM dbstat WHERE pageno > 1"))
    found: Counter[str] = Counter()
    for at in range(HEAD, len(wal) - size, size + FRAME):
        if wal[at + 8 : at + 16] != wal[16:24]:  # left over from the turn before
            break
        found[names.get(struct.unpack_from(">I", wal, at)[0], "let go of")] += 1
    return found


def main(hours: float, agent: str = "") -> int:
    """The figure; exit 1 where it is missed. `agent`: lines of the site file's [agent] table."""
    with tempfile.TemporaryDirectory(dir="/var/tmp") as disk, tempfile.TemporaryDirectory(dir="/dev/shm") as memory:
        shop = ByHand(Path(disk), 8, agent, runtime=Path(memory))
        works = Uneven(shop)
        works.run(WARM_S)
        first, commits = account(os.getpid()).written_bytes, shop.agent.outbox.commits
        works.run(int(3600 * hours))
        written = account(os.getpid()).written_bytes - first
        commits = shop.agent.outbox.commits - commits
        by_table = frames(shop.journal_path)
        shop.stop()
    a_day = written / 1e6 * DAY_S / (3600 * hours)
    print(f"{hours:g} h, {commits} commits of {written / max(1, commits) / 1e3:.1f} kB on the average; pages by table:")
    print(", ".join(f"{name} {count}" for name, count in by_table.most_common()))
    print(f"{'met' if a_day <= MOST_MB else 'MISSED'}: {a_day:.1f} MB written a day (must ≤ {MOST_MB:g})")
    return 0 if a_day <= MOST_MB else 1
