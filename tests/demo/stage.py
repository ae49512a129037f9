"""A demo that runs as a person would start it, and what a test needs to play with it."""

from __future__ import annotations

import os
import queue
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

DEADLINE_S = 60.0  # nothing here is measured; whatever takes longer has failed


def until(done: Callable[[], object], what: str, deadline_s: float = DEADLINE_S) -> None:
    """Wait for a condition."""
    end = time.monotonic() + deadline_s
    while not done():
        assert time.monotonic() < end, f"waited {deadline_s:g} s for {what}, in vain"
        time.sleep(0.05)


class Stage:
    """One `sumpside demo` with pipes instead of a terminal. Use as a context: it never outlives it."""

    def __init__(self, *options: str) -> None:
        command = [sys.executable, "-m", "agent", "demo", "--port", "0", *options]
        self.process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, bufsize=1
        )
        self.lines: list[str] = []
        self._new: queue.Queue[str] = queue.Queue()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def __enter__(self) -> Stage:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        try:
            self.process.wait(30.0)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self._reader.join(5.0)
        assert self.process.stdin is not None and self.process.stdout is not None
        self.process.stdin.close()
        self.process.stdout.close()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line.rstrip("\n"))
            self._new.put(self.lines[-1])

    def wait_ready(self) -> None:
        """Until it has said how to get in and that orders may be typed."""
        until(lambda: self._alive() and any("Ctrl-C" in line for line in self.lines), "the demo's welcome")

    def _alive(self) -> bool:
        assert self.process.poll() is None, "\n".join(self.lines)
        return True

    @property
    def said(self) -> str:
        """Everything it has printed."""
        return "\n".join(self.lines)

    @property
    def address(self) -> str:
        """Where the pages are."""
        found = re.search(r"http://127\.0\.0\.1:\d+", self.said)
        assert found, self.said
        return found[0]

    def secret(self, name: str) -> str:
        """What it printed for somebody to sign in with."""
        found = re.search(rf"^ +{name} +(\S+)$", self.said, re.MULTILINE)
        assert found, self.said
        return found[1]

    def order(self, line: str, answer: str) -> str:
        """Type an order and give the line of its answer, which holds `answer`."""
        while not self._new.empty():
            self._new.get()
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()
        end = time.monotonic() + DEADLINE_S
        while time.monotonic() < end:
            told = self._new.get(timeout=DEADLINE_S)
            if answer in told:
                return told
        raise AssertionError(f"no answer to {line!r}: {self.said}")

    def children(self) -> dict[int, str]:
        """Processes that it started: pid -> command line."""
        found = {}
        for entry in Path("/proc").iterdir():
            if entry.name.isdigit() and _parent(entry) == self.process.pid:
                found[int(entry.name)] = (entry / "cmdline").read_bytes().replace(b"\0", b" ").decode()
        return found


def _parent(entry: Path) -> int:
    try:
        return int((entry / "stat").read_text().rsplit(")", 1)[1].split()[1])
    except (FileNotFoundError, ProcessLookupError):
        return 0


def gone(pid: int) -> bool:
    """Has it ended (and been asked for its exit code)?"""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return False
