"""What a calibration would have made of the past: the same records played twice, with and without it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import BinaryIO

from agent import replay as playing
from agent.calibrate import CURVE_FIELD, Bench
from agent.core.curve import Curve
from agent.core.outputs import Belief, Finding
from agent.core.spec import SiteSpec
from agent.core.step import finish, start, step
from agent.engine import records_in
from agent.export import rows_of
from agent.records import Record
from calibration.document import Document, NotOurs

EVERY_S = (6 * 3600.0, 600.0)  # how far apart the moments are: the second where the past is young
FEWEST_ROWS = 12
JOURNAL = "journal"


@dataclass(frozen=True, slots=True)
class Row:
    """One moment both ways: litres and strength as they are, and as they would be."""

    time: float
    volume_l: float
    new_volume_l: float
    strength_pct: float
    new_strength_pct: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """The moments, and how many findings of each kind either way."""

    rows: list[Row]
    findings: dict[str, tuple[int, int]]

    @property
    def text(self) -> str:
        """The largest and mean differences, in a sentence or two."""
        if not self.rows:
            return "these records hold less than ten minutes of this sump: nothing to compare yet"
        litres = [r.new_volume_l - r.volume_l for r in self.rows]
        points = [r.new_strength_pct - r.strength_pct for r in self.rows]
        most_l, most_pct = max(litres, key=abs), max(points, key=abs)
        said = f"volume {sum(litres) / len(litres):+.1f} L on average, {most_l:+.1f} L at most; "
        said += f"strength {sum(points) / len(points):+.2f} points on average, {most_pct:+.2f} at most"
        changed = [f"{kind} {old} to {new}" for kind, (old, new) in self.findings.items() if old != new]
        return said + ("; findings: " + ", ".join(changed) if changed else "; the same findings")


def compare(spec: SiteSpec, document: Document, records: Callable[[], Iterable[Record]]) -> Comparison:
    """Plays `records()` twice. Settings of the same field that lie in them stand in the first run and not in the
    second, where the document is in force from the start. Raises NotOurs."""
    setting = document.setting
    if setting is None:
        raise NotOurs(f"a calibration of kind {document.kind} moves no belief: there is nothing to compare")
    if document.sump not in spec.sumps:
        raise NotOurs(f"the site has no sump {document.sump!r}")
    field, value = setting
    changed = spec.sumps[document.sump]
    if field == CURVE_FIELD:
        changed = replace(changed, curve=Curve.of(value))
    else:
        changed = replace(changed, refractometer_factor=value)
    new_spec = replace(spec, sumps={**spec.sumps, document.sump: changed})
    found = Comparison([], {})
    for every_s in EVERY_S:
        old = _play(spec, records(), document.sump, every_s)
        kept = (r for r in records() if (r.sump, r.signal, r.field) != (document.sump, "setting", field))
        found = _side_by_side(old, _play(new_spec, kept, document.sump, every_s))
        if len(found.rows) >= FEWEST_ROWS:
            break
    return found


def _play(
    spec: SiteSpec, records: Iterable[Record], sump: str, every_s: float
) -> tuple[dict[float, Belief], dict[str, str]]:
    """Beliefs by time and findings' kinds by id, of one sump alone: the others know nothing of it."""
    alone = replace(spec, sumps={sump: spec.sumps[sump]})
    state = start(alone, every_s)
    beliefs: dict[float, Belief] = {}
    kinds: dict[str, str] = {}
    for record in records:
        if record.sump != sump:
            continue
        state, outputs = step(state, record, alone)
        _note(outputs, beliefs, kinds)
    _note(finish(state, alone), beliefs, kinds)
    return beliefs, kinds


def _note(outputs: Iterable[object], beliefs: dict[float, Belief], kinds: dict[str, str]) -> None:
    for output in outputs:
        if isinstance(output, Belief):
            beliefs[output.time] = output
        elif isinstance(output, Finding):
            if output.withdrawn:
                kinds.pop(output.id, None)
            else:
                kinds[output.id] = output.kind


def _side_by_side(
    old: tuple[dict[float, Belief], dict[str, str]], new: tuple[dict[float, Belief], dict[str, str]]
) -> Comparison:
    rows = [
        Row(t, a.volume_l, new[0][t].volume_l, a.strength_pct, new[0][t].strength_pct)
        for t, a in old[0].items()
        if t in new[0]
    ]
    names = sorted({*old[1].values(), *new[1].values()})
    counts = [{name: list(found[1].values()).count(name) for name in names} for found in (old, new)]
    return Comparison(rows, {name: (counts[0][name], counts[1][name]) for name in names})


def records_of(bench: Bench, source: str, since: float = 0.0) -> Callable[[], Iterator[Record]]:
    """Where records come from, to be asked twice: a file of them, or the journal from `since` (epoch s) on, with the
    settings of all time. Raises OSError as it is read."""
    spec = bench.site.spec()

    def from_file() -> Iterator[Record]:
        complaints = playing.Complaints(source, sys.stderr)
        with _opened(source) as lines:
            yield from playing.good_records(lines, spec, complaints, playing.Tally())

    def from_journal() -> Iterator[Record]:
        for row in rows_of(bench.reader):
            for record in records_in(row):
                if record.time >= since or record.signal == "setting":
                    yield record

    return from_journal if source == JOURNAL else from_file


def _opened(path: str) -> BinaryIO:
    if path == "-":
        raise NotOurs("records are read twice: give a file, or journal")
    return open(path, "rb")
