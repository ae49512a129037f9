"""A small shop on disk for the commands that look after one: days of readings, words, people, a site file."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np

from agent.cli import main
from agent.io.inbox import Inbox
from agent.io.journal import Journal
from agent.io.simulated.prefill import prefill
from agent.records import Record, encode
from dashboards.people import People, hash_secret, open_store
from tests import sites
from tests.replay.small import T0, Plant, Pour, hand, in_order, simulate

PASSWORD = "canary-password-of-ana"
AGENT = """
[agent]
state_dir = "state"
inbox_dir = "inbox"
runtime_dir = "run"
belief_every_s = 3600.0
"""
SITE = sites.head() + AGENT + sites.sump(marks_l=(140.0, 200.0, 215.0), curve='"curves/mill-2.toml"')
CURVE = 'date = 2025-06-01T08:00:00Z\nby = "Ana"\npoints = [[0.0, 0.0], [300.0, 300.0]]\n'


def write_site(folder: Path, more: str = "", curve: str = CURVE) -> Path:
    """site.toml with its curve file; `more` is put at its end."""
    (folder / "curves").mkdir(parents=True, exist_ok=True)
    (folder / "curves/mill-2.toml").write_text(curve)
    (folder / "site.toml").write_text(SITE + more)
    return folder / "site.toml"


def readings(hours: float = 42.0) -> list[Record]:
    """What sensors and people said in so many hours."""
    days = simulate(np.random.default_rng(5), Plant(pours=[Pour(9.0, 25.0), Pour(33.0, 20.0, 0.0)]), hours)
    told = Record(T0 + 9.5 * 3600, "mill-2", "addition", None, 25.0, 2.5, by="Ana", note="=1+1")
    said = [hand(T0 + 3600, 4.7), told, hand(T0 + 40 * 3600, 4.4)]
    return in_order(days.levels(), days.contact(), (r for r in said if r.time < T0 + hours * 3600))


def fill(folder: Path, hours: float = 42.0) -> Path:
    """The shop with a journal, an inbox and a person; gives the site file."""
    site, records = write_site(folder), folder / "records.jsonl"
    told = readings(hours)
    records.write_bytes(b"".join(encode(record) + b"\n" for record in told))
    assert prefill(site, records, folder / "state", told[-1].time, lambda: False)
    with closing(Inbox.open(folder / "inbox/inbox.sqlite")) as box:
        body = {"signal": "hand_reading", "value": 4.5}
        box.put(time=T0, person="Ana", role="operator", sump="mill-2", kind="record", body=body, token="t1")
    with closing(open_store(folder / "inbox/people.sqlite")) as store:
        People(store).add("Ana", "maintenance", hash_secret(PASSWORD), T0)
    return site


def refuse(folder: Path) -> None:
    """A word that the agent refused is in the journal too; the core never heard it."""
    with closing(Journal.open(folder / "state/journal.sqlite")) as journal:
        body = {"time": T0 + 7200, "sump": "mill-2", "signal": "recharge", "volume_l": 190.0, "by": "Eve"}
        journal.event("word", T0 + 7200, "mill-2", "t9", {**body, "role": "operator", "refused": "made up"})


def call(*arguments: object) -> int:
    """The command line in this process: its exit code."""
    before, sys.argv = sys.argv, ["sumpside", *map(str, arguments)]
    try:
        main()
    except SystemExit as end:
        return int(end.code or 0)
    finally:
        sys.argv = before
    return 0


def files_below(folder: Path) -> Iterator[str]:
    """Names of all files below a folder."""
    return (str(path.relative_to(folder)) for path in sorted(folder.rglob("*")) if path.is_file())
