"""Children of the demo: ended in order, named when they die, taken along when the demo is killed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from agent.io.simulated.children import Child, DemoFailed, Ended, wait_until

OBEDIENT = "import signal, sys\nprint('up', flush=True)\nsignal.sigwait([signal.SIGTERM])"
PARENT = """
import sys
from pathlib import Path
from agent.io.simulated.children import Child
child = Child.start("child", [sys.executable, "-c", "import signal; signal.pause()"], Path(sys.argv[1]))
print(child.process.pid, flush=True)
import signal; signal.pause()
"""


def until(done: Callable[[], bool], deadline_s: float = 20.0) -> None:
    end = time.monotonic() + deadline_s
    while not done():
        assert time.monotonic() < end, "did not come about"
        time.sleep(0.02)


def python(program: str) -> list[str]:
    return [sys.executable, "-c", program]


def test_a_child_that_obeys_is_ended_without_a_word(tmp_path: Path) -> None:
    child = Child.start("plant", python(OBEDIENT), tmp_path / "log", talks=True)
    assert child.words.readline() == "up\n"
    assert child.end() is None
    assert not child.alive()


def test_a_child_that_does_not_listen_is_killed_and_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("agent.io.simulated.children.GRACE_S", 0.3)
    deaf = "import signal\nsignal.signal(signal.SIGTERM, signal.SIG_IGN)\nprint('up', flush=True)\nsignal.pause()"
    child = Child.start("agent", python(deaf), tmp_path / "log", talks=True)
    assert child.words.readline() == "up\n"
    odd = child.end()
    assert odd is not None and odd.startswith("agent did not end")
    assert child.process.returncode == -signal.SIGKILL


def test_waiting_ends_when_a_child_dies_and_gives_its_last_words(tmp_path: Path) -> None:
    child = Child.start("agent", python("raise SystemExit('no such port')"), tmp_path / "log")
    with pytest.raises(DemoFailed, match="(?s)agent ended by itself with exit code 1.*no such port"):
        wait_until(lambda: False, [child], 20.0, "nothing", threading.Event())
    assert child.end() is None


def test_waiting_ends_at_its_deadline() -> None:
    with pytest.raises(DemoFailed, match="in vain"):
        wait_until(lambda: False, [], 0.1, "nothing", threading.Event())


def test_waiting_ends_when_a_person_ends_the_demo() -> None:
    told = threading.Event()
    told.set()
    with pytest.raises(Ended):
        wait_until(lambda: False, [], 20.0, "nothing", told)


def test_a_child_hears_nothing_of_ctrl_c(tmp_path: Path) -> None:
    child = Child.start("plant", python(OBEDIENT), tmp_path / "log", talks=True)
    assert child.words.readline() == "up\n"
    assert os.getsid(child.process.pid) != os.getsid(0)
    child.end()


def test_a_demo_that_is_killed_outright_leaves_no_child(tmp_path: Path) -> None:
    parent = subprocess.Popen([*python(PARENT), str(tmp_path / "log")], stdout=subprocess.PIPE, text=True)
    assert parent.stdout is not None
    child = int(parent.stdout.readline())
    parent.kill()
    parent.wait()
    parent.stdout.close()
    until(lambda: gone(child))


def gone(pid: int) -> bool:
    """Ended, whether or not somebody has asked for its exit code yet."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] == "Z"
    except (FileNotFoundError, ProcessLookupError):
        return True
