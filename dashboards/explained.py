"""The agent's beliefs in words, as it leaves them beside its live file about once a minute."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

FILE_NAME = "explain.json"


@dataclass(frozen=True, slots=True)
class Explained:
    """One look at the file: `time` (epoch s of the site's clock, None without a file), by sump its text, and the
    readings that are held for wrong (`time` s, `pct` % of the mix, `doubt` 0 to 1)."""

    time: float | None = None
    texts: dict[str, str] = field(default_factory=dict)
    doubts: dict[str, list[dict[str, float]]] = field(default_factory=dict)


def read(folder: Path) -> Explained:
    """What the file says; nothing where there is none, or one that is not the agent's."""
    try:
        body: Any = json.loads((folder / FILE_NAME).read_bytes())
        return Explained(float(body["time"]), dict(body["sumps"]), dict(body.get("doubts") or {}))
    except (OSError, ValueError, KeyError, TypeError):
        return Explained()
