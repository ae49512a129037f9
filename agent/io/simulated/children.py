"""The demo's child processes: started apart from the terminal, ended in order, none left behind."""

from __future__ import annotations

import contextlib
import ctypes
import signal
import subprocess
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import IO

GRACE_S = 6.0  # the agent promises to end within 5 s of SIGTERM
LAST_LINES = 12
LOOK_S = 0.05
_PR_SET_PDEATHSIG = 1
_libc = ctypes.CDLL(None, use_errno=True)


def _die_with_parent() -> None:
    """In the child, before it becomes the program: a demo that is killed outright takes its children along."""
    _libc.prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)


@dataclass
class Child:
    """One running program of the demo; its words go to `log`, unless `talks` (then they come through its pipes)."""

    name: str
    process: subprocess.Popen[str]
    log: Path

    @classmethod
    def start(cls, name: str, command: list[str], log: Path, talks: bool = False) -> Child:
        """Start it in a session of its own, so that Ctrl-C at the terminal reaches only the demo."""
        with log.open("ab") as out:
            process = subprocess.Popen(
                command,
                stdin=subprocess.PIPE if talks else subprocess.DEVNULL,
                stdout=subprocess.PIPE if talks else out,
                stderr=out,
                text=True,
                bufsize=1,
                start_new_session=True,
                preexec_fn=_die_with_parent,
            )
        return cls(name, process, log)

    @property
    def words(self) -> IO[str]:
        """Its standard output, for a child that talks."""
        assert self.process.stdout is not None
        return self.process.stdout

    def order(self, line: str) -> None:
        """One line to its standard input. Raises BrokenPipeError when it is gone."""
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def alive(self) -> bool:
        """Does it still run?"""
        return self.process.poll() is None

    def end(self) -> str | None:
        """SIGTERM, and SIGKILL when it does not end. Gives what was odd about it, or None."""
        if self.alive():
            self.process.terminate()
        try:
            self.process.wait(GRACE_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
            return f"{self.name} did not end within {GRACE_S:g} s of SIGTERM and was killed"
        finally:
            for pipe in (self.process.stdin, self.process.stdout):
                _close(pipe)
        return None

    def epitaph(self) -> str:
        """How it ended, with its last words."""
        tail = self.log.read_text("utf-8", "replace").splitlines()[-LAST_LINES:] if self.log.exists() else []
        how = f"{self.name} ended by itself with exit code {self.process.returncode}"
        return "\n".join([how, *(f"  {line}" for line in tail)])


def _close(pipe: IO[str] | None) -> None:
    if pipe is not None:
        with contextlib.suppress(BrokenPipeError):  # what it was still to be told does not matter any more
            pipe.close()


def wait_until(
    done: Callable[[], bool], children: list[Child], deadline_s: float, what: str, ended: threading.Event
) -> None:
    """Ask `done()` until it is true. Raises DemoFailed when a child dies or at the deadline, Ended when told to end."""
    end = time.monotonic() + deadline_s
    while not done():
        if ended.wait(LOOK_S):
            raise Ended
        for child in children:
            if not child.alive():
                raise DemoFailed(child.epitaph())
        if time.monotonic() > end:
            raise DemoFailed(f"waited {deadline_s:g} s for {what}, in vain")


class Ended(Exception):
    """A person has ended the demo while it was still coming up."""


class DemoFailed(Exception):
    """The demo cannot go on; the text says which part of it failed, and how."""
