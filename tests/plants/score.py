"""`python -m tests.plants.score DIR OUT.jsonl`: judge what `sumpside replay` wrote about a plant against
its truth.

Everything counts from day 8 on. Strength errors are at the hourly beliefs, in % by volume of the mix. A
finding is judged by the revision that stood three days after the addition's end; precision by what stands
at the end.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from .kit import START_S, Floats

FROM_S = START_S + 8 * 86400
NEAR_S = 1800.0
STANDS_AFTER_S = 3 * 86400
LEAST_SHARE = 0.015  # an addition below this share of full (and 3 L) need not be found


@dataclass(slots=True)
class Tally:
    """One sump's raw sums; `pool` puts them together."""

    squares: float = 0.0
    held_squares: float = 0.0
    hours: int = 0
    inside: int = 0
    spans: list[float] = field(default_factory=list)
    volume_rmse_share: float = float("nan")
    strength_bias: float = 0.0
    found: int = 0
    to_find: int = 0
    right: int = 0
    said: int = 0
    volume_errors: list[float] = field(default_factory=list)
    strength_errors: list[float] = field(default_factory=list)
    setting_errors: list[float] = field(default_factory=list)
    leaks: list[tuple[float, float]] = field(default_factory=list)
    false_leaks: int = 0
    months: float = 0.0

    @property
    def ratio(self) -> float:
        """Strength RMSE over that of the last hand reading held."""
        return float(np.sqrt(self.squares / max(self.held_squares, 1e-12)))


def load_truth(folder: Path) -> tuple[dict[str, Any], Any]:
    """truth.json and truth.npz."""
    return json.loads((folder / "truth.json").read_text(encoding="utf-8")), np.load(folder / "truth.npz")


def hand_readings(folder: Path) -> dict[str, list[tuple[float, float]]]:
    """Per sump the hand readings as (time, Brix), in time order."""
    out: dict[str, list[tuple[float, float]]] = {}
    with (folder / "records.jsonl").open(encoding="utf-8") as file:
        for line in file:
            if '"hand_reading"' in line:
                r = json.loads(line)
                out.setdefault(r["sump"], []).append((r["time"], r["value"]))
    return out


def last_held(readings: Iterable[tuple[float, float]], factor: float, target: float, hours: Floats) -> Floats:
    """The last hand reading in % at each hour; the target before the first."""
    times = np.array([t for t, _ in readings])
    values = np.array([target, *(b * factor for _, b in readings)])
    return values[np.searchsorted(times, hours, side="right")]


def load_out(path: Path) -> tuple[dict[str, Floats], dict[str, list[dict[str, Any]]]]:
    """Beliefs per sump as rows (time, volume, strength, p05, p95); findings per sump in the order written."""
    beliefs: dict[str, list[tuple[float, ...]]] = {}
    findings: dict[str, list[dict[str, Any]]] = {}
    with path.open(encoding="utf-8") as file:
        for line in file:
            row = json.loads(line)
            if row["type"] == "belief":
                wanted = ("time", "volume_l", "strength_pct", "strength_p05", "strength_p95")
                beliefs.setdefault(row["sump"], []).append(tuple(row[name] for name in wanted))
            elif row["type"] == "finding":
                findings.setdefault(row["sump"], []).append(row)
    return {s: np.array(rows, float) for s, rows in beliefs.items()}, findings


