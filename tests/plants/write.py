"""A plant on disk: site.toml, records.jsonl (contract records in time order), truth.json and truth.npz."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from .kit import DAY_MIN, MINUTE_S, START_S, Sump

DAY_S = DAY_MIN * MINUTE_S


def write_plant(sumps: list[Sump], days: int, out: Path) -> None:
    """Write all four files into the directory `out`, made when missing."""
    out.mkdir(parents=True, exist_ok=True)
    (out / "site.toml").write_text(site_toml(sumps), encoding="utf-8")
    with (out / "records.jsonl").open("w", encoding="utf-8") as file:
        for day in range(days + 2):
            file.writelines(day_lines(sumps, START_S + day * DAY_S, START_S + (day + 1) * DAY_S))
    truth = {
        s.id: {
            "troubles": s.troubles,
            "full_l": s.full_l,
            "target_pct": s.fluid.target_pct,
            "factor": s.fluid.factor,
            "events": [asdict(e) for e in sorted(s.events, key=lambda e: (e.start, e.event))],
        }
        for s in sumps
    }
    (out / "truth.json").write_text(json.dumps(truth, indent=1), encoding="utf-8")
    arrays: dict[str, Any] = {"time": START_S + 3600 * np.arange(days * 24)}
    for s in sumps:
        arrays[f"{s.id}/volume_l"] = s.books.volume_l[:-1:60]
        arrays[f"{s.id}/strength_pct"] = s.books.strength_pct[:-1:60]
        arrays |= {f"{s.id}/{name}": values for name, values in s.rates.items()}
    np.savez(out / "truth.npz", **arrays)


def first_usual(sump: Sump) -> float:
    """What the proportioner was set to before anybody changed it."""
    sets = [e.set_pct for e in sump.events if e.event == "addition"]
    return sets[0] if sets else sump.fluid.usual_pct


def site_toml(sumps: list[Sump]) -> str:
    """The site file, as contract.md has it."""
    parts = ['[site]\nname = "Harrow Lane Gearworks"\ntimezone = "Europe/Vienna"\nunits = "litre"\n']
    for s in sumps:
        f = s.fluid
        curve = ", ".join(f"[{r}, {v}]" for r, v in s.curve)
        parts.append(
            f'\n[[sump]]\nid = "{s.id}"\nname = "{s.id.replace("-", " ").capitalize()}"\n'
            f"full_l = {s.full_l:.1f}\nlow_l = {s.low_l:.1f}\nhigh_l = {s.high_l:.1f}\n"
            f'[sump.fluid]\nname = "Simulated fluid"\ntarget_pct = {f.target_pct}\nlow_pct = {f.low_pct}\n'
            f"high_pct = {f.high_pct}\nrefractometer_factor = {f.factor}\n"
            f"[sump.makeup]\nusual_pct = {first_usual(s)}\nleanest_pct = {f.leanest_pct}\n"
            f"richest_pct = {f.richest_pct}\n"
            f"[sump.level]\ncurve = [{curve}]\n"
        )
    return "".join(parts)


def day_lines(sumps: list[Sump], lo: int, hi: int) -> list[str]:
    """All records with lo ≤ time < hi, in time order; equal times keep the order of sumps and signals."""
    keyed: list[tuple[int, str]] = []
    for s in sumps:
        for stream in s.streams:
            a, b = np.searchsorted(stream.times, [lo, hi])
            tail, d = f',"sump":"{s.id}","signal":"{stream.signal}","value":', stream.decimals
            for t, v in zip(stream.times[a:b].tolist(), stream.values[a:b].tolist(), strict=True):
                keyed.append((t, f'{{"time":{t}{tail}{v:.{d}f}}}\n'))
        for word in s.words:
            if lo <= word["time"] < hi:
                keyed.append((word["time"], json.dumps(word, separators=(",", ":")) + "\n"))
    keyed.sort(key=lambda pair: pair[0])
    return [line for _, line in keyed]
