"""The real agent as a process of its own, on real terminals, watched as systemd would watch it."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from agent.io.inbox import FILE_NAME as INBOX_FILE
from agent.io.inbox import Inbox
from agent.io.journal import FILE_NAME as JOURNAL_FILE
from agent.io.journal import Journal, JournalReader
from tests import sites
from tests.costs.byhand import T0
from tests.io.lines import Plug, wait_for

START_S = 90.0  # busy cores, four programs at once
BUS = r"""
[[bus]]
id = "line-{id}"
driver = "ascii_line"
port = "{port}"
period_s = 0.02
simulated = true
[[bus.sensor]]
sump = "{id}"
signal = "level"
pattern = 'L (?P<value>\d+\.\d) MM'
"""


def spread(seconds: Sequence[float]) -> str:
    """Median, 95th percentile and longest of some times, and how busy the box is that they were taken on."""
    ordered = sorted(seconds)
    p50, p95 = (ordered[min(len(ordered) - 1, int(part * len(ordered)))] for part in (0.5, 0.95))
    busy = f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
    return f"{p50:.1f} s median, {p95:.1f} s p95, {ordered[-1]:.1f} s longest of {len(ordered)} ({busy})"


def filled(path: Path, blocks: int, sump: str = "lathe-1") -> Path:
    """A journal as an agent that was killed leaves it; blocks, a word each 50, a snapshot in the middle."""
    journal = Journal.open(path, 1)
    for block in range(blocks):
        for i in range(30):
            journal.sample(sump, "level", T0 + 30 * block + i, 250.0 + (block * i) % 97 / 10, 250.0, 0)
        journal.commit()
        if block % 50 == 0:
            journal.event("word", T0 + 30 * block, sump, f"w{block}", {"value": block})
        if block == blocks // 2:
            journal.snapshot(T0 + 30 * block, "1", b"state" * 2000)
        journal.bookmark("inbox", block)
    journal.close()
    return path


class Transmitter(threading.Thread):
    """Sends numbered level lines at an even pace: a number that is missing later was lost."""

    def __init__(self, plug: Plug, first: int = 70_000, every_s: float = 0.05) -> None:
        super().__init__(daemon=True)
        self.plug = plug
        self.number = first
        self._every_s = every_s
        self._ended = threading.Event()

    def run(self) -> None:
        """Until ended."""
        while not self._ended.wait(self._every_s):
            self.number += 1
            self.plug.send(f"L {self.number}.0 MM\r\n".encode())

    def end(self) -> None:
        """Stop sending."""
        self._ended.set()
        self.join(5.0)


class Works:
    """A site in a folder: its file, its lines, its agent."""

    def __init__(
        self, folder: Path, sumps: tuple[str, ...] = ("mill-1",), block_s: float = 0.5, more: str = ""
    ) -> None:
        self.folder = folder
        self.plugs = {id: Plug(folder / f"port-{id}") for id in sumps}
        self.site = folder / "site.toml"
        head = '[site]\nname = "Harrow Lane Gearworks"\ntimezone = "Europe/Vienna"\n'
        head += f"[agent]\nblock_s = {block_s}\nbelief_every_s = 1.0\n"
        tables = [sites.sump(id, curve="[[0.0, 0.0], [100000.0, 400.0]]") for id in sumps]
        tables += [BUS.format(id=id, port=plug.path) for id, plug in self.plugs.items()]
        self.site.write_text("\n".join([head, *tables, more]), encoding="utf-8")
        self.journal_path = folder / "state" / JOURNAL_FILE
        self._systemd = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._systemd.bind(str(folder / "notify"))
        self._systemd.settimeout(0.05)
        self.told: list[str] = []
        self.process: subprocess.Popen[bytes] | None = None
        self.log = folder / "agent.log"

    def start(self, *options: str) -> None:
        """Start the agent and wait until it says that it is ready."""
        self.spawn(*options)
        self.wait(lambda: "READY=1" in self.words(), "READY=1", START_S)

    def spawn(self, *options: str) -> None:
        """Start the agent, without waiting for it."""
        self.words()  # what one that was killed has said is not this one's
        self.told.clear()
        command = [sys.executable, "-m", "agent", "run", str(self.site), *options]
        for option, name in (("state", "state"), ("inbox", "inbox"), ("runtime", "run")):
            command += [f"--{option}-dir", str(self.folder / name)]
        environment = {**os.environ, "NOTIFY_SOCKET": str(self.folder / "notify")}
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(command, env=environment, stdout=log, stderr=log)

    def words(self) -> list[str]:
        """All lines that the agent has sent to systemd since its start."""
        try:
            while True:
                self.told += self._systemd.recv(65_536).decode().splitlines()
        except TimeoutError:
            return self.told

    def wait(self, condition: Any, what: str, deadline_s: float = 15.0) -> None:
        """Wait for it while the agent lives."""

        def met() -> bool:
            assert self.process is not None
            if self.process.poll() is not None:
                raise AssertionError(f"the agent ended with {self.process.returncode}:\n{self.log.read_text()[-3000:]}")
            return bool(condition())

        wait_for(met, what, deadline_s)

    def terminate(self, number: int = signal.SIGTERM, within_s: float = 5.0) -> int:
        """Ask it to end; its exit code. Raises subprocess.TimeoutExpired."""
        assert self.process is not None
        self.process.send_signal(number)
        return self.process.wait(within_s)

    def kill(self) -> None:
        """SIGKILL: no last word."""
        assert self.process is not None
        self.process.kill()
        self.process.wait(10.0)

    def live(self) -> dict[str, Any]:
        """The live file; empty before the first."""
        try:
            found: dict[str, Any] = json.loads((self.folder / "run" / "live.json").read_text())
        except FileNotFoundError:
            return {}
        return found

    def shown(self, sump: str = "mill-1", signal_name: str = "level") -> float:
        """The newest raw reading on the live picture; 0 where there is none."""
        signals = self.live().get("sumps", {}).get(sump, {}).get("signals", {})
        return float(signals.get(signal_name, {}).get("raw", 0.0))

    def numbers(self, sump: str = "mill-1") -> list[int]:
        """The numbered readings in the journal, in order of time."""
        reader = JournalReader(self.journal_path)
        try:
            return [int(s.raw) for s in reader.samples(sump, "level", 0.0, 9e9)]
        finally:
            reader.close()

    def events(self, kind: str) -> list[dict[str, Any]]:
        """Bodies of the journal's rows of a kind, oldest first."""
        reader = JournalReader(self.journal_path)
        try:
            return [row.data() for row in reader.events(kind, limit=10_000)]
        finally:
            reader.close()

    def say(self, token: str, kind: str, body: dict[str, Any], role: str = "operator", sump: str = "mill-1") -> None:
        """A person's word, as the dashboards would put it."""
        box = Inbox.open(self.folder / "inbox" / INBOX_FILE)
        now = self.live().get("time", time.time())  # as the pages do: the site's own clock
        box.put(time=now, person="Ana", role=role, sump=sump, kind=kind, body=body, token=token)
        box.close()

    def end(self) -> None:
        """Clear up, whatever state it is in."""
        if self.process is not None and self.process.poll() is None:
            self.kill()
        self._systemd.close()
        for plug in self.plugs.values():
            plug.unplug()