def score_beliefs(
    tally: Tally, rows: Floats, hours: Floats, volume: Floats, strength: Floats, held: Floats, full_l: float
) -> None:
    """Fill the belief figures from rows at the truth's hours."""
    use = np.flatnonzero((rows[:, 0] >= FROM_S) & (rows[:, 0] <= hours[-1]) & (rows[:, 0] % 3600 == 0))
    rows = rows[use]
    i = ((rows[:, 0] - hours[0]) // 3600).astype(int)
    error = rows[:, 2] - strength[i]
    tally.squares, tally.hours = float(np.sum(error**2)), len(rows)
    tally.held_squares = float(np.sum((held[i] - strength[i]) ** 2))
    tally.strength_bias = float(np.mean(error)) if len(rows) else 0.0
    tally.inside = int(np.sum((rows[:, 3] <= strength[i]) & (strength[i] <= rows[:, 4])))
    tally.spans = (rows[:, 4] - rows[:, 3]).tolist()
    tally.volume_rmse_share = float(np.sqrt(np.mean((rows[:, 1] - volume[i]) ** 2))) / full_l if len(rows) else np.nan
    tally.months = (hours[-1] - FROM_S) / (30 * 86400)


def gap_spans(events: list[dict[str, Any]]) -> list[tuple[float, float]]:
    """When the level was not there to be seen, or stuck."""
    return [(e["start"], e["end"]) for e in events if e["event"] in ("gap", "stuck")]


def matches(finding: dict[str, Any], event: dict[str, Any], gaps: list[tuple[float, float]]) -> bool:
    """Do they overlap within 30 min, or share a gap?"""
    start, end = finding["start"], finding.get("end")
    end = start if end is None else end
    lo, hi = event["start"] - NEAR_S, event["end"] + NEAR_S
    if start <= hi and end >= lo:
        return True
    return any(
        a - NEAR_S <= event["end"] and event["start"] <= b + NEAR_S and start <= b + NEAR_S and end >= a - NEAR_S
        for a, b in gaps
    )


def standing(findings: list[dict[str, Any]], at_s: float) -> dict[str, dict[str, Any]]:
    """The revision of each finding that stood at `at_s`, withdrawn ones left out."""
    newest: dict[str, dict[str, Any]] = {}
    for row in findings:
        if row["time"] <= at_s:
            newest[row["id"]] = row
    return {key: row for key, row in newest.items() if not row.get("withdrawn")}


def score_top_offs(tally: Tally, findings: list[dict[str, Any]], truth: dict[str, Any]) -> None:
    """Found and right, volumes, and the strength of unlogged usual top-offs three days on."""
    gaps = gap_spans(truth["events"])
    pours = [e for e in truth["events"] if e["event"] in ("addition", "recharge")]
    final = [
        f for f in standing(findings, np.inf).values() if f["kind"] in ("top_off", "recharge") and f["start"] >= FROM_S
    ]
    tally.said = len(final)
    tally.right = sum(any(matches(f, e, gaps) for e in pours) for f in final)
    least = max(LEAST_SHARE * truth["full_l"], 3.0)
    for event in pours:
        if event["event"] == "addition" and event["start"] >= FROM_S and event["volume_l"] >= least:
            score_one(tally, findings, event, gaps, truth)


def score_one(
    tally: Tally,
    findings: list[dict[str, Any]],
    event: dict[str, Any],
    gaps: list[tuple[float, float]],
    truth: dict[str, Any],
) -> None:
    """One true top-off against the nearest finding that stood three days on."""
    stood = [
        f
        for f in standing(findings, event["end"] + STANDS_AFTER_S).values()
        if f["kind"] in ("top_off", "recharge") and matches(f, event, gaps)
    ]
    tally.to_find += 1
    if not stood:
        return
    tally.found += 1
    best = min(stood, key=lambda f: abs(f["start"] - event["start"]))
    if best.get("volume_l") is not None:
        tally.volume_errors.append(abs(best["volume_l"] - event["volume_l"]) / truth["full_l"])
    if event["kind"] == "usual" and not event["logged"] and best.get("makeup_pct") is not None:
        tally.strength_errors.append(abs(best["makeup_pct"] - event["pct"]))
        tally.setting_errors.append(abs(event["set_pct"] - event["pct"]))


def score_leaks(tally: Tally, findings: list[dict[str, Any]], events: list[dict[str, Any]]) -> None:
    """Delay in h of each true leak (inf when missed); every leak id with no true leak under it is false."""
    leaks = [e for e in events if e["event"] == "leak"]
    firsts: dict[str, dict[str, Any]] = {}
    for row in findings:
        if row["kind"] == "leak":
            firsts.setdefault(row["id"], row)
    for leak in leaks:
        said = [f["time"] for f in firsts.values() if leak["start"] <= f["time"] <= leak["end"] + 86400]
        tally.leaks.append((leak["rate_l_per_h"], (min(said) - leak["start"]) / 3600 if said else float("inf")))
    for f in firsts.values():
        true = any(leak["start"] <= f["time"] <= leak["end"] + 86400 for leak in leaks)
        tally.false_leaks += int(not true and f["time"] >= FROM_S)


def score_plant(folder: Path, out: Path) -> dict[str, Tally]:
    """Every sump's tally."""
    truth, arrays = load_truth(folder)
    readings, (beliefs, findings) = hand_readings(folder), load_out(out)
    hours = arrays["time"].astype(float)
    tallies = {}
    for sump, facts in truth.items():
        tally = tallies[sump] = Tally()
        held = last_held(readings.get(sump, []), facts["factor"], facts["target_pct"], hours)
        score_beliefs(
            tally,
            beliefs.get(sump, np.empty((0, 5))),
            hours,
            arrays[f"{sump}/volume_l"],
            arrays[f"{sump}/strength_pct"],
            held,
            facts["full_l"],
        )
        score_top_offs(tally, findings.get(sump, []), facts)
        score_leaks(tally, findings.get(sump, []), facts["events"])
    return tallies


def delay(tallies: list[Tally], low: float, high: float) -> float:
    """Median delay in h of leaks with low ≤ rate < high L/h; nan when the plant had none."""
    hours = [d for t in tallies for rate, d in t.leaks if low <= rate < high]
    return float(np.median(hours)) if hours else float("nan")


def ratio_of(a: float, b: float) -> float:
    """a / b, nan when there is nothing to divide by."""
    return a / b if b else float("nan")


def figures(tallies: dict[str, Tally]) -> dict[str, float]:
    """The figures of the table, over all sumps of a plant."""
    ts = list(tallies.values())
    ratios = [t.ratio for t in ts]
    strength, setting = ([e for t in ts for e in getattr(t, n)] for n in ("strength_errors", "setting_errors"))
    volume = [e for t in ts for e in t.volume_errors]
    return {
        "strength_ratio": float(np.sqrt(ratio_of(sum(t.squares for t in ts), sum(t.held_squares for t in ts)))),
        "median_ratio": float(np.median(ratios)),
        "worst_ratio": max(ratios),
        "inside": ratio_of(sum(t.inside for t in ts), sum(t.hours for t in ts)),
        "found": ratio_of(sum(t.found for t in ts), sum(t.to_find for t in ts)),
        "precision": ratio_of(sum(t.right for t in ts), sum(t.said for t in ts)),
        "top_off_volume_error": float(np.median(volume)) if volume else float("nan"),
        "makeup_ratio": ratio_of(float(np.median(strength)), float(np.median(setting))) if strength else float("nan"),
        "volume_rmse": float(np.nanmedian([t.volume_rmse_share for t in ts])),
        "leak_big_h": delay(ts, 1.0, 9.9),
        "leak_small_h": delay(ts, 0.4, 1.0),
        "false_leaks": ratio_of(sum(t.false_leaks for t in ts), sum(t.months for t in ts)),
        "hours_judged": float(sum(t.hours for t in ts)),
    }


def per_sump_lines(folder: Path, tallies: dict[str, Tally]) -> list[str]:
    """One line a sump, worst first: its figures and its kinds of trouble."""
    truth, _ = load_truth(folder)
    lines = ["sump      ratio  rmse  held  bias   in   span  vol%  found    right    leaks(rate:h) false troubles"]
    for sump, t in sorted(tallies.items(), key=lambda pair: -pair[1].ratio):
        n = max(t.hours, 1)
        leaks = " ".join(f"{r:.1f}:{d:.0f}" for r, d in t.leaks) or "-"
        lines.append(
            f"{sump:9} {t.ratio:5.2f} {np.sqrt(t.squares / n):5.2f} {np.sqrt(t.held_squares / n):5.2f} "
            f"{t.strength_bias:+5.2f} {t.inside / n:4.2f} {np.mean(t.spans or [np.nan]):5.2f} "
            f"{100 * t.volume_rmse_share:5.2f}  {t.found:3d}/{t.to_find:<3d}  {t.right:3d}/{t.said:<3d}  "
            f"{leaks:14} {t.false_leaks:3d}  {' '.join(truth[sump]['troubles'])}"
        )
    return lines


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.plants.score", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--per-sump", action="store_true")
    a = parser.parse_args()
    tallies = score_plant(a.folder, a.out)
    for name, value in figures(tallies).items():
        print(f"{name:22} {value:.4g}")
    if a.per_sump:
        print("\n".join(per_sump_lines(a.folder, tallies)))


if __name__ == "__main__":
    main()
