"""The real agent in this process, its clock and its readings handed in: days in minutes, and the same each time."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from agent.io.clock import Clock, SteadyClock
from agent.io.intake import Intake, Reading
from agent.service import Agent
from agent.site import Site, load_site
from tests import sites

T0 = 1_790_000_000.0  # a Monday in autumn, epoch s
DAY_S = 86_400.0
KINDS = ("lathe", "mill", "grinder", "saw")
SIGNALS = ("level", "temperature", "brix")


def sump_ids(count: int) -> list[str]:
    """lathe-1, mill-1, grinder-1, saw-1, lathe-2 …"""
    return [f"{KINDS[i % len(KINDS)]}-{i // len(KINDS) + 1}" for i in range(count)]


def site_text(sumps: int, agent: str = "", more: str = "") -> str:
    """A site file of so many sumps; `agent` are lines of its [agent] table, `more` are tables."""
    tables = [sites.sump(id) for id in sump_ids(sumps)]
    return "\n".join([sites.head('id = "harrow-lane"'), "[agent]", agent, *tables, more])


class HandClock(SteadyClock):
    """The agent's own clock over a wall and a boot clock that stand until they are moved, together or one alone."""

    def __init__(self, wall: float = T0, is_set: bool | None = None) -> None:
        self.wall, self.ticking, self.set = wall, 1000.0, is_set
        super().__init__(wall=lambda: self.wall, boot=lambda: self.ticking, is_set=lambda: self.set)

    def monotonic(self) -> float:
        """See Clock."""
        return self.ticking

    def go(self, seconds: float) -> None:
        """Time passes."""
        self.wall += seconds
        self.ticking += seconds


class HandBus:
    """A bus whose readings are handed in, under the names that the agent asks a bus by."""

    def __init__(self, clock: Clock) -> None:
        self.bus = SimpleNamespace(id="by-hand", period_s=1.0)
        self.intake = Intake(100_000)
        self.failed: BaseException | None = None
        self.clock = clock
        self.count = 0

    def put(self, sump: str, signal: str, value: float, time: float | None = None) -> None:
        """A reading, now unless told."""
        self.count += 1
        self.intake.put(Reading(self.clock.time() if time is None else time, sump, signal, value, True))

    def start(self) -> None:
        """See SerialBus."""

    def stop(self) -> None:
        """See SerialBus."""

    def join(self, deadline_s: float) -> bool:
        """See SerialBus."""
        return True

    def status(self) -> dict[str, Any]:
        """See SerialBus."""
        return {"ok": True, "text": "reading", "last_s": self.clock.time(), "dropped": self.intake.dropped}


class Shop:
    """Levels that fall and are topped off, temperatures and inline readings with the noise of real sensors."""

    def __init__(self, sumps: list[str], seed: int = 1) -> None:
        self.rng = random.Random(seed)
        self.level = {sump: 280.0 - 3.0 * i % 40.0 for i, sump in enumerate(sumps)}

    def readings(self, time: float) -> list[tuple[str, str, float]]:
        """What 24 sensors say in one second: mm to 0.1, °C to 0.1, Brix to 0.01."""
        draw, found = self.rng.gauss, []
        warm = 24.0 + 3.0 * math.sin(time / DAY_S * math.tau)
        for sump, mm in self.level.items():
            mm -= 12.0 / DAY_S
            self.level[sump] = mm = mm if mm > 235.0 else 300.0
            found.append((sump, "level", round(mm + draw(0.0, 0.7), 1)))
            found.append((sump, "temperature", round(warm + draw(0.0, 0.1), 1)))
            found.append((sump, "brix", round(4.6 + draw(0.0, 0.02), 2)))
        return found


class ByHand:
    """Agent, clock and bus together; one turn of the loop a period."""

    def __init__(
        self,
        folder: Path,
        sumps: int = 8,
        agent: str = "",
        more: str = "",
        clock: HandClock | None = None,
        runtime: Path | None = None,
    ) -> None:
        self.folder, self.clock = folder, clock or HandClock()
        self.file = folder / "site.toml"
        self.file.write_text(site_text(sumps, agent, more), encoding="utf-8")
        self.site: Site = load_site(self.file)
        self.journal_path = folder / "state" / "journal.sqlite"
        self.sumps = sump_ids(sumps)
        self.shop = Shop(self.sumps)
        self.true_time = self.clock.wall  # epoch s, whatever the clocks say
        self.period_s = 1.0  # of every sensor and of the loop
        self.runtime = runtime or folder / "run"
        self.start()

    def start(self) -> None:
        """Start the agent (anew)."""
        self.bus = HandBus(self.clock)
        self.agent = Agent(
            self.site, "by hand", self.journal_path, self.folder / "inbox" / "inbox.sqlite", self.runtime, self.clock
        )
        self.agent.buses = [self.bus]  # type: ignore[list-item]
        self.agent.start()

    def run(self, seconds: float, each: Callable[[float], None] = lambda time: None) -> None:
        """So many seconds of the shop's life."""
        for _ in range(int(seconds / self.period_s)):
            self.clock.go(self.period_s)
            self.true_time += self.period_s
            for sump, signal, value in self.shop.readings(self.true_time):
                self.bus.put(sump, signal, value, self.clock.time())
            each(self.true_time)
            self.agent.tick()

    def stop(self) -> None:
        """In good order."""
        self.agent.stop()
