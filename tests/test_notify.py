"""Both processes, started as their units start them, tell systemd that they are ready and that they get on."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from pydantic import ValidationError

from agent.site import Agent
from tests.io.test_mosquitto_files import authority
from tests.test_docs import README, fenced
from tests.test_units import NAMES, settings

DEADLINE_S = 60.0
WATCHDOG_US = 900_000  # what systemd puts into the environment; short, so that a beat comes soon


@pytest.fixture
def systemd(tmp_path: Path) -> Iterator[socket.socket]:
    """The socket at which systemd would listen."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(tmp_path / "notify"))
        listening.settimeout(DEADLINE_S)
        yield listening


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """The README's site and the certificate it names; its port is not there: a service comes up without its sensors."""
    authority(tmp_path / "tls", "sumpside")
    path = tmp_path / "site.toml"
    path.write_text("\n".join([*fenced(README, "toml"), "[agent]", "block_s = 0.5"]))
    return path


def start(command: str, site: Path, *options: str) -> subprocess.Popen[bytes]:
    """The program of a unit, in folders of the test's own."""
    folders = [word for name in ("state", "inbox", "runtime") for word in (f"--{name}-dir", str(site.parent / name))]
    environment = {**os.environ, "NOTIFY_SOCKET": str(site.parent / "notify"), "WATCHDOG_USEC": str(WATCHDOG_US)}
    program = Path(sys.executable).with_name("sumpside")
    return subprocess.Popen([program, command, site, *folders, *options], env=environment)


def wait_for(word: str, systemd: socket.socket) -> None:
    """Take datagrams until one has this line."""
    end = time.monotonic() + DEADLINE_S
    while time.monotonic() < end:
        if word in systemd.recv(4096).decode().splitlines():
            return
    pytest.fail(f"{word} was not said")


@pytest.mark.parametrize(("command", "options"), [("run", ()), ("dashboards", ("--port", "0"))])
def test_it_says_that_it_is_ready_feeds_the_watchdog_and_ends_when_told(
    command: str, options: tuple[str, ...], site: Path, systemd: socket.socket
) -> None:
    process = start(command, site, *options)
    try:
        wait_for("READY=1", systemd)
        wait_for("WATCHDOG=1", systemd)
        wait_for("WATCHDOG=1", systemd)
        process.send_signal(signal.SIGTERM)
        wait_for("STOPPING=1", systemd)
        assert process.wait(DEADLINE_S) in (0, -signal.SIGTERM)  # systemd takes both for a clean end
    finally:
        process.kill()


def test_the_units_start_what_was_tried_here() -> None:
    commands = [settings(name)["ExecStart"].split()[1] for name in NAMES]
    assert commands == ["run", "dashboards"]


def test_no_site_file_can_ask_for_blocks_that_the_watchdog_would_not_wait_for() -> None:
    patience_s = float(settings(NAMES[0])["WatchdogSec"])
    with pytest.raises(ValidationError):
        Agent(block_s=patience_s / 2)
