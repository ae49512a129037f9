"""`python -m tests.costs WHAT`: what the agent costs, in real time, beside its peers. `tests/bench costs` calls it."""

from __future__ import annotations

import argparse
import signal
import sys
from pathlib import Path


def main() -> int:
    """The command line."""
    # A bench that is told to end takes its agent along: left alone, that opens ports which others are given later.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM))
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
    alert = kinds.add_parser("alert", help="from a level that changes to the alert on MQTT")
    alert.add_argument("--sumps", type=int, default=20)
    begin = kinds.add_parser("start", help="from the start of the program to the first reading")
    begin.add_argument("--starts", type=int, default=9)
    history = kinds.add_parser("history", help="start, ticks, pages and a day's graph, after one day and after years")
    history.add_argument("--days", type=int, default=1095)
    week = kinds.add_parser("week", help="memory while broker and store are away for a week")
    week.add_argument("--days", type=float, default=7.0)
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
    if a.what == "alert":
        from tests.costs import alert as told

        return told.main(a.sumps)
    if a.what == "start":
        from tests.costs import begin as ready

        return ready.main(a.starts)
    if a.what == "history":
        from tests.costs import history as past

        return past.main(a.days)
    if a.what == "week":
        from tests.costs import week as away

        return away.main(a.days)
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
