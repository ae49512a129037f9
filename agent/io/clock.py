"""The agent's two clocks: one for records, which may be stepped, and one for order and deadlines, which is not.

Many a Pi has no clock that runs while it is off: it starts with a time of the past and is set a minute or an hour
later. So records are stamped by the boot clock, laid on the wall clock at the start: what the wall clock does later
moves no record. While it is not known whether the time was right, what is written is marked; when time comes the
answer of `look` says by how much it was wrong.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
TIME_SERVICE = Path("/run/systemd/timesync")
TIME_IS_SET = TIME_SERVICE / "synchronized"
REAL_TIME_CHIP = Path("/dev/rtc0")
MS = 1000
STEP_S = 2.0  # a difference to the wall clock beyond this is a step of it; below it is followed gently
SLEW = 0.05  # of the time that passes: how fast a small difference is made up for
BELIEVE_S = 3600.0  # a step forward that has stood for so long is believed; there is a gap then
PATIENCE_S = 2 * 3600.0  # a clock that nobody has set by then is taken as it is
AFTER_NEWEST_S = 1.0  # where the wall clock lies before what is written already, time goes on from there


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


@dataclass(frozen=True, slots=True)
class TimeCame:
    """The time has been set right: what was written as unsure lies `shift_s` after its stamps."""

    shift_s: float


@dataclass(frozen=True, slots=True)
class Stepped:
    """The wall clock was set by so much, and records did not follow it (or, `followed`, now do: a gap)."""

    step_s: float
    followed: bool = False


class SteadyClock(Clock):
    """A clock whose record time runs on evenly whatever is done to the wall clock. `look` from one thread only."""

    def __init__(
        self,
        wall: Callable[[], float] = time.time,
        boot: Callable[[], float] = lambda: time.clock_gettime(time.CLOCK_BOOTTIME),
        is_set: Callable[[], bool | None] = lambda: os_says_set(),
    ) -> None:
        self._wall, self._boot, self._is_set = wall, boot, is_set
        self._ahead = wall() - boot()  # record time less boot clock, s
        self._looked = self._begun = boot()
        self._newest = 0.0
        self._step_since: float | None = None
        self.sure = True
        super().__init__()

    def begin(self, newest: float) -> None:
        """Before the first record: `newest` (epoch s, 0 for none) is the latest time that is written already."""
        self._newest = newest
        wall = self._wall()
        behind = wall < newest - STEP_S  # a bunch of readings may have been stamped a little ahead
        self.sure = not behind and self._is_set() is not False
        self._ahead = max(wall, newest + AFTER_NEWEST_S if behind else newest) - self._boot()
        self._started_off_s = wall - self._raw()

    def time(self) -> float:
        """See Clock."""
        return round(self._raw() * MS) / MS

    def look(self) -> TimeCame | Stepped | None:
        """Compare with the wall clock; what is news."""
        now = self._boot()
        passed, self._looked = now - self._looked, now
        off_s = self._wall() - self._raw()
        return self._look_sure(off_s, passed) if self.sure else self._look_unsure(off_s, now)

    @property
    def off_s(self) -> float:
        """Wall clock less record time, s."""
        return self._wall() - self._raw()

    def _raw(self) -> float:
        return self._ahead + self._boot()

    def _look_unsure(self, off_s: float, now: float) -> TimeCame | None:
        was_set = abs(off_s - self._started_off_s) > STEP_S or self._is_set() is True
        if was_set and self._wall() > self._newest:
            self.sure = True
            self._ahead += off_s
            return TimeCame(off_s)
        if now - self._begun > PATIENCE_S:
            self.sure = True
            return TimeCame(0.0)
        return None

    def _look_sure(self, off_s: float, passed: float) -> Stepped | None:
        if abs(off_s) <= STEP_S:
            most = SLEW * passed
            self._ahead += min(most, max(-most, off_s))
            back, self._step_since = self._step_since is not None, None
            return Stepped(0.0) if back else None
        if self._step_since is None:
            self._step_since = self._looked
            return Stepped(off_s)
        if off_s > 0.0 and self._looked - self._step_since > BELIEVE_S:
            self._ahead += off_s
            self._step_since = None
            return Stepped(off_s, followed=True)
        return None


def os_says_set() -> bool | None:
    """Whether the system has set its clock from the network since boot; None where it cannot be told or matters not."""
    if TIME_IS_SET.exists():
        return True
    if TIME_SERVICE.exists() and not REAL_TIME_CHIP.exists():
        return False
    return None


def boot_id() -> str:
    """The kernel's name for this boot."""
    return BOOT_ID.read_text(encoding="ascii").strip()


def boot_number(boot: str) -> int:
    """A boot's name as an integer for the journal's rows, the same for the same boot."""
    return int.from_bytes(sha256(boot.encode()).digest()[:6], "big")
