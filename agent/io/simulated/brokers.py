"""For `sumpside demo --with-broker`: Debian's mosquitto and victoria-metrics, on loopback, for as long as the demo."""

from __future__ import annotations

import os
import shutil
import socket
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

SYSTEM_PATHS = "/usr/local/sbin:/usr/sbin:/sbin"  # where Debian puts servers, and few people's PATH looks


@dataclass(frozen=True, slots=True)
class Server:
    """A program to start, the port it will listen on, and what the site file must say of it."""

    name: str
    command: list[str]
    port: int
    site_table: str

    def answers(self) -> bool:
        """Does anybody take connections there?"""
        with socket.socket() as probe:
            probe.settimeout(0.5)
            return probe.connect_ex(("127.0.0.1", self.port)) == 0


def installed(folder: Path, free_port: Callable[[], int]) -> tuple[list[Server], list[str]]:
    """The servers this machine has, to be started with their files in `folder`, and the names of those missing."""
    found, missing = [], []
    for name, make in (("mosquitto", _mosquitto), ("victoria-metrics", _victoria_metrics)):
        program = shutil.which(name, path=os.environ.get("PATH", "") + ":" + SYSTEM_PATHS)
        if program is None:
            missing.append(name)
        else:
            found.append(make(program, folder, free_port()))
    return found, missing


def _mosquitto(program: str, folder: Path, port: int) -> Server:
    config = folder / "mosquitto.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n", "utf-8")
    table = f'[mqtt]\nhost = "127.0.0.1"\nport = {port}\n'
    return Server("mosquitto", [program, "-c", str(config)], port, table)


def _victoria_metrics(program: str, folder: Path, port: int) -> Server:
    command = [
        program, f"-httpListenAddr=127.0.0.1:{port}", f"-storageDataPath={folder / 'timeseries'}",
        "-dedup.minScrapeInterval=1ms", "-retentionPeriod=10y", "-loggerLevel=WARN",
    ]  # fmt: skip
    table = f'[timeseries]\nurl = "http://127.0.0.1:{port}"\nbucket = "sumpside"\n'
    return Server("victoria-metrics", command, port, table)
