"""The live agent's core: the estimator's state between records, restored from the journal after a restart.

Live and replay share every line below `step`; this module only remembers, restores and asks.
"""

from __future__ import annotations

import lzma
import zlib
from collections.abc import Iterator
from dataclasses import fields, replace
from importlib.metadata import version
from typing import Any

import msgspec

from agent.core import filling, gates
from agent.core import step as core
from agent.core.calendar import Calendar
from agent.core.explain import doubted
from agent.core.outputs import Advice, Belief, Finding, Output
from agent.core.spec import SiteSpec
from agent.errors import BadRecord
from agent.io.blocks import readable
from agent.io.journal import Journal, LogRow
from agent.records import Record, decode_line, record_from, sensed

VERSION = version("sumpside")
FRESH_TAIL_RECORDS = 50_000  # without a snapshot: enough to know each sump again, and read in about 3 s

MADE_UP_S = 86_400.0  # of beliefs for the time in which nothing ran; months of them would hold up the start by 10 s

ZLIB = b"\x78"  # how zlib's packing begins
SNAPSHOT_EFFORT = 0  # of LZMA: two fifths less on the card than zlib at its best, in the same 15 ms

HEARING = "hearing"  # journal fact: the word that the core was given last, until it has taken it
RETRIED = "retried"  # journal fact: the same, while it is tried once more after a restart

Key = tuple[Any, ...]


class Engine:
    """State and site of the core; every call takes the time it means."""

    def __init__(self, journal: Journal, site: SiteSpec, every_s: float) -> None:
        self._journal, self._site, self._every_s = journal, site, every_s
        self._state = core.start(site, every_s)
        self.restored = "nothing to restore: learning begins"
        self.replayed = 0
        self._skipped = ""  # id of a word that has ended the agent twice
        self._watches = {sump: filling.Watch() for sump in site.sumps}  # seen anew after a restart, never kept
        self._moved = (0, 0, 0.0)  # rows from, to before, by so many seconds: words said before time came

    def step(self, record: Record) -> list[Output]:
        """What the core says to one record."""
        self._pass_over(record.time)
        self._state, outputs = core.step(self._state, record, self._site)
        if record.signal == "level":
            self._watch(record)
        return list(outputs)

    def advance(self, time: float) -> list[Output]:
        """Beliefs that are due by `time` (epoch s), with or without records."""
        self._pass_over(time)
        self._state, outputs = core.advance(self._state, time, self._site)
        return list(outputs)

    def _pass_over(self, time: float) -> None:
        """After a long silence: beliefs of its last day, as after a short one, and none of the time before."""
        if time - self._state.next_due > MADE_UP_S:
            core.pass_over(self._state, time - MADE_UP_S)

    def flags(self, sump: str, signal: str) -> int:
        """Gate bits of the newest sample; 0 is good."""
        return core.flags(self._state, sump, signal)

    def belief(self, sump: str, time: float) -> Belief:
        """What is believed at `time` (epoch s); changes nothing."""
        return core.belief_at(self._state, sump, time, self._site)

    def filling(self, sump: str, time: float, asked: filling.Asked | None) -> filling.Filling | None:
        """What is being poured at `time` (epoch s), or None; `asked`: what people were told to."""
        return filling.filling(self._state.sumps[sump], self._watches[sump], time, asked)

    def _watch(self, record: Record) -> None:
        """A level as it comes, for who is pouring."""
        if core.flags(self._state, record.sump, "level") & gates.END_OF_SCALE or not isinstance(record.value, float):
            return
        spec = self._state.sumps[record.sump].spec
        self._watches[record.sump].take(record.time, spec.curve.litres_at(record.value), spec.full_l)

    def explain(self, sump: str, time: float) -> str:
        """The belief at `time` (epoch s) in words: lines of plain text."""
        return core.explain(self._state, sump, time, self._site)

    def doubts(self, sump: str) -> list[dict[str, float]]:
        """The last readings of a sump that are held for wrong: when taken (epoch s), % of the mix, how likely wrong."""
        return [{"time": r.time, "pct": r.pct, "doubt": r.doubt} for r in doubted(self._state.sumps[sump])]

    def calibrated(self, sump: str, signal: str, raw: float) -> float:
        """A sample's calibrated value: litres of a level, else the reading itself."""
        return self._state.sumps[sump].spec.curve.litres_at(raw) if signal == "level" else raw

    def keep_calendar(self, calendar: Calendar | None) -> None:
        """The shop works by this calendar from here on."""
        self._site = replace(self._site, calendar=calendar)
        core.keep_calendar(self._state, calendar)

    def snapshot(self, time: float) -> None:
        """Keep the state in the journal, as of everything that was stepped. Raises sqlite3.Error."""
        self._journal.snapshot(time, VERSION, lzma.compress(core.dump(self._state), preset=SNAPSHOT_EFFORT))

    # -- after a restart ------------------------------------------------------------------------------------------

    def restore(self, now: float | None = None) -> list[Output]:
        """Take up where the journal ends; returns what the core had said and the journal does not hold.

        `now` (epoch s), where it is known, keeps a snapshot from the future out. A word that has ended the agent
        twice is passed over: it stays in the journal, and is not asked again.
        """
        why = self._suspect()
        missing = self._restore(why, now)
        for key in (HEARING, RETRIED):
            self._journal.set_meta(key, "")
        return missing

    def _suspect(self) -> list[str]:
        heard = self._journal.meta(HEARING, "")
        if heard and heard == self._journal.meta(RETRIED, ""):
            self._skipped = heard
            return [f"the word {heard} ended the agent twice and is passed over"]
        self._journal.set_meta(RETRIED, heard)
        return []

    def _restore(self, why: list[str], now: float | None) -> list[Output]:
        for _, seq, made_by, body in self._journal.snapshots():
            try:
                self._state = core.load(_unpacked(body), self._site, now)
            except (core.SnapshotRefused, lzma.LZMAError, zlib.error) as refused:
                why.append(f"snapshot of version {made_by} at row {seq} refused: {refused}")
                continue
            if self._state.anew:
                why.append(f"the site file has changed for {', '.join(self._state.anew)}: learned anew there")
                self._learn_anew(seq)
            missing = self._replay(seq)
            self.restored = "; ".join([*why, f"snapshot at row {seq} and {self.replayed} records after it"])
            return missing
        if self._journal.last_seq == 0:
            self.restored = "; ".join([*why, self.restored])
            return []
        self._state = core.start(self._site, self._every_s)
        missing = self._replay_afresh()
        self.restored = "; ".join([*why, f"no snapshot: learning begins again from the last {self.replayed} records"])
        return missing

    def rebuild(self, first_seq: int, shift_s: float, now: float) -> list[Output]:
        """Rows from `first_seq` on lie `shift_s` later than they were taken: judge them anew, from the state before.

        Returns what is to be said now: findings and advice at their right times; those told at wrong ones, taken back.
        """
        self._moved = (first_seq, self._journal.last_seq + 1, shift_s)
        said = self._restore([], now)
        again = {output.id for output in said if isinstance(output, Finding | Advice)}
        return said + [replace(old, time=now, withdrawn=True) for old in self._told(first_seq) if old.id not in again]

    def _told(self, first_seq: int) -> list[Finding | Advice]:
        """What was told since a row and stands, as last told."""
        told: dict[str, Finding | Advice] = {}
        for row in self._journal.rows_after(first_seq - 1):
            if row.kind in ("finding", "advice"):
                output = _output(Finding if row.kind == "finding" else Advice, row.data())
                told.pop(output.id, None)
                if not output.withdrawn:
                    told[output.id] = output
        return list(told.values())

    def _replay(self, seq: int) -> list[Output]:
        known: set[Key] = set()
        said: list[Output] = []
        for row in self._journal.rows_after(seq):
            known |= keys_in(row)
            for record in self._records(row):
                said += self.step(record)
                self.replayed += 1
        return [output for output in said if key_of(output) not in known]

    def _learn_anew(self, seq: int) -> None:
        """Sumps whose part of the site file has changed: their settings of all time and last records up to a row."""
        anew, first = self._state.anew, self._journal.seq_of_last_samples(FRESH_TAIL_RECORDS)
        rows = [
            *self._journal.words_before(first),
            *(row for row in self._journal.rows_after(first - 1) if row.seq <= seq),
        ]
        for row in rows:
            for record in self._records(row):
                if record.sump in anew and (row.seq >= first or record.signal == "setting"):
                    self.step(record)

    def _replay_afresh(self) -> list[Output]:
        """Settings of all time, then the last records; what they make the core say was said before."""
        first = self._journal.seq_of_last_samples(FRESH_TAIL_RECORDS)
        for row in self._journal.words_before(first):
            for record in self._records(row):
                if record.signal == "setting":
                    self.step(record)
        self._replay(first - 1)
        return []

    def _records(self, row: LogRow) -> Iterator[Record]:
        for record in records_in(row) if not self._skipped or row.id != self._skipped else ():
            if record.sump in self._site.sumps:
                yield self._in_time(row, record)

    def _in_time(self, row: LogRow, record: Record) -> Record:
        """A word keeps its row as it was said; where the time was wrong then, the core is told the right one."""
        first, end, shift_s = self._moved
        if row.kind != "word" or not first <= row.seq < end:
            return record
        at = None if record.at is None else record.at + shift_s
        return msgspec.structs.replace(record, time=record.time + shift_s, at=at)


