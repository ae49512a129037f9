"""Open ports of the running product, as the kernel counts them: the agent has none, the pages have one."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.faults.harness import START_S, Works
from tests.io.lines import wait_for
from tests.services import Mosquitto, free_port

LISTENING, UDP_BOUND = "0A", "07"  # states of /proc/net/tcp and udp
UNIX_LISTENS = 0x10000


def open_ports(pid: int) -> list[str]:
    """What a process can be reached at: TCP that listens, UDP that is bound to nobody, Unix sockets that listen."""
    own = set()
    for entry in Path(f"/proc/{pid}/fd").iterdir():
        try:
            target = os.readlink(entry)
        except FileNotFoundError:
            continue
        if target.startswith("socket:["):
            own.add(target[8:-1])
    found = []
    for kind, state in (("tcp", LISTENING), ("tcp6", LISTENING), ("udp", UDP_BOUND), ("udp6", UDP_BOUND)):
        for line in Path(f"/proc/{pid}/net/{kind}").read_text().splitlines()[1:]:
            fields = line.split()
            if fields[3] == state and fields[9] in own:
                found.append(f"{kind} {int(fields[1].rsplit(':', 1)[1], 16)}")
    for line in Path(f"/proc/{pid}/net/unix").read_text().splitlines()[1:]:
        fields = line.split()
        if int(fields[3], 16) & UNIX_LISTENS and fields[6] in own:
            found.append(f"unix {fields[7] if len(fields) > 7 else ''}")
    return found


@contextmanager
def pages(works: Works, port: int) -> Iterator[int]:
    """The dashboards as a program of their own; their process."""
    places = [f"--{option}-dir={works.folder / name}" for option, name in (("state", "state"), ("inbox", "inbox"))]
    command = [sys.executable, "-m", "dashboards", str(works.site), *places, f"--runtime-dir={works.folder / 'run'}"]
    with (works.folder / "pages.log").open("wb") as log:
        child = subprocess.Popen([*command, "--port", str(port)], stdout=log, stderr=log)
    try:
        yield child.pid
    finally:
        child.kill()
        child.wait()


def test_the_agent_listens_nowhere_and_the_pages_on_their_one_port(tmp_path: Path) -> None:
    with Mosquitto(tmp_path / "broker") as broker:
        store = free_port()  # nobody there: it tries again and again
        more = f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\n'
        more += f'[timeseries]\nurl = "http://127.0.0.1:{store}"\nbucket = "sumps"\n'
        (tmp_path / "works").mkdir()
        works, port = Works(tmp_path / "works", more=more), free_port()
        try:
            works.start()
            works.plugs["mill-1"].send(b"what the agent came into\r\nL 70000.0 MM\r\n")
            works.wait(lambda: works.shown() > 0.0, "a reading", START_S)
            works.wait(lambda: works.live()["agent"]["sinks"]["mqtt"]["connected"], "the broker", START_S)
            with pages(works, port) as pid:
                wait_for(lambda: open_ports(pid), "the pages", START_S)
                with socket.create_connection(("127.0.0.1", port), timeout=10.0):
                    assert open_ports(pid) == [f"tcp {port}"]
            assert works.process is not None
            assert open_ports(works.process.pid) == []
        finally:
            works.end()


def test_an_open_port_is_counted(tmp_path: Path) -> None:
    """The test of the test: this process opens one of each kind."""
    before = open_ports(os.getpid())
    with (
        socket.create_server(("127.0.0.1", 0)) as tcp,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as udp,
        socket.socket(socket.AF_UNIX) as unix,
    ):
        udp.bind(("127.0.0.1", 0))
        unix.bind(str(tmp_path / "door"))
        unix.listen()
        wanted = [f"tcp {tcp.getsockname()[1]}", f"udp {udp.getsockname()[1]}", f"unix {tmp_path / 'door'}"]
        assert sorted(set(open_ports(os.getpid())) - set(before)) == sorted(wanted)
