"""A day of backlog to a real broker and a real store, while live values go on to both; and the memory that it takes.

345,600 points: four sensors at 1 Hz for a day, in blocks of 30 s, as an agent that was offline leaves them.
"""

from __future__ import annotations

import os
import statistics
import tempfile
import threading
import time
from pathlib import Path

from agent.io import mqtt, timeseries
from agent.io.blocks import Sample
from agent.io.journal import Journal
from agent.io.mqtt_messages import now_body
from agent.site import load_site
from tests.costs.byhand import DAY_S, T0, Shop, site_text, sump_ids
from tests.costs.proc import account
from tests.services import Listener, Mosquitto, VictoriaMetrics

SUMPS, SIGNALS = 2, ("level", "temperature")
BLOCK_S = 30
LIVE_EVERY_S = 0.25
LIVE_SIGNAL = "brix"  # of the store's live readings: one that the backlog does not have
DEADLINE_S = 900.0
MOST_S, MOST_LATE_S, MOST_MB = 30.0, 2.0, 20.0  # of a day drained, of a live value (p95), of memory


def fill(path: Path, days: float) -> int:
    """A journal of so many days; how many points."""
    journal, shop, points = Journal.open(path), Shop(sump_ids(SUMPS)), 0
    for second in range(int(days * DAY_S)):
        for sump, signal, value in shop.readings(T0 + second):
            if signal in SIGNALS:
                journal.add(Sample(T0 + second, sump, signal, value, value))
                points += 1
        if second % BLOCK_S == BLOCK_S - 1:
            journal.commit()
    journal.close()
    return points


def main(days: float) -> int:
    """The figures."""
    with tempfile.TemporaryDirectory(dir="/var/tmp") as folder:
        root = Path(folder)
        points = fill(root / "journal.sqlite", days)
        broker, store = Mosquitto(root / "broker"), VictoriaMetrics(root / "store")
        with broker, store, Listener(broker.port, "sumpside/+/+/now/#") as listener:
            return _drain(root, points, broker, store, listener)


def _drain(root: Path, points: int, broker: Mosquitto, store: VictoriaMetrics, listener: Listener) -> int:
    more = f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\n[timeseries]\nurl = "{store.url}"\nbucket = "sumps"\n'
    (root / "site.toml").write_text(site_text(SUMPS, more=more), encoding="utf-8")
    site, journal = load_site(root / "site.toml"), root / "journal.sqlite"
    told = (lambda *_: None, lambda *_: None, lambda *_: None)
    sinks = [mqtt.make(site, journal, 0, *told), timeseries.make(site, journal, 0, *told)]
    before, sent = account(os.getpid()), dict[float, float]()
    ears, live = Ears(listener), sump_ids(1)[0]
    ears.start()
    answers = Answers(sinks[1])
    began = time.monotonic()
    for sink in sinks:
        sink.start()
    drained_s: dict[str, float] = {}
    most_mb, number = before.resident_mb, 0.0
    while len(drained_s) < len(sinks) and time.monotonic() - began < DEADLINE_S:
        number += 1.0
        sent[number] = time.monotonic()
        sinks[0].publish_now(live, "level", now_body(Sample(T0, live, "level", number, number)))
        sinks[1].sample_now(Sample(T0 + number, live, LIVE_SIGNAL, number, number))
        time.sleep(LIVE_EVERY_S)
        most_mb = max(most_mb, account(os.getpid()).resident_mb)
        for sink in sinks:
            status = sink.status()
            if status["connected"] and status["text"] == "up to date" and not status["behind_rows"]:
                drained_s.setdefault(sink.name, time.monotonic() - began)
    after = account(os.getpid())
    for sink in sinks:
        sink.stop(5.0)
    there = {value for _, value in store.points(f"sump_{LIVE_SIGNAL}_raw")}
    if not {number for number, _ in answers.heard} <= there:
        raise RuntimeError("the store has acknowledged live readings that it does not have")
    lates_s = {mqtt.NAME: late_s(sent, ears.ended()), timeseries.NAME: late_s(sent, answers.heard)}
    return _tell(points, drained_s, after.cpu_s - before.cpu_s, most_mb - before.resident_mb, lates_s)


class Answers:
    """Notes when the store has acknowledged each live reading."""

    def __init__(self, sink: timeseries.TimeseriesSink) -> None:
        self.heard: list[tuple[float, float]] = []  # number, monotonic s
        self._outlet, self._send = sink._outlet, sink._outlet._write
        sink._outlet._write = self._write  # type: ignore[method-assign]

    def _write(self, lines: list[str]) -> None:
        self._send(lines)
        now = time.monotonic()
        live = [line for line in lines if line.startswith(f"sump_{LIVE_SIGNAL},")]
        self.heard += [(float(line.rsplit(" ", 1)[1]) / 1000.0 - T0, now) for line in live]


class Ears(threading.Thread):
    """Notes when each live value was first heard, or a newer one."""

    def __init__(self, listener: Listener) -> None:
        super().__init__(daemon=True)
        self._listener, self._ended = listener, threading.Event()
        self.heard: list[tuple[float, float]] = []  # number, monotonic s

    def run(self) -> None:
        """Until ended."""
        seen = 0
        while not self._ended.wait(0.01):
            new = self._listener.heard[seen:]
            seen += len(new)
            self.heard += [(heard.body()["raw"], time.monotonic()) for heard in new if heard.topic.endswith("/level")]

    def ended(self) -> list[tuple[float, float]]:
        """All that was heard."""
        self._ended.set()
        self.join()
        return self.heard


def late_s(sent: dict[float, float], heard: list[tuple[float, float]]) -> list[float]:
    """By value handed in: seconds until it or a newer one was heard."""
    found = []
    for number, at in sent.items():
        arrived = [when for newest, when in heard if newest >= number]
        found += [min(arrived) - at] if arrived else []
    return found


def _tell(
    points: int, drained_s: dict[str, float], cpu_s: float, grew_mb: float, lates_s: dict[str, list[float]]
) -> int:
    """The figures, each with what it must be; exit code 1 where one is missed."""
    musts = {f"memory grew by {grew_mb:.0f} MB (must < {MOST_MB:g})": grew_mb < MOST_MB}
    for name in (mqtt.NAME, timeseries.NAME):
        took_s = drained_s.get(name, float("inf"))
        musts[f"{name}: {points:,} points drained in {took_s:.1f} s (must ≤ {MOST_S:g})"] = took_s <= MOST_S
        p95_s = statistics.quantiles(lates_s[name], n=20)[-1] if len(lates_s[name]) > 1 else float("inf")
        musts[f"{name}: a live value meanwhile after {p95_s:.2f} s, p95 (must ≤ {MOST_LATE_S:g})"] = (
            p95_s <= MOST_LATE_S
        )
    for what, met in musts.items():
        print(f"{'met' if met else 'MISSED'}: {what}")
    print(f"both sinks together used {cpu_s:.1f} s of processor")
    return 0 if all(musts.values()) else 1
