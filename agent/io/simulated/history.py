"""The fortnight before the first live moment, told as records: what transmitters sent and what people said."""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator
from datetime import timedelta
from typing import Any

from agent.io.simulated import calendar
from agent.io.simulated.plant import Plant
from agent.io.simulated.shop import DEEDS, HISTORY_DAYS, Deed

Record = dict[str, Any]
SIMULATED_PERSON = "simulated operator"
EVERY_S = 60.0
# A fortnight of four sumps must run through the estimator in seconds: only the last days are told finely.
LEVEL_EVERY_S = 300.0
LATE_LEVEL_EVERY_S = 120.0
LATE_S = 2 * calendar.DAY_S
SLOW_EVERY_S = 900.0  # temperature and the inline refractometer
TEMPERATURE_SUMPS = ("mill-1", "mill-2")
RUNNING_SUMPS = ("mill-1", "mill-2", "grinder-1")
BRIX_SUMPS = ("mill-2",)


def beginning(opening_s: float) -> float:
    """Epoch seconds of the fortnight's first midnight."""
    return (calendar.midnight(opening_s) - timedelta(days=HISTORY_DAYS)).timestamp()


def live_through(plant: Plant, until_s: float, done: Iterable[Deed] = DEEDS) -> Iterator[Record]:
    """Run the plant up to `until_s`, people's deeds `done`, and give every record on the way, in time order."""
    deeds = sorted(((_moment(deed, until_s), deed) for deed in done), key=lambda pair: pair[0])
    words: list[tuple[float, int, Record]] = []
    was_running: dict[str, bool] = {}
    while plant.time_s < until_s - EVERY_S:
        plant.advance_to(plant.time_s + EVERY_S)
        while deeds and deeds[0][0] <= plant.time_s:
            said = _do(plant, deeds.pop(0)[1])
            if said is not None:
                heapq.heappush(words, (said["time"], len(words), said))
        while words and words[0][0] <= plant.time_s:
            yield {**heapq.heappop(words)[2], "time": plant.time_s}
        level_every_s = LATE_LEVEL_EVERY_S if until_s - plant.time_s < LATE_S else LEVEL_EVERY_S
        yield from _sampled(plant, was_running, level_every_s)
    plant.advance_to(until_s)


def _moment(deed: Deed, opening_s: float) -> float:
    return calendar.at(calendar.midnight(opening_s) - timedelta(days=deed.days_before), deed.clock)


def _do(plant: Plant, deed: Deed) -> Record | None:
    """Carry out a deed; gives what will be said of it, and when."""
    if deed.act == "read":
        return _word(plant.time_s, deed.sump, "hand_reading", value=plant.hand_brix(deed.sump))
    litres = round(deed.to_l - plant.rest_litres(deed.sump))
    if litres < 1:
        return None
    pouring_s = plant.pour(deed.sump, litres, deed.pct)
    if deed.said_after_min is None:
        return None
    said_s = plant.time_s + pouring_s + 60.0 * deed.said_after_min
    return _word(said_s, deed.sump, "addition", volume_l=float(litres), pct=deed.pct)


def _word(time_s: float, sump: str, signal: str, **fields: float) -> Record:
    return {"time": time_s, "sump": sump, "signal": signal, **fields, "by": SIMULATED_PERSON}


def _sampled(plant: Plant, was_running: dict[str, bool], level_every_s: float) -> Iterator[Record]:
    time_s = plant.time_s
    for sump in RUNNING_SUMPS:
        running = plant.running(sump)
        if was_running.get(sump) != running:
            was_running[sump] = running
            yield {"time": time_s, "sump": sump, "signal": "running", "value": int(running)}
    if time_s % level_every_s == 0.0:
        for sump in plant.conditions:
            yield {"time": time_s, "sump": sump, "signal": "level", "value": round(plant.level_raw(sump), 1)}
    if time_s % SLOW_EVERY_S == 0.0:
        for sump in TEMPERATURE_SUMPS:
            yield {"time": time_s, "sump": sump, "signal": "temperature", "value": round(plant.temperature_c(sump), 1)}
        for sump in BRIX_SUMPS:
            if plant.running(sump):
                yield {"time": time_s, "sump": sump, "signal": "brix", "value": round(plant.inline_brix(sump), 2)}
