"""How the computer is: disk, memory, load, clock, temperature; from the system's own files, read-only, Linux."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

PROC = Path("/proc")
SYNCHRONISED = Path("/run/systemd/timesync/synchronized")
THERMAL = Path("/sys/class/thermal/thermal_zone0/temp")
KIB = 1024
PAGE_BYTES = os.sysconf("SC_PAGE_SIZE")


@dataclass(frozen=True, slots=True)
class MachineState:
    """Bytes, seconds, °C; None where the system does not say."""

    disk_free: int | None
    disk_total: int | None
    memory_free: int | None
    memory_total: int | None
    own_memory: int | None
    agent_memory: int | None
    load_1min: float | None
    cores: int
    up_s: float | None
    clock_set: bool | None
    celsius: float | None
    journal_bytes: int | None


def look(state_dir: Path, journal: Path, agent_pid: int | None, proc: Path = PROC) -> MachineState:
    """One look at the system's files; a file that is not there is an answer that is not known."""
    memory = _meminfo(proc)
    free, total = _disk(state_dir)
    return MachineState(
        disk_free=free, disk_total=total, memory_free=memory.get("MemAvailable"), memory_total=memory.get("MemTotal"),
        own_memory=_resident(proc / "self" / "statm"), agent_memory=_resident(proc / str(agent_pid) / "statm"),
        load_1min=_first_number(proc / "loadavg"), cores=os.cpu_count() or 1, up_s=_first_number(proc / "uptime"),
        clock_set=SYNCHRONISED.exists() if SYNCHRONISED.parent.exists() else None,
        celsius=_scaled(_first_number(THERMAL), 0.001), journal_bytes=_size(journal),
    )  # fmt: skip


def _disk(folder: Path) -> tuple[int | None, int | None]:
    try:
        found = os.statvfs(folder)
    except OSError:
        return None, None
    return found.f_bavail * found.f_frsize, found.f_blocks * found.f_frsize


def _meminfo(proc: Path) -> dict[str, int]:
    try:
        lines = (proc / "meminfo").read_text().splitlines()
    except OSError:
        return {}
    pairs = (line.split(":") for line in lines if ":" in line)
    return {name: int(rest.split()[0]) * KIB for name, rest in pairs if rest.split()}


def _resident(statm: Path) -> int | None:
    try:
        return int(statm.read_text().split()[1]) * PAGE_BYTES
    except (OSError, ValueError, IndexError):
        return None


def _first_number(path: Path) -> float | None:
    try:
        return float(path.read_text().split()[0])
    except (OSError, ValueError, IndexError):
        return None


def _scaled(value: float | None, by: float) -> float | None:
    return None if value is None else value * by


def _size(journal: Path) -> int | None:
    """The journal with its write-ahead log."""
    sizes = []
    for path in (journal, journal.with_name(f"{journal.name}-wal")):
        try:
            sizes.append(path.stat().st_size)
        except OSError:
            continue
    return sum(sizes) if sizes else None
