"""`python -m tests.costs WHAT`: what the agent costs, in real time, beside its peers. `tests/bench costs` calls it."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path


def main() -> int:
    """The command line."""
    parser = argparse.ArgumentParser(prog="tests.costs", description=__doc__)
    kinds = parser.add_subparsers(dest="what", required=True)
    footprint = kinds.add_parser("footprint", help="memory, CPU, bytes written, start; beside collectd and a logger")
    footprint.add_argument(
        "--minutes", type=float, default=30.0, help="30: one snapshot's turn, one checkpoint at least"
    )
    footprint.add_argument("--peers", type=Path, help="a virtual environment in which weewx is installed")
    backlog = kinds.add_parser("backlog", help="a day offline, drained to a broker and a store while live values go on")
    backlog.add_argument("--days", type=float, default=1.0)
    written = kinds.add_parser("written", help="bytes to the card, by a clock of our own: hours in seconds")
    written.add_argument("--hours", type=float, default=3.0)
    written.add_argument("--block-s", type=float, help="instead of what a site file without it says")
    kinds.add_parser("scale", help="processor time by the number of sumps")
    latency = kinds.add_parser("latency", help="from a level that changes to the picture of it")
    latency.add_argument("--changes", type=int, default=60)
    feed = kinds.add_parser("feed", help="a part of the footprint's run: the sensors")
    feed.add_argument("folder", type=Path)
    feed.add_argument("sumps", type=int)
    kinds.add_parser("say", help="a part of it: the same values to a collector").add_argument("socket", type=Path)
    a = parser.parse_args()
    if a.what == "backlog":
        from tests.costs import backlog as waiting

        return waiting.main(a.days)
    if a.what == "written":
        from tests.costs import written as paid

        return paid.main(a.hours, f"block_s = {a.block_s}" if a.block_s else "")
    if a.what == "latency":
        from tests.costs import latency as late

        return late.main(a.changes)
    if a.what == "scale":
        from tests.costs import scale

        return scale.main()
    from tests.costs import footprint as run

    if a.what == "feed":
        run.feed(a.folder, a.sumps)
    elif a.what == "say":
        run.say(a.socket)
    return run.main(a.minutes, a.peers) if a.what == "footprint" else 0


if __name__ == "__main__":
    sys.exit(main())
