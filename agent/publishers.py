"""The sinks of a site: made only where the site names them, so that nothing is imported that is not configured."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from queue import SimpleQueue
from typing import Any

from agent.io.journal import Sample
from agent.io.sink import Sink, Status
from agent.outbox import DeadLetter, Outbox
from agent.site import Site


class SinkFailed(Exception):
    """A sink's thread has ended by a bug: the process should, too, and be started anew."""


class Publishers:
    """Starts, feeds and stops the sinks; brings their acknowledgements into the main loop."""

    def __init__(self, site: Site, journal_path: Path, bookmark_of: Callable[[str], int]) -> None:
        self._told: SimpleQueue[tuple[str, int] | DeadLetter] = SimpleQueue()
        self._now: Callable[[], float] = lambda: 0.0
        self._mqtt: Any = None
        self._store: Any = None
        self._sinks: list[Sink] = []
        for name, module in self._configured(site).items():
            callables = (self._acknowledged, self._on_status, self._dead_letter)
            sink = module.make(site, journal_path, bookmark_of(name), *callables)
            self._sinks.append(sink)
            if name == "mqtt":
                self._mqtt = sink
            if name == "timeseries":
                self._store = sink

    @staticmethod
    def _configured(site: Site) -> dict[str, Any]:
        modules: dict[str, Any] = {}
        if site.mqtt is not None:
            from agent.io import mqtt

            modules["mqtt"] = mqtt
        if site.timeseries is not None:
            from agent.io import timeseries

            modules["timeseries"] = timeseries
        if site.alerts is not None:
            from agent.io import notify

            modules["alerts"] = notify
        return modules

    def start(self, now: Callable[[], float]) -> None:
        """Begin; `now` stamps dead letters (epoch s)."""
        self._now = now
        for sink in self._sinks:
            sink.start()

    def stop(self, deadline_s: float) -> None:
        """End them all within the deadline."""
        for sink in self._sinks:
            sink.stop(deadline_s / len(self._sinks))

    def wake(self) -> None:
        """There are new rows in the journal."""
        for sink in self._sinks:
            sink.wake()

    def collect(self, outbox: Outbox) -> None:
        """Bring what the sinks have told into the outbox."""
        while not self._told.empty():
            match self._told.get():
                case DeadLetter() as letter:
                    outbox.dead_letter(letter)
                case (name, seq):
                    outbox.bookmark(name, seq, at_once=name.startswith("alerts"))

    def statuses(self) -> dict[str, Status]:
        """How each sink does. Raises SinkFailed."""
        found = {sink.name: sink.status() for sink in self._sinks}
        for name, status in found.items():
            if status["failed"]:
                raise SinkFailed(f"{name}: {status['text']}")
        return found

    def sample_now(self, sample: Sample, as_row: bool) -> None:
        """A live value, ahead of its block; `as_row`: it is in the open block, at a time that will not be moved."""
        if self._store is not None and as_row:
            self._store.sample_now(sample)
        if self._mqtt is not None:
            from agent.io.mqtt_messages import now_body

            self._mqtt.publish_now(sample.sump, sample.signal, now_body(sample))

    def belief_now(self, row: dict[str, Any]) -> None:
        """A live belief."""
        if self._mqtt is not None:
            self._mqtt.publish_now(row["sump"], "belief", row)

    # -- from the sinks' threads ----------------------------------------------------------------------------------

    def _acknowledged(self, name: str, seq: int) -> None:
        self._told.put((name, seq))

    def _dead_letter(self, seq: int, name: str, reason: str, body: str) -> None:
        self._told.put(DeadLetter(seq, name, reason, body, self._now()))

    def _on_status(self, name: str, status: Status) -> None:
        """Statuses are asked for, not listened to."""
