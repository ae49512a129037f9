"""What a user would do otherwise, on the same records: a mass-balance sheet by hand, and a one-state Kalman filter.

Both know only what a person at the sump knows: the site file, level records, hand readings, what people logged.
Strengths in % by volume of the mix, at whole hours.
"""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from filterpy.kalman import KalmanFilter  # type: ignore[import-untyped]

from .kit import DAY_MIN, MINUTE_S, START_S, Floats

SHEET_EVAPORATED = 0.7  # the share of all losses that such a sheet takes as water
SHEET_HOUR = 6  # the level is written down before the first shift
RISE_SHARE = 0.03  # a rise over a day, share of full, that a person would call a top-off
KALMAN_WALK_PER_DAY = 0.3  # points; a filter that knows no balance must take all change as noise
KALMAN_READING_SD_BRIX = 0.25
Z90 = 1.6449


@dataclass(slots=True)
class Notes:
    """One sump's records as a person keeps them."""

    site: dict[str, Any]
    readings: list[tuple[float, float]] = field(default_factory=list)
    additions: list[tuple[float, float, float]] = field(default_factory=list)
    mornings: dict[int, list[float]] = field(default_factory=dict)


def take_notes(folder: Path) -> dict[str, Notes]:
    """Read site.toml and records.jsonl: hand readings in %, logged additions, levels of the half hour before 6."""
    site = tomllib.loads((folder / "site.toml").read_text(encoding="utf-8"))
    notes = {s["id"]: Notes(s) for s in site["sump"]}
    with (folder / "records.jsonl").open(encoding="utf-8") as file:
        for line in file:
            if '"level"' in line:
                minute = (int(line[8:18]) - START_S) // MINUTE_S
                if not SHEET_HOUR * 60 - 30 <= minute % DAY_MIN < SHEET_HOUR * 60:
                    continue
            take_one(notes, json.loads(line))
    return notes


def take_one(notes: dict[str, Notes], record: dict[str, Any]) -> None:
    """File one record under its sump."""
    n, signal, time = notes[record["sump"]], record["signal"], record["time"]
    if signal == "level":
        n.mornings.setdefault(int(time - START_S) // 86400, []).append(record["value"])
    elif signal == "hand_reading":
        n.readings.append((time, record["value"] * n.site["fluid"]["refractometer_factor"]))
    elif signal == "addition" and record["volume_l"] is not None:
        pct = record["pct"] if record["pct"] is not None else n.site["makeup"]["usual_pct"]
        n.additions.append((time, record["volume_l"], pct))


def sheet(notes: Notes, hours: Floats) -> Floats:
    """Mass balance by hand, once a morning: losses from level differences, a fixed share of them water.

    Additions count as logged; a rise that nobody logged counts as the usual mix. A reading restarts the sheet.
    """
    target, full = notes.site["fluid"]["target_pct"], notes.site["full_l"]
    curve = np.array(notes.site["level"]["curve"])
    levels = {d: float(np.interp(np.median(v), curve[:, 0], curve[:, 1])) for d, v in notes.mornings.items()}
    changes: list[tuple[float, str, float]] = [(t, "read", c) for t, c in notes.readings]
    changes += [(START_S + 86400 * d + 3600 * SHEET_HOUR, "morning", v) for d, v in levels.items()]
    strength, volume, since = target, None, float(START_S)
    steps = []
    for time, what, value in sorted(changes):
        if what == "read":
            strength = value
        else:
            if volume is not None:
                added = [(v, p) for t, v, p in notes.additions if since <= t < time]
                strength = balance(strength, volume, value, added, full, notes.site["makeup"]["usual_pct"])
            volume, since = value, time
        steps.append((time, strength))
    times, values = np.array([t for t, _ in steps]), np.array([target, *(c for _, c in steps)])
    return np.asarray(values[np.searchsorted(times, hours, side="right")])


def balance(
    c: float, before_l: float, now_l: float, added: list[tuple[float, float]], full_l: float, usual_pct: float
) -> float:
    """Strength after a day in which the level went from `before_l` to `now_l` with `added` (litres, %)."""
    if not added and now_l - before_l > RISE_SHARE * full_l:
        added = [(now_l - before_l, usual_pct)]
    in_l, in_c = sum(v for v, _ in added), sum(v * p for v, p in added)
    loss = max(0.0, before_l + in_l - now_l)
    concentrate = c * before_l + in_c - (1 - SHEET_EVAPORATED) * loss * c
    return max(0.0, concentrate / max(before_l + in_l - loss, 0.1 * full_l))


def kalman(notes: Notes, hours: Floats) -> tuple[Floats, Floats]:
    """filterpy's filter with strength as its one state, a random walk corrected by hand readings: mean, sd."""
    factor = notes.site["fluid"]["refractometer_factor"]
    f = KalmanFilter(dim_x=1, dim_z=1)
    f.x, f.P = np.array([[notes.site["fluid"]["target_pct"]]]), np.array([[1.0]])
    f.F, f.H, f.Q = np.eye(1), np.eye(1), np.array([[KALMAN_WALK_PER_DAY**2 / 24]])
    f.R = np.array([[(KALMAN_READING_SD_BRIX * factor) ** 2]])
    mean, sd, waiting = np.empty(len(hours)), np.empty(len(hours)), list(notes.readings)
    for i, hour in enumerate(hours):
        f.predict()
        while waiting and waiting[0][0] <= hour:
            f.update(np.array([[waiting.pop(0)[1]]]))
        mean[i], sd[i] = f.x[0, 0], np.sqrt(f.P[0, 0])
    return mean, sd


def compare(folder: Path) -> dict[str, float]:
    """RMSE ratios to the last reading held of both, over all sumps and at the median sump; the filter's coverage."""
    from .score import FROM_S, last_held, load_truth

    truth, arrays = load_truth(folder)
    hours = arrays["time"].astype(float)
    use = hours >= FROM_S
    squares: dict[str, list[float]] = {"held": [], "sheet": [], "kalman": []}
    inside: list[float] = []
    for sump, notes in take_notes(folder).items():
        c = arrays[f"{sump}/strength_pct"]
        brix = [(t, v / truth[sump]["factor"]) for t, v in notes.readings]
        held = last_held(brix, truth[sump]["factor"], truth[sump]["target_pct"], hours)
        mean, sd = kalman(notes, hours)
        for name, guess in (("held", held), ("sheet", sheet(notes, hours)), ("kalman", mean)):
            squares[name].append(float(np.mean((guess - c)[use] ** 2)))
        inside.append(float(np.mean((np.abs(mean - c) <= Z90 * sd)[use])))
    out = {"kalman_inside": float(np.mean(inside))}
    for name in ("sheet", "kalman"):
        out[f"{name}_ratio"] = float(np.sqrt(sum(squares[name]) / sum(squares["held"])))
        out[f"{name}_median"] = float(np.median(np.sqrt(np.array(squares[name]) / np.array(squares["held"]))))
    return out
