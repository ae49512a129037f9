"""Files of this moment in memory-backed storage, replaced whole: the newest values, and the belief in words."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

FILE_NAME = "live.json"
LEAST_PERIOD_S = 1.0  # real seconds; nobody's eye is faster
EXPLAIN_NAME = "explain.json"  # {"time": epoch s, "sumps": {id: text}, "doubts": {id: [{"time", "pct", "doubt"}]}}
EXPLAIN_PERIOD_S = 60.0  # of the site's clock: words are read, not watched


class LiveFile:
    """Writes a file so that a reader sees the old picture or the new one, never half of one."""

    def __init__(self, folder: Path, name: str = FILE_NAME, period_s: float = LEAST_PERIOD_S) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._path = folder / name
        self._next = folder / f".{name}.next"
        self._period_s = period_s
        self._due_at = 0.0

    def due(self, monotonic_s: float) -> bool:
        """Whether it is time to write again."""
        return monotonic_s >= self._due_at

    def write(self, picture: dict[str, Any], monotonic_s: float) -> None:
        """Replace the file. Raises OSError. It is not synced: after a power cut there is a new boot to tell of."""
        self._due_at = monotonic_s + self._period_s
        self._next.write_text(json.dumps(picture, separators=(",", ":"), ensure_ascii=False), encoding="utf-8")
        os.replace(self._next, self._path)
