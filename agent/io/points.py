"""Rows of the journal as points of a time-series store, checked before they are sent. Pure.

    measurement        fields (all numbers)                                               source     from
    sump_level         raw, litres, quality                                               sensor     samples
    sump_temperature   raw, celsius, quality                                              sensor     samples
    sump_brix          raw, brix, quality                                                 sensor     samples
    sump_running       running, quality                                                   sensor     samples
    sump_belief        volume_l, volume_sd, strength_pct, … as in contract.md, status     estimator  beliefs
    sump_addition      volume_l, volume_sd, makeup_pct, makeup_sd, start_s, revision …    estimator  findings of one
    sump_finding       the same with rate_l_per_h, rate_sd                                estimator  other findings
    sump_advice        volume_l, makeup_pct, water_l, concentrate_l …, open               estimator  advice
    sump_reading       brix (hand refractometer) or strength_pct (titration)              person     words
    sump_poured        volume_l, pct                                                      person     words
Tags: site, sump, source, simulated, and `kind` of findings, advice and what was poured. Quality 0 is good, else the
bits of the gates that failed. `status` of a belief: 0 learning, 1 settled, 2 stale. Time stamps are milliseconds, and
a row always gives the same points, so that one sent twice is the same point. No text goes into a field: one store
turns it into 0 without a word. Names of people stay out of tags.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from agent.io.blocks import Sample, unpack
from agent.io.chain import LogRow

NEWEST_MS = 9_223_372_036_854  # int64 nanoseconds, which the stores reckon in, end in the year 2262
VALUE_NAME = {"level": "litres", "temperature": "celsius", "brix": "brix", "running": "running"}
STATUS = {"learning": 0, "settled": 1, "stale": 2}
BELIEF_FIELDS = (
    "volume_l", "volume_sd", "strength_pct", "strength_sd", "strength_p05", "strength_p95",
    "evaporation_l_per_day", "carry_off_l_per_day", "evaporation_share", "evaporation_share_sd",
    "makeup_pct", "makeup_sd", "hold_makeup_pct", "hours_to_low", "hours_to_low_p05", "hours_to_low_p95",
)  # fmt: skip
FINDING_FIELDS = ("volume_l", "volume_sd", "makeup_pct", "makeup_sd", "rate_l_per_h", "rate_sd", "revision")
ADVICE_FIELDS = (
    "volume_l", "makeup_pct", "water_l", "concentrate_l", "expected_volume_l", "expected_strength_pct",
    "expected_strength_sd", "chance_in_band", "due_in_h",
)  # fmt: skip
ADDITIONS = {"top_off", "recharge"}
POURED = {"addition", "recharge", "drained", "metered"}

Field = float | int


class Unfit(ValueError):
    """A point that no store must be given; the message says why."""


@dataclass(frozen=True, slots=True)
class PointOf:
    """One point: `time_ms` epoch milliseconds, tags text, fields finite numbers."""

    measurement: str
    tags: dict[str, str]
    fields: dict[str, Field]
    time_ms: int

    def checked(self) -> PointOf:
        """Itself, or raises Unfit."""
        if not self.fields:
            raise Unfit("no number in it")
        for name, value in self.fields.items():
            if isinstance(value, bool) or not isinstance(value, int | float):
                raise Unfit(f"{name} is no number")
            if not math.isfinite(value):
                raise Unfit(f"{name} is {value}")
        for name, text in self.tags.items():
            if not text or not text.isprintable():
                raise Unfit(f"tag {name} is empty or not printable")
        if not 0 <= self.time_ms <= NEWEST_MS:
            raise Unfit(f"time {self.time_ms} ms is none that a store can keep")
        return self

    def as_json(self) -> str:
        """For the dead letters."""
        return json.dumps(asdict(self), ensure_ascii=False)


def points(row: LogRow, site: str, simulated: frozenset[str]) -> Iterator[PointOf]:
    """The points of a row, not yet checked. Raises ValueError, KeyError, TypeError, zlib.error, struct.error."""
    if row.kind == "block":
        return (sample_point(s, site) for s in unpack(row.body))
    make = _MAKERS.get(row.kind)
    if make is None or row.sump is None:
        return iter(())
    tags = {"site": site, "sump": row.sump, "simulated": _flag(row.sump in simulated)}
    return make(row, row.data(), tags)


def sample_point(s: Sample, site: str) -> PointOf:
    """A reading's point, the same from its block and ahead of it (`blocks.as_kept`)."""
    name = VALUE_NAME.get(s.signal, "value")
    fields: dict[str, Field] = {name: s.value, "quality": s.flags}
    if s.signal != "running":
        fields["raw"] = s.raw
    tags = {"site": site, "sump": s.sump, "simulated": _flag(s.simulated), "source": "sensor"}
    return PointOf(f"sump_{s.signal}", tags, fields, to_ms(s.time))


def _belief(row: LogRow, body: Mapping[str, Any], tags: dict[str, str]) -> Iterator[PointOf]:
    fields = _numbers(body, BELIEF_FIELDS)
    if body.get("status") in STATUS:
        fields["status"] = STATUS[body["status"]]
    yield PointOf("sump_belief", tags | {"source": "estimator"}, fields, to_ms(row.time))


def _finding(row: LogRow, body: Mapping[str, Any], tags: dict[str, str]) -> Iterator[PointOf]:
    fields = _numbers(body, FINDING_FIELDS) | {"withdrawn": int(bool(body.get("withdrawn")))}
    for end in ("start", "end"):
        if body.get(end) is not None:
            fields[f"{end}_s"] = float(body[end])
    measurement = "sump_addition" if body["kind"] in ADDITIONS else "sump_finding"
    yield PointOf(measurement, tags | {"source": "estimator", "kind": body["kind"]}, fields, to_ms(row.time))


def _advice(row: LogRow, body: Mapping[str, Any], tags: dict[str, str]) -> Iterator[PointOf]:
    fields = _numbers(body, ADVICE_FIELDS) | {"open": int(not body.get("withdrawn"))}
    yield PointOf("sump_advice", tags | {"source": "estimator", "kind": body["kind"]}, fields, to_ms(row.time))


def _word(row: LogRow, body: Mapping[str, Any], tags: dict[str, str]) -> Iterator[PointOf]:
    """What a person read or poured; what else people say is no measurement."""
    signal, tags = body.get("signal"), tags | {"source": "person"}
    if signal == "hand_reading":
        yield PointOf("sump_reading", tags, {"brix": float(body["value"])}, to_ms(row.time))
    elif signal == "titration":
        yield PointOf("sump_reading", tags, {"strength_pct": float(body["value"])}, to_ms(row.time))
    elif signal in POURED and (fields := _numbers(body, ("volume_l", "pct"))):
        yield PointOf("sump_poured", tags | {"kind": signal}, fields, to_ms(row.time))


_MAKERS = {"belief": _belief, "finding": _finding, "advice": _advice, "word": _word}


def _numbers(body: Mapping[str, Any], names: tuple[str, ...]) -> dict[str, Field]:
    """The named fields that are there. All as float, for a store keeps the type that it saw first."""
    return {name: float(body[name]) for name in names if body.get(name) is not None}


def to_ms(time_s: float) -> int:
    """Epoch milliseconds, always the same for the same second."""
    return round(time_s * 1000)


def _flag(value: bool) -> str:
    return "true" if value else "false"
