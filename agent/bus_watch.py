"""When a bus fell silent or came back, for the journal: settled news only, however it flickers."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

SETTLED_S: Final = 10.0  # a state must last this long to be news; a re-plugged adapter is back sooner
AGAIN_S: Final = 60.0  # a bus that flickers for days is noted once a minute at most


@dataclass(slots=True)
class _Seen:
    noted: bool | None = None
    noted_at: float = float("-inf")
    now: bool | None = None
    since: float = 0.0


@dataclass(slots=True)
class BusWatch:
    """Times are monotonic seconds."""

    _seen: dict[str, _Seen] = field(default_factory=dict)

    def news(self, statuses: dict[str, dict[str, Any]], now: float) -> list[dict[str, Any]]:
        """Bodies for journal rows of kind `agent`, for each bus whose state has changed for good."""
        return [body for id, status in statuses.items() if (body := self._look(id, status, now)) is not None]

    def _look(self, id: str, status: dict[str, Any], now: float) -> dict[str, Any] | None:
        seen = self._seen.setdefault(id, _Seen())
        if status["ok"] != seen.now:
            seen.now, seen.since = status["ok"], now
        if seen.now == seen.noted or now - seen.since < SETTLED_S or now - seen.noted_at < AGAIN_S:
            return None
        seen.noted, seen.noted_at = seen.now, now
        return {"event": "bus", "bus": id, "ok": seen.now, "text": status["text"], "dropped": status["dropped"]}
