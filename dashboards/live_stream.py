"""The live stream: one look at the files for all who watch, at most twice a second, as server-sent events."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator
from typing import Any

from agent.core.fluid import brix_pct
from dashboards import dosing, filling
from dashboards.desk import Ask, Desk
from dashboards.language import _, speaking
from dashboards.live_file import Live
from dashboards.show import NINE_IN_TEN_SD, Show, span_in
from dashboards.sump_views import SumpView

PERIOD_S = 0.5
MOST_WATCHERS = 100  # open pages; each holds a connection
STILL_HERE_S = 10.0  # a comment this often lets a dead connection be noticed
SIGNED_OUT_LOOK_S = 30.0  # how soon a page of somebody who was signed out stops


class LiveStream:
    """Polls while anybody watches. A slow watcher misses events in between, never the newest."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.stopping = asyncio.Event()
        self.turns = 0  # looks taken: what the watchdog is fed by
        self._queues: dict[asyncio.Queue[str], Show] = {}  # each watcher, and how it reads numbers
        self._seq = desk.queries.last_seq()
        self._event_seq = self._seq
        self._newest: dict[Show, str] = {}

    async def run(self) -> None:
        """Looks until stopped. A fault of the files is part of what is told, not an end."""
        while not self.stopping.is_set():
            for show in set(self._queues.values()):
                self._tell(self.picture(show), show)
            self.turns += 1
            await _wait(self.stopping, PERIOD_S)
        for queue in self._queues:
            _replace(queue, "")

    def picture(self, show: Show) -> str:
        """What all pages show of all sumps just now, as JSON, in one language and its units."""
        with speaking(show.language, show.units):
            return self._picture(show)

    def _picture(self, show: Show) -> str:
        self._seq, event = self.desk.queries.newest_event_after(self._seq)
        self._event_seq = max(self._event_seq, event)
        live = self.desk.live()
        opened = self.desk.instructions([])
        views = self.desk.views(live, opened, show)
        body: dict[str, Any] = {
            "now": live.now_s,
            "clock": show.moment(live.now_s).strftime("%H:%M:%S"),
            "quiet": silence(live.quiet_s) if live.silent else None,
            "seq": self._event_seq,
            "alerts": live.alerts_mark,
            "sumps": {v.spec.id: _of_sump(v, show, live) for v in views},
            "dosing": {sump: dosing.told(sump, table, live, show).row() for sump, table in self.desk.valves.items()},
        }
        return json.dumps(body, separators=(",", ":"), allow_nan=False)

    def _tell(self, text: str, show: Show) -> None:
        if text == self._newest.get(show):
            return
        self._newest[show] = text
        for queue in (queue for queue, of in self._queues.items() if of == show):
            _replace(queue, text)

    async def watch(self, ask: Ask) -> AsyncIterator[str]:
        """Events for one page, as text of the stream, for as long as its person is signed in."""
        queue: asyncio.Queue[str] = asyncio.Queue(maxsize=1)
        looked_s = time.monotonic()
        self._queues[queue] = ask.show
        try:
            yield "retry: 2000\n\n" + _event(self.picture(ask.show))
            while not self.stopping.is_set():
                if time.monotonic() - looked_s > SIGNED_OUT_LOOK_S:
                    looked_s = time.monotonic()
                    if not still_signed_in(ask):
                        return
                try:
                    text = await asyncio.wait_for(queue.get(), STILL_HERE_S)
                except TimeoutError:
                    yield ": still here\n\n"
                    continue
                if text:
                    yield _event(text)
        finally:
            self._queues.pop(queue, None)

    def full(self) -> bool:
        return len(self._queues) >= MOST_WATCHERS


def still_signed_in(ask: Ask) -> bool:
    token = ask.request.cookies.get(ask.desk.session_cookie)
    return ask.desk.sessions.find(token, time.time(), touch=False) is not None


def silence(quiet_s: float | None) -> str:
    """What a page says when the agent has nothing to say."""
    if quiet_s is None:
        return _("The logger has not said anything yet. Nothing here is live.")
    span = span_in(max(quiet_s, 60.0))
    return _("The logger has said nothing for {span}. The values below are its last.", span=span)


def _of_sump(view: SumpView, show: Show, live: Live) -> dict[str, Any]:
    belief = view.belief
    pouring = filling.told(live.filling(view.spec.id), show)
    level, brix = (_good(live.signal(view.spec.id, name)) for name in ("level", "brix"))
    return {
        "state": view.state,
        "texts": view.texts,
        "old": [name for name, is_old in view.old.items() if is_old],
        "level": level and [level["time"], round(show.in_unit(level["litres"]), 3)],
        "inline": brix and [brix["time"], round(brix_pct(brix["raw"], view.spec.refractometer_factor), 3)],
        "belief": belief and _of_belief(belief, show),
        "filling": pouring and pouring.row(),
    }


def _good(sample: dict[str, Any] | None) -> dict[str, Any] | None:
    """A sample that the gates let pass; the others are no points of a graph."""
    return sample if sample and not sample.get("flags") else None


def _of_belief(belief: dict[str, Any], show: Show) -> dict[str, Any]:
    """For the map in litres, for the graphs in the unit of people's eyes."""
    half, unit = NINE_IN_TEN_SD * belief["volume_sd"], show.in_unit
    return {
        "t": belief["time"], "volume_l": belief["volume_l"], "volume_sd": belief["volume_sd"],
        "volume": unit(belief["volume_l"]), "low": unit(belief["volume_l"] - half),
        "high": unit(belief["volume_l"] + half), "strength": belief["strength_pct"],
        "strength_sd": belief["strength_sd"], "p05": belief["strength_p05"], "p95": belief["strength_p95"],
    }  # fmt: skip


def _event(text: str) -> str:
    return f"event: picture\ndata: {text}\n\n"


def _replace(queue: asyncio.Queue[str], text: str) -> None:
    if queue.full():
        queue.get_nowait()
    queue.put_nowait(text)


async def _wait(event: asyncio.Event, timeout_s: float) -> None:
    try:
        await asyncio.wait_for(event.wait(), timeout_s)
    except TimeoutError:
        return
