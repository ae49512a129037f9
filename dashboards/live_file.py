"""The agent's live file: the newest value of each signal, and from it what time it is at this site.

The agent replaces the file at most once a second. Its `time` is the site's clock (in a demonstration that clock runs
faster than life), so ages are counted by it; how long the agent has been silent is counted by the file's own date.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from zlib import crc32

FILE_NAME = "live.json"
SILENT_AFTER_S = 15.0  # the agent writes each second; a slow card or a restart may cost some


@dataclass(frozen=True, slots=True)
class Live:
    """One look at the file. `now_s` is the site's time (epoch s); `quiet_s` how long nothing was written."""

    now_s: float
    quiet_s: float | None = None  # None: there is no file
    simulated: bool = False
    sumps: dict[str, Any] = field(default_factory=dict)
    agent: dict[str, Any] = field(default_factory=dict)
    alerts: list[dict[str, Any]] = field(default_factory=list)
    alert_rate: dict[str, int] = field(default_factory=dict)  # how many came up: last_hour, last_day
    dosing: dict[str, Any] = field(default_factory=dict)  # by sump with a valve, see agent.doses

    @property
    def silent(self) -> bool:
        return self.quiet_s is None or self.quiet_s > SILENT_AFTER_S

    @property
    def alerts_mark(self) -> str:
        """Another one whenever an alert came, went or was answered: by it a page sees that it is out of date."""
        lives = (f"{alert.get('id')} {alert.get('state')} {alert.get('until')}" for alert in self.alerts)
        return f"{crc32(chr(10).join(lives).encode('utf-8', 'replace')):x}"

    def signal(self, sump: str, name: str) -> dict[str, Any] | None:
        """The newest sample of a signal: `time`, `raw`, `litres` (of a level), `flags`, `text`."""
        found = self.sumps.get(sump, {}).get("signals", {}).get(name)
        return found if isinstance(found, dict) and isinstance(found.get("time"), (int, float)) else None

    def filling(self, sump: str) -> dict[str, Any] | None:
        """What is seen of somebody pouring: `since` s, `poured_l`, `to_go_l`, `rate_l_per_min`, `to_high_s`."""
        found = self.sumps.get(sump, {}).get("filling")
        return found if isinstance(found, dict) and not self.silent else None  # an old word to stop helps nobody

    def dose(self, sump: str) -> dict[str, Any]:
        """How a sump's valve stands; empty where the agent has not said, or not lately: old words open nothing."""
        found = self.dosing.get(sump)
        return found if isinstance(found, dict) and not self.silent else {}

    def belief(self, sump: str) -> dict[str, Any] | None:
        found = self.sumps.get(sump, {}).get("belief")
        return found if isinstance(found, dict) and found.get("volume_l") is not None else None


class LiveFile:
    """Reads the file again only when it has changed."""

    def __init__(self, path: Path, simulated: bool = False) -> None:
        self.path = path
        self.simulated = simulated  # of the site file: true before the agent has said anything
        self._stamp: tuple[int, int] | None = None
        self._body: dict[str, Any] = {}

    def read(self, real_now_s: float) -> Live:
        """What the file says. Without one, or with one we cannot read, the site's time is `real_now_s`."""
        try:
            stat = self.path.stat()
            if (stat.st_mtime_ns, stat.st_ino) != self._stamp:
                self._body = _sound(json.loads(self.path.read_bytes()))
                self._stamp = (stat.st_mtime_ns, stat.st_ino)
        except (OSError, ValueError):
            return Live(real_now_s, simulated=self.simulated)
        quiet_s = max(0.0, real_now_s - stat.st_mtime)
        body = self._body
        simulated = self.simulated or bool(body.get("simulated"))
        return Live(
            body["time"] + quiet_s, quiet_s, simulated, body.get("sumps") or {}, body.get("agent") or {},
            [row for row in body.get("alerts") or [] if isinstance(row, dict)],
            body.get("alert_rate") or {}, body.get("dosing") or {},
        )  # fmt: skip


def _sound(body: Any) -> dict[str, Any]:
    """The file's object, or ValueError when it is not what the agent writes."""
    if not isinstance(body, dict) or not isinstance(body.get("time"), (int, float)):
        raise ValueError("not a live file")
    return body