def _unpacked(body: bytes) -> bytes:
    """A snapshot's bytes; those of earlier releases were packed by zlib. Raises zlib.error, LZMAError."""
    return zlib.decompress(body) if body[:1] == ZLIB else lzma.decompress(body)


def _output(kind: type[Finding] | type[Advice], body: dict[str, Any]) -> Finding | Advice:
    """A row's output again; what another version has put into it is left out."""
    return kind(**{f.name: body[f.name] for f in fields(kind) if f.name in body})


def records_in(row: LogRow) -> list[Record]:
    """What the core was given when a row was written, in that order."""
    if row.kind == "block":
        return [sensed(s.time, s.sump, s.signal, s.raw) for s in readable(row.body)]
    if row.kind != "word" or row.data().get("refused"):
        return []
    try:
        return [decode_line(row.body)]
    except BadRecord:
        return []  # a newer program's word: kept, not understood


def word_record(body: dict[str, Any]) -> Record:
    """A person's word as a record. Raises BadRecord."""
    return record_from(body)


def key_of(output: Output) -> Key:
    """What makes an output the same output."""
    match output:
        case Finding():
            return ("finding", output.id, output.revision, output.withdrawn)
        case Advice():
            return ("advice", output.id, output.time, output.withdrawn)
        case Belief():
            return ("belief", output.sump, output.time)
    return ("mark",)


def keys_in(row: LogRow) -> set[Key]:
    """The same, of an output that the journal holds."""
    if row.kind not in ("finding", "advice", "belief"):
        return set()
    body = row.data()
    if row.kind == "belief":
        return {("belief", row.sump, body["time"])}
    second = body["revision"] if row.kind == "finding" else body["time"]
    return {(row.kind, row.id, second, bool(body.get("withdrawn")))}
