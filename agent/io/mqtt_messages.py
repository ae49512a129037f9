"""What Sumpside says over MQTT: topics and JSON bodies. Pure; the manual's table of topics is made from here.

    sumpside/<site>/agent                "online" | "offline"            retained; the will says offline
    sumpside/<site>/<sump>/now/<signal>  the newest value, with its time retained
    sumpside/<site>/<sump>/now/belief    the newest belief               retained
    sumpside/<site>/<sump>/advice        the open instruction; empty when there is none  retained
    sumpside/<site>/<sump>/past          samples, beliefs, findings, advice, words, reviews, each with its own time
    sumpside/<site>/<sump>/alert         an alert raised, acknowledged or over
`past` and `alert` come at least once: `seq` with `sump` says whether a message was seen before.
Nothing here is a command: Sumpside subscribes to no topic.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from agent.io.blocks import Sample, unpack
from agent.io.chain import LogRow

UNITS = {"level": "L", "temperature": "°C", "brix": "Brix", "running": "1", "metered": "L"}  # of a calibrated value
SENT_AS_PAST = {"belief", "finding", "advice", "word", "review"}
COLUMNS = ["time", "raw", "value", "flags"]
NOT_IN_A_TOPIC = set("/+#\0")


@dataclass(frozen=True, slots=True)
class Message:
    """One publication."""

    topic: str
    payload: bytes
    retain: bool = False


def topic(site: str, *parts: str) -> str:
    """`sumpside/<site>/…`. Raises ValueError where a part would change the tree."""
    for part in (site, *parts):
        if not part or NOT_IN_A_TOPIC & set(part):
            raise ValueError(f"no name for a topic: {part!r}")
    return "/".join(("sumpside", site, *parts))


def now_body(sample: Sample) -> dict[str, Any]:
    """The body of `now/<signal>`: calibrated value with unit, raw reading, epoch s, whether it may be believed."""
    return {
        "time": sample.time,
        "value": sample.value,
        "unit": UNITS.get(sample.signal, ""),
        "raw": sample.raw,
        "quality": "doubtful" if sample.flags else "good",
        "flags": sample.flags,
        "simulated": sample.simulated,
    }


def now_message(site: str, sump: str, signal: str, body: Mapping[str, Any]) -> Message:
    """The live value of one signal, or `belief`."""
    named = {"site": site, "sump": sump, "signal": signal, **body}
    return Message(topic(site, sump, "now", signal), encode(named), retain=True)


def advice_message(site: str, sump: str, instruction: Mapping[str, Any] | None, simulated: bool) -> Message:
    """The open instruction of a sump as the journal tells it; an empty body, which clears it, where there is none."""
    where = topic(site, sump, "advice")
    if instruction is None:
        return Message(where, b"", retain=True)
    told = {key: instruction[key] for key in ("id", "state", "posted_at", "advice")}
    return Message(where, encode({"site": site, "sump": sump, "simulated": simulated, **told}), retain=True)


def messages(row: LogRow, site: str, simulated: frozenset[str]) -> list[Message]:
    """What a row of the journal becomes; always the same bytes for the same row. Some kinds become nothing.

    Raises ValueError, KeyError, TypeError, zlib.error, struct.error for a row that is broken.
    """
    if row.kind == "block":
        return _samples(row, site)
    if row.kind not in SENT_AS_PAST and row.kind != "alert":
        return []
    body = {
        "type": row.kind,
        "site": site,
        "sump": row.sump,
        "seq": row.seq,
        "time": row.time,
        "id": row.id,
        "simulated": row.sump in simulated,
        "body": row.data(),
    }
    ending = "alert" if row.kind == "alert" else "past"
    where = topic(site, ending) if row.sump is None else topic(site, row.sump, ending)
    return [Message(where, encode(body))]


def _samples(row: LogRow, site: str) -> list[Message]:
    """One message a sump of the block; signal by signal, oldest first as they came."""
    sumps: dict[str, dict[str, list[Sample]]] = {}
    for sample in unpack(row.body):
        sumps.setdefault(sample.sump, {}).setdefault(sample.signal, []).append(sample)
    return [
        Message(topic(site, sump, "past"), encode(_samples_body(row, site, sump, signals)))
        for sump, signals in sumps.items()
    ]


def _samples_body(row: LogRow, site: str, sump: str, signals: dict[str, list[Sample]]) -> dict[str, Any]:
    return {
        "type": "samples",
        "site": site,
        "sump": sump,
        "seq": row.seq,
        "time": row.time,
        "simulated": any(s.simulated for samples in signals.values() for s in samples),
        "columns": COLUMNS,
        "signals": {
            signal: {"unit": UNITS.get(signal, ""), "samples": [[s.time, s.raw, s.value, s.flags] for s in samples]}
            for signal, samples in signals.items()
        },
    }


def encode(body: Any) -> bytes:
    """Compact UTF-8 JSON. What is no number in JSON (NaN, infinities) becomes null: it was no measurement."""
    try:
        text = json.dumps(body, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    except ValueError:
        text = json.dumps(_finite(body), separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    try:
        return text.encode()
    except UnicodeEncodeError:  # half a character, which JSON can name and UTF-8 cannot: as its escape
        return json.dumps(_finite(body), separators=(",", ":"), allow_nan=False).encode()


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: _finite(member) for key, member in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(member) for member in value]
    return value
