"""A journal as an agent would have written it that was there for the fortnight: records through the core, and kept.

The same engine and the same reviews as in the live agent; only the clock is the records' own, and what is written
is committed by the half shift.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from itertools import groupby
from pathlib import Path
from typing import Any

from agent.core.outputs import Advice, Belief, Finding, Output
from agent.engine import Engine
from agent.io.journal import FILE_NAME, Journal
from agent.records import SENSED, Record, decode_line, encode
from agent.reviews import Reviews, Row
from agent.site import Site, load_site

COMMIT_S = 4 * 3600.0  # a commit a block would cost the start of the demo a minute
BLOCK_S = 3600.0  # of records' time
HEEDED_S = 12 * 3600.0  # nobody read the instructions before: the fortnight's deeds were done without them


class Past:
    """One journal being filled."""

    def __init__(self, site: Site, journal: Journal, heeded_from_s: float) -> None:
        spec = site.spec()
        self.journal = journal
        self.engine = Engine(journal, spec, site.agent.belief_every_s)
        self.reviews = Reviews(spec, site.review.top_off, self._instruction)
        self._heeded_from_s = heeded_from_s
        self._unheeded: dict[str, Advice] = {}  # what stands of the advice before
        self._written: dict[str, dict[str, Any]] = {}

    def take(self, record: Record) -> None:
        """One record into the core and the journal, with what the core says to it."""
        outputs = self.engine.step(record)
        if record.signal in SENSED:
            self._sample(record)
        else:
            body = {**json.loads(encode(record)), "role": "operator"}
            self.write([Row("word", record.time, record.sump, None, body)])
        for output in outputs:
            self.write(self._rows(output, record.time))
        self.write(self.reviews.due(record.time))

    def _sample(self, record: Record) -> None:
        raw = float(record.value)  # type: ignore[arg-type]  # the door has let only numbers in for these signals
        litres = self.engine.calibrated(record.sump, record.signal, raw)
        flags = self.engine.flags(record.sump, record.signal)
        self.journal.sample(record.sump, record.signal, record.time, raw, litres, flags, simulated=True)

    def _rows(self, output: Output, now_s: float) -> list[Row]:
        match output:
            case Belief():
                self.journal.belief(output.row())
            case Finding():
                return self.reviews.found(output)
            case Advice() if now_s < self._heeded_from_s:
                self._keep_back(output)
            case Advice():
                return self._overdue(now_s) + self.reviews.advised(output, now_s)
        return []

    def _keep_back(self, advice: Advice) -> None:
        self._unheeded.pop(advice.id, None)
        if not advice.withdrawn:
            self._unheeded[advice.id] = advice

    def _overdue(self, now_s: float) -> list[Row]:
        """Rows for what was advised before anybody read it, and stands still."""
        standing, self._unheeded = list(self._unheeded.values()), {}
        return [row for advice in standing for row in self.reviews.advised(advice, now_s)]

    def end(self, now_s: float) -> None:
        """Post what nothing has posted yet, and keep the core's state."""
        self.write(self._overdue(now_s))
        self.write(self.reviews.due(now_s))
        self.journal.commit()
        self.engine.snapshot(now_s)

    def write(self, rows: Iterable[Row]) -> None:
        """Rows into the journal, then into the reviews' memory, as the live agent does."""
        for row in rows:
            self.journal.event(row.kind, row.time, row.sump, row.id, row.body)
            self._remember(row)
            self.reviews.absorb(row)

    def _remember(self, row: Row) -> None:
        if row.kind == "advice":
            fresh: dict[str, Any] = {"id": row.id, "sump": row.sump, "state": None, "reviews": []}
            self._written.setdefault(str(row.id), fresh)["advice"] = row.body
        elif row.kind == "review" and row.body["to"]:
            known = self._written[row.body["advice"]]
            known["state"] = row.body["to"]
            known["reviews"].append({"time": row.time, **row.body})

    def _instruction(self, id: str) -> dict[str, Any] | None:
        """As `JournalReader.instruction`, which sees nothing of the part that is still being written."""
        return self._written.get(id)


def prefill(
    site_path: Path, records_path: Path, state_dir: Path, opening_s: float, given_up: Callable[[], bool]
) -> bool:
    """Fill a new journal in `state_dir` from a file of records, up to `opening_s` (epoch s).

    False when `given_up()` said to stop before the end. Raises BadRecord, SiteFault, OSError.
    """
    site = load_site(site_path)
    journal = Journal.open(state_dir / FILE_NAME)
    try:
        past = Past(site, journal, opening_s - HEEDED_S)
        with records_path.open("rb") as lines:
            for _, part in groupby(map(decode_line, lines), key=lambda record: record.time // COMMIT_S):
                if given_up():
                    return False
                with journal.group():
                    _take(past, part)
        past.end(opening_s)
        return True
    finally:
        journal.close()


def _take(past: Past, part: Iterator[Record]) -> None:
    for _, records in groupby(part, key=lambda record: record.time // BLOCK_S):
        for record in records:
            past.take(record)
        past.journal.commit()
