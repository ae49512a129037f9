"""What a process costs, by the kernel's own accounts: /proc/<pid>/{io,stat,status}."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Account:
    """One look: resident memory (MB), CPU used so far (s), bytes given to storage so far, threads, open files."""

    resident_mb: float
    cpu_s: float
    written_bytes: int
    threads: int
    files: int


def account(pid: int) -> Account:
    """Now. `write_bytes` counts pages handed to storage; files in memory (/dev/shm, /run) are not in it."""
    root = Path(f"/proc/{pid}")
    fields = (root / "stat").read_text().rsplit(")", 1)[1].split()
    ticks = int(fields[11]) + int(fields[12]) + int(fields[13]) + int(fields[14])
    status = dict(line.split(":", 1) for line in (root / "status").read_text().splitlines() if ":" in line)
    io = dict(line.split(": ") for line in (root / "io").read_text().splitlines())
    return Account(
        resident_mb=int(status["VmRSS"].split()[0]) * 1024 / 1e6,
        cpu_s=ticks / os.sysconf("SC_CLK_TCK"),
        written_bytes=int(io["write_bytes"]) - int(io["cancelled_write_bytes"]),
        threads=int(status["Threads"]),
        files=len(list((root / "fd").iterdir())),
    )


@dataclass(slots=True)
class Bill:
    """What a process cost between two looks `wall_s` apart, and its largest resident memory."""

    first: Account
    last: Account
    wall_s: float
    most_mb: float

    @property
    def cpu_pct(self) -> float:
        """Of one core."""
        return 100.0 * (self.last.cpu_s - self.first.cpu_s) / self.wall_s

    @property
    def written_mb_a_day(self) -> float:
        """At this rate."""
        return (self.last.written_bytes - self.first.written_bytes) / 1e6 * DAY_S / self.wall_s
