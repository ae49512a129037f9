"""The agent's two clocks: one for records, which may be stepped, and one for order and deadlines, which is not."""

from __future__ import annotations

import time
from hashlib import sha256
from pathlib import Path

BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
MS = 1000


class Clock:
    """`time()` stamps records; `monotonic()` orders them and measures waiting.

    In a simulated works the record clock may run `speed` times as fast, from `start` (epoch s) on.
    """

    def __init__(self, speed: float = 1.0, start: float | None = None) -> None:
        if not speed > 0.0:
            raise ValueError(f"a clock's speed must be positive, not {speed}")
        self.speed = speed
        self._scaled = speed != 1.0 or start is not None
        self._zero = self.monotonic()
        self._start = time.time() if start is None else start

    def time(self) -> float:
        """Epoch seconds for a record, whole milliseconds: finer is noise, and rows stay small."""
        now = self._start + self.speed * (self.monotonic() - self._zero) if self._scaled else time.time()
        return round(now * MS) / MS

    def monotonic(self) -> float:
        """Seconds that are never stepped; for deadlines and order. Always real seconds."""
        return time.monotonic()


def boot_id() -> str:
    """The kernel's name for this boot."""
    return BOOT_ID.read_text(encoding="ascii").strip()


def boot_number(boot: str) -> int:
    """A boot's name as an integer for the journal's rows, the same for the same boot."""
    return int.from_bytes(sha256(boot.encode()).digest()[:6], "big")
