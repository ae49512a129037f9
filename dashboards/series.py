"""The numbers behind the two graphs of a sump, in the unit of people's eyes. Drawing is the browser's."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from agent.core.fluid import brix_pct
from agent.core.spec import SumpSpec
from agent.io.journal import FINE_KEPT_S
from dashboards.language import N_, _
from dashboards.live_file import Live
from dashboards.queries import Queries
from dashboards.show import NINE_IN_TEN_SD, Show, trim

Doubts = Sequence[Mapping[str, float]]
Points = list[tuple[float, float]]
GAP_STEPS = 3.0  # a line is broken where this many steps are missing
AHEAD_SHARE = 0.3  # of the range is kept for the outlook
MOST_POINTS = 3_000  # a screen has fewer columns
MOST_BELIEFS = 600
MOST_DOUBTFUL = 300
SAME_S, SAME_PCT = 1.0, 0.01  # two tellings of one reading differ by rounding alone
FINER_SHARE = 2.0  # a window up to so many times a range's length is drawn at that range's step
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
    "1y": Range("1y", N_("1 year"), 366 * 86_400.0, 21_600, 86_400.0),
    "5y": Range("5y", N_("5 years"), 5 * 366 * 86_400.0, 86_400, 4 * 86_400.0),
}
USUAL_RANGE = "1d"


@dataclass(frozen=True, slots=True)
class Window:
    """From when to when (epoch s) a graph shows a sump, at which step, a line broken where `gap_s` is missing."""

    t0: float
    t1: float
    step_s: int
    gap_s: float

    @property
    def belief_step_s(self) -> float:
        """One belief in so long: no more than a screen shows."""
        return max((self.t1 - self.t0) / MOST_BELIEFS, 1.0)


def lately(span: Range, now_s: float) -> Window:
    """The range's length up to now."""
    return Window(now_s - span.length_s, now_s, span.step_s, span.gap_s)


def between(t0: float, t1: float, now_s: float) -> Window:
    """A stretch that somebody looks at more closely, at the finest step that a screen can show and that is kept."""
    length_s = t1 - t0
    span = next((r for r in RANGES.values() if length_s <= FINER_SHARE * r.length_s), RANGES["5y"])
    minutes_gone = span.step_s == 60 and t0 < now_s - FINE_KEPT_S
    return Window(t0, t1, RANGES["1w"].step_s if minutes_gone else span.step_s, span.gap_s)


def series(
    spec: SumpSpec, window: Window, live: Live, queries: Queries, show: Show, doubts: Doubts = ()
) -> dict[str, Any]:
    """Everything the graphs of one sump draw. Times are epoch s, volumes `unit`, strengths % of the mix.

    `doubts` are the readings held for wrong, as the agent says it: `time`, `pct`, `doubt`.
    """
    t0, t1 = window.t0, window.t1
    beliefs = _believed(spec, window, live, queries)
    findings = queries.findings(spec.id, t0)
    return {
        "now": live.now_s,
        "from": t0,
        "until": min(t1, live.now_s) + AHEAD_SHARE * (t1 - t0) if t1 >= live.now_s else t1,
        "unit": show.volume_unit,
        "zone": show.zone.key,
        "step_s": window.step_s,
        "gap_s": window.gap_s,
        "marks": _marks(spec, show),
        "level": _line([(t, show.in_unit(v)) for t, v in _levels(spec, "level", window, queries)], window.gap_s),
        "doubtful": _doubtful(spec, window, queries, show),
        "inline": _line(_inline(spec, _levels(spec, "brix", window, queries)), window.gap_s),
        "belief": _beliefs(beliefs, show, max(BELIEFS_BROKEN_AFTER_S, GAP_STEPS * window.belief_step_s)),
        "readings": _readings(spec, window, queries, doubts),
        "additions": [_addition(f, show) for f in findings if _is_addition(f) and f["start"] < t1],
        "outlook": outlook(live.belief(spec.id) or (beliefs[-1] if beliefs else None), spec, show),
    }


def _believed(spec: SumpSpec, window: Window, live: Live, queries: Queries) -> list[dict[str, Any]]:
    """The window's beliefs, thinned where they are read, and the one of this moment."""
    margin_s = max(3600.0, window.belief_step_s)
    rows = queries.beliefs_spread(spec.id, window.t0 - margin_s, window.t1 + 1.0, window.belief_step_s)
    newest = live.belief(spec.id)
    if newest and window.t1 >= live.now_s and (not rows or newest["time"] > rows[-1]["time"]):
        rows.append(newest)
    return rows


def _levels(spec: SumpSpec, signal: str, window: Window, queries: Queries) -> Points:
    return queries.level(spec.id, signal, window.t0, window.t1, window.step_s)


def _doubtful(spec: SumpSpec, window: Window, queries: Queries, show: Show) -> list[list[float]]:
    """Level samples that the gates did not let pass, where every sample is shown; a whole hour of them is thinned."""
    if window.step_s:
        return [[], []]
    found = queries.doubtful(spec.id, "level", window.t0, window.t1)
    found = found[:: max(1, len(found) // MOST_DOUBTFUL)]
    return [[round(t, 1) for t, _ in found], [round(show.in_unit(v), 3) for _, v in found]]


def _readings(spec: SumpSpec, window: Window, queries: Queries, doubts: Doubts) -> list[dict[str, Any]]:
    """The window's readings, each with how likely it is held to be wrong, where it is."""
    rows = [_reading(row, spec) for row in queries.readings(spec.id, window.t0)]
    for one in rows:
        same = (d for d in doubts if abs(d["time"] - one["t"]) < SAME_S and abs(d["pct"] - one["pct"]) < SAME_PCT)
        one["doubt"] = next((d["doubt"] for d in same), None)
    return [one for one in rows if one["t"] < window.t1]


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


def _beliefs(rows: list[dict[str, Any]], show: Show, gap_s: float) -> dict[str, list[float | None]]:
    """Columns of the belief rows; a row of nothing stands where beliefs are missing."""
    columns: dict[str, list[float | None]] = {n: [] for n in ("t", "volume", "low", "high", "strength", "p05", "p95")}
    last = None
    for row in rows:
        if last is not None and row["time"] - last > gap_s:
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
