"""The numbers behind the two graphs of a sump, in the unit of people's eyes. Drawing is the browser's."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from agent.core.fluid import brix_pct
from agent.core.spec import SumpSpec
from dashboards.language import N_, _
from dashboards.live_file import Live
from dashboards.queries import Queries
from dashboards.show import NINE_IN_TEN_SD, Show, trim

Points = list[tuple[float, float]]
GAP_STEPS = 3.0  # a line is broken where this many steps are missing
AHEAD_SHARE = 0.3  # of the range is kept for the outlook
MOST_POINTS = 3_000  # a screen has fewer columns
MOST_BELIEFS = 1_500
BELIEFS_BROKEN_AFTER_S = 2 * 3600.0


@dataclass(frozen=True, slots=True)
class Range:
    """A stretch of time that a graph shows; `step_s` 0 = every sample, else kept sums."""

    key: str
    name: str
    length_s: float
    step_s: int
    gap_s: float


RANGES = {
    "1h": Range("1h", N_("1 hour"), 3600.0, 0, 180.0),
    "1d": Range("1d", N_("1 day"), 86_400.0, 60, 600.0),
    "1w": Range("1w", N_("1 week"), 7 * 86_400.0, 600, 3600.0),
    "1m": Range("1m", N_("1 month"), 31 * 86_400.0, 1800, 3 * 3600.0),
}
USUAL_RANGE = "1d"


def series(spec: SumpSpec, span: Range, live: Live, queries: Queries, show: Show) -> dict[str, Any]:
    """Everything the graphs of one sump draw. Times are epoch s, volumes `unit`, strengths % of the mix."""
    t0, t1 = live.now_s - span.length_s, live.now_s
    beliefs = queries.beliefs(spec.id, t0 - 3600.0, t1 + 1.0)
    levels = queries.level(spec.id, "level", t0, t1, span.step_s)
    newest = live.belief(spec.id)
    if newest and (not beliefs or newest["time"] > beliefs[-1]["time"]):
        beliefs.append(newest)
    return {
        "now": live.now_s,
        "from": t0,
        "until": live.now_s + AHEAD_SHARE * span.length_s,
        "unit": show.volume_unit,
        "zone": show.zone.key,
        "gap_s": span.gap_s,
        "marks": _marks(spec, show),
        "level": _line([(t, show.in_unit(v)) for t, v in levels], span.gap_s),
        "inline": _line(_inline(spec, queries.level(spec.id, "brix", t0, t1, span.step_s)), span.gap_s),
        "belief": _beliefs(beliefs, show),
        "readings": [_reading(row, spec) for row in queries.readings(spec.id, t0)],
        "additions": [_addition(f, show) for f in queries.findings(spec.id, t0) if _is_addition(f)],
        "outlook": outlook(beliefs[-1] if beliefs else None, spec, show),
    }


def _marks(spec: SumpSpec, show: Show) -> dict[str, float]:
    volumes = {name: show.in_unit(getattr(spec, f"{name}_l")) for name in ("low", "full", "high")}
    return volumes | {f"{name}_pct": getattr(spec, f"{name}_pct") for name in ("low", "target", "high")}


def _line(points: Points, gap_s: float) -> list[list[float | None]]:
    """Two columns, thinned to what a screen shows; a hole in time becomes a hole in the line."""
    stride = max(1, len(points) // MOST_POINTS)
    times: list[float | None] = []
    values: list[float | None] = []
    last = None
    for t, v in points[::stride]:
        if last is not None and t - last > max(gap_s, GAP_STEPS * stride):
            times.append(round((last + t) / 2, 1))
            values.append(None)
        times.append(round(t, 1))
        values.append(round(v, 3))
        last = t
    return [times, values]


def _inline(spec: SumpSpec, points: Points) -> Points:
    return [(t, brix_pct(brix, spec.refractometer_factor)) for t, brix in points]


def _beliefs(rows: list[dict[str, Any]], show: Show) -> dict[str, list[float | None]]:
    """Columns of the belief rows; a row of nothing stands where beliefs are missing."""
    rows = rows[:: max(1, len(rows) // MOST_BELIEFS)]
    columns: dict[str, list[float | None]] = {n: [] for n in ("t", "volume", "low", "high", "strength", "p05", "p95")}
    last = None
    for row in rows:
        if last is not None and row["time"] - last > BELIEFS_BROKEN_AFTER_S:
            _append(columns, ((last + row["time"]) / 2, *[None] * 6))
        half = NINE_IN_TEN_SD * row["volume_sd"]
        volumes = (show.in_unit(v) for v in (row["volume_l"], row["volume_l"] - half, row["volume_l"] + half))
        _append(columns, (row["time"], *volumes, row["strength_pct"], row["strength_p05"], row["strength_p95"]))
        last = row["time"]
    return columns


def _append(columns: dict[str, list[float | None]], values: Iterable[float | None]) -> None:
    for column, value in zip(columns.values(), values, strict=True):
        column.append(None if value is None else round(value, 3))


def _reading(row: dict[str, Any], spec: SumpSpec) -> dict[str, Any]:
    by_titration = row["signal"] == "titration"
    pct = row["value"] if by_titration else brix_pct(row["value"], spec.refractometer_factor)
    value = trim(row["value"])
    what = _("titration {value} %", value=value) if by_titration else f"{value} Brix = {trim(pct)} %"
    return {"t": row.get("at") or row["time"], "pct": round(pct, 3), "titration": by_titration, "text": what}


def _is_addition(finding: dict[str, Any]) -> bool:
    return finding["kind"] in ("top_off", "recharge") and finding.get("volume_l") is not None


def _addition(finding: dict[str, Any], show: Show) -> dict[str, Any]:
    makeup = finding.get("makeup_pct")
    return {
        "id": finding["id"],
        "start": finding["start"],
        "end": finding.get("end") or finding["start"],
        "volume": f"+{show.volume(finding['volume_l'])}",
        "mix": "" if makeup is None else f"{trim(makeup, 1)} %",
        "kind": finding["kind"],
    }


def outlook(belief: dict[str, Any] | None, spec: SumpSpec, show: Show) -> dict[str, Any] | None:
    """The way to the low mark, straight from the belief to its hours: soonest, likely, latest."""
    if belief is None or belief.get("hours_to_low") is None or belief["volume_l"] <= spec.low_l:
        return None
    t, hours = belief["time"], [belief.get(f"hours_to_low{end}") for end in ("_p05", "", "_p95")]
    ends = [None if h is None else t + 3600.0 * h for h in hours]
    return {
        "t": t,
        "from": show.in_unit(belief["volume_l"]),
        "to": show.in_unit(spec.low_l),
        "soonest": ends[0],
        "likely": ends[1],
        "latest": ends[2],
    }
