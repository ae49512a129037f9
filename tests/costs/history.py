"""Does it cost more once there is a past? A journal of one day and one of years, in one run, in processor time.

The past is written as `tests/page_costs` does: kept sums, a belief each ten minutes and sump, what people said and what
was found, for all of it; the agent then adds its own minutes of readings. Start, tick, pages and a day's graph of both.
"""

from __future__ import annotations

import gc
import runpy
import statistics
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from httpx import Client

from tests.costs.byhand import ByHand, HandClock, sump_ids

SUMPS = 2
START = "start and first tick"
MOST_RATIO = 1.5
WARM_S, COUNTED_S, STARTS, PASSES = 300, 600, 5, 3
WEB = '[web]\nhost = "127.0.0.1"\nport = 8080\n'
CONTENT_DAYS = 31  # what the pages of CONTENT show: more lines are more work, and beyond a month they show no more
CONTENT = ("/", "/sump/{}?range=1d", "/log", "/use")
PATHS = ("/", "/sump/{}?range=1d", "/series/{}?range=1d", "/log", "/use", "/alerts", "/health", "/todo", "/review")


def costs(script: dict[str, Any], folder: Path, days: int) -> tuple[dict[str, float], float]:
    """Processor ms by what is done, and the journal's size in MB."""
    names = sump_ids(SUMPS)
    for name in ("state", "inbox", "run"):
        (folder / name).mkdir(parents=True)
    size_mb = script["make_past"](folder / "state" / "journal.sqlite", names, days)
    shop = ByHand(folder, SUMPS, more=WEB, clock=HandClock(script["NOW_S"]))
    shop.run(WARM_S)
    found, starts_ms = {}, []
    for _ in range(STARTS):
        shop.stop()
        began = time.process_time()
        shop.start()
        shop.run(1)
        starts_ms.append(1000.0 * (time.process_time() - began))
    began = time.process_time()
    shop.run(COUNTED_S)
    found[START] = statistics.median(starts_ms)
    found["a second of ticks"] = 1000.0 * (time.process_time() - began) / COUNTED_S
    shop.stop()
    return found, size_mb


def pages_ms(script: dict[str, Any], folders: dict[int, Path]) -> dict[int, dict[str, float]]:
    """Processor ms of each page of each journal: in turns, the least of each, since a machine that others use is slower
    for some seconds than for the next."""
    gc.collect()
    gc.freeze()  # what the agents left behind is none of the pages' cost
    paths = [path.format(sump_ids(1)[0]) for path in PATHS]
    least = {span: dict.fromkeys(paths, float("inf")) for span in folders}
    with ExitStack() as stack:
        clients = {}
        for span, folder in folders.items():
            address, cookie = stack.enter_context(script["pages"](folder))
            clients[span] = Client(base_url=address, cookies={script["COOKIE"]: cookie}, timeout=60)
        for _ in range(PASSES):
            for path in paths:
                for span, client in clients.items():
                    least[span][path] = min(least[span][path], script["median_ms"](client, path))
    return least


def main(days: int) -> int:
    """The table; exit 1 where a figure of the long past is more than it may be of the short one's."""
    script = runpy.run_path(str(Path(__file__).parent.parent / "page_costs"))
    with tempfile.TemporaryDirectory(dir="/var/tmp") as disk:
        spans = (1, CONTENT_DAYS, days)
        folders = {span: Path(disk) / str(span) for span in spans}
        found = {span: costs(script, folder, span) for span, folder in folders.items()}
        for span, ms in pages_ms(script, folders).items():
            found[span][0].update(ms)
    print(f"{SUMPS} sumps; journals of {', '.join(f'{mb:.1f} MB ({span} days)' for span, (_, mb) in found.items())}\n")
    print(f"| processor, ms | {' | '.join(f'{span} days' for span in spans)} | ratio (must ≤ {MOST_RATIO:g}) |")
    print("| --- " * 5 + "|")
    missed, content = 0, {path.format(sump_ids(1)[0]) for path in CONTENT}
    for what in found[1][0]:
        ms = [found[span][0][what] for span in spans]
        against = 1 if what in content else 0
        ratio, counts = ms[-1] / ms[against], what != START
        missed += counts and ratio > MOST_RATIO
        note = " !" if counts and ratio > MOST_RATIO else f" (to {CONTENT_DAYS} days)" if against else ""
        print(f"| {what} | {' | '.join(f'{one:.1f}' for one in ms)} | {ratio:.2f}{note} |")
    print(f"\n{START}: the newest 2,000 rows of a kind are read again, so no more with further years; no must")
    return 1 if missed else 0
