"""The agent's end of a valve's driver: starts its process, renews, hears how it stands, starts it anew if it ends."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Final

from agent.io.valve import CLOSE, HOLD

SILENT_S: Final = 5.0  # it tells twice a second
AGAIN_S: Final = 1.0  # between two starts
END_S: Final = 1.0


@dataclass(frozen=True, slots=True)
class Standing:
    """How the output stands by its driver's own word; `on` None where nobody knows."""

    on: bool | None
    fault: str


class ValveProcess:
    """One valve. All methods from the main loop."""

    def __init__(self, table: dict[str, Any]) -> None:
        """`table`: [sump.dosing] as the site file has it."""
        self._table = json.dumps(table).encode() + b"\n"
        self._child: subprocess.Popen[bytes] | None = None
        self._started_at = float("-inf")
        self._standing, self._heard_at = Standing(None, ""), float("-inf")
        self._lock = threading.Lock()

    def start(self) -> None:
        """Begin the process: the first thing it does is turn the output off."""
        self._started_at = self._heard_at = time.monotonic()
        command = [sys.executable, "-m", "agent.io.valve"]
        self._child = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
        )
        assert self._child.stdin is not None
        self._send(self._table)
        os.set_blocking(self._child.stdin.fileno(), False)
        threading.Thread(target=self._listen, args=(self._child,), name="valve", daemon=True).start()

    def hold(self) -> None:
        """Keep it on for two seconds more."""
        self._send(HOLD)

    def close(self) -> None:
        """Off, now."""
        self._send(CLOSE)

    def standing(self) -> Standing:
        """How it stands; a driver that ended is started anew."""
        child, now = self._child, time.monotonic()
        if child is None:
            return Standing(None, "")
        if child.poll() is not None:
            with self._lock:
                last = self._standing.fault
            if now - self._started_at >= AGAIN_S:
                self._reap(child)
                self.start()
            return Standing(None, last or "its driver has ended")
        with self._lock:
            if now - self._heard_at > SILENT_S:
                return Standing(None, "its driver says nothing")
            return self._standing

    def stop(self) -> None:
        """Off, and the process ended."""
        child, self._child = self._child, None
        if child is None:
            return
        assert child.stdin is not None
        with suppress(OSError):
            child.stdin.close()
        try:
            child.wait(END_S)
        except subprocess.TimeoutExpired:
            child.terminate()
            with suppress(subprocess.TimeoutExpired):  # it shuts the valve by itself when nobody renews
                child.wait(END_S)
        self._reap(child)

    def _reap(self, child: subprocess.Popen[bytes]) -> None:
        for end in (child.stdin, child.stdout):
            if end is not None:
                with suppress(OSError):
                    end.close()

    def _send(self, data: bytes) -> None:
        """A full pipe or a dead driver takes nothing: both are seen in what it tells, or does not."""
        child = self._child
        if child is None or child.stdin is None:
            return
        with suppress(OSError):
            os.write(child.stdin.fileno(), data)

    def _listen(self, child: subprocess.Popen[bytes]) -> None:
        assert child.stdout is not None
        with suppress(ValueError):  # closed while it was being read
            for line in child.stdout:
                told = json.loads(line)
                with self._lock:
                    self._standing, self._heard_at = Standing(told["on"], told["fault"]), time.monotonic()
