"""The agent's memory, processor time and bytes written at 8 sumps × 3 signals × 1 Hz, in real time, beside its peers.

Honest run: real ports (pseudo-terminals fed by a process of their own), the real agent as it comes, its journal on a
real disk, its live file in memory as on a Pi. Peers get the same 24 values a second where they take values at all.
"""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from agent.io.journal import JournalReader
from tests.costs.byhand import Shop, site_text, sump_ids
from tests.costs.proc import Account, Bill, account
from tests.services import Mosquitto, VictoriaMetrics

SUMPS = 8
SETTLE_S = 60.0  # start, first snapshot, first connection: not counted into what a day costs
LOOK_S = 5.0
BUS = r"""
[[bus]]
id = "line-{id}"
driver = "ascii_line"
port = "{port}"
simulated = true
[[bus.sensor]]
sump = "{id}"
signal = "level"
pattern = 'L (?P<value>\d+\.\d) MM'
[[bus.sensor]]
sump = "{id}"
signal = "temperature"
pattern = 'T (?P<value>\d+\.\d) C'
[[bus.sensor]]
sump = "{id}"
signal = "brix"
pattern = 'B (?P<value>\d+\.\d+) BX'
"""


def say(where: Path) -> None:
    """The same values a second to the collector, each acknowledged. Runs until killed."""
    shop = Shop(sump_ids(SUMPS))
    with socket.socket(socket.AF_UNIX) as line:
        line.connect(str(where))
        answers = line.makefile()
        while True:
            now = time.time()
            for sump, signal, value in shop.readings(now):
                line.sendall(f'PUTVAL "harrow-lane/{sump}/gauge-{signal}" interval=1 {now:.3f}:{value}\n'.encode())
                answers.readline()
            time.sleep(max(0.0, now + 1.0 - time.time()))


def feed(folder: Path, sumps: int) -> None:
    """The sensors: as many terminals, three lines a second on each. Runs until killed."""
    import tty

    ends = {}
    for id in sump_ids(sumps):
        master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        (folder / f"port-{id}").symlink_to(os.ttyname(slave))
        ends[id] = master
    print("ready", flush=True)
    shop, due = Shop(list(ends)), time.monotonic()
    while True:
        due += 1.0
        time.sleep(max(0.0, due - time.monotonic()))
        for sump, signal, value in shop.readings(time.time()):
            text = {"level": f"L {value:.1f} MM", "temperature": f"T {value:.1f} C", "brix": f"B {value:.2f} BX"}[
                signal
            ]
            with suppress(BlockingIOError):
                os.write(ends[sump], text.encode() + b"\r\n")


@contextmanager
def program(*command: str, cwd: Path | None = None, log: Path | None = None) -> Iterator[subprocess.Popen[bytes]]:
    """A child that ends with the block."""
    out = log.open("ab") if log else subprocess.PIPE
    child = subprocess.Popen(command, cwd=cwd, stdout=out, stderr=out if log else None, start_new_session=True)
    try:
        yield child
    finally:
        child.terminate()
        try:
            child.wait(15.0)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()
        if log:
            out.close()  # type: ignore[union-attr]


@contextmanager
def sensors(folder: Path, sumps: int = SUMPS) -> Iterator[None]:
    """The lines are there inside."""
    with program(sys.executable, "-m", "tests.costs", "feed", str(folder), str(sumps)) as feeder:
        assert feeder.stdout is not None
        feeder.stdout.readline()
        yield


def write_site(folder: Path, sumps: int, more: str) -> Path:
    """A site of so many sumps as it comes, block and all."""
    buses = [BUS.format(id=id, port=folder / f"port-{id}") for id in sump_ids(sumps)]
    site = folder / "site.toml"
    site.write_text(site_text(sumps, more="\n".join([*buses, more])), encoding="utf-8")
    return site


@contextmanager
def agent(folder: Path, runtime: Path, site: Path) -> Iterator[subprocess.Popen[bytes]]:
    """The agent as a service would run it."""
    places = ("--state-dir", folder / "state", "--inbox-dir", folder / "inbox", "--runtime-dir", runtime)
    command = [sys.executable, "-m", "agent", "run", str(site), *map(str, places)]
    with program(*command, log=folder / "agent.log") as child:
        yield child


def first_reading(folder: Path, runtime: Path, site: Path) -> tuple[float, float]:
    """Seconds from the start of the program to the first reading in the live file, and of processor until then."""
    live = runtime / "live.json"
    live.unlink(missing_ok=True)
    began = time.monotonic()
    with agent(folder, runtime, site) as child:
        while '"level"' not in _text(live):
            if child.poll() is not None or time.monotonic() - began > 120:
                raise RuntimeError(f"the agent does not read: {_text(folder / 'agent.log')[-800:]}")
            time.sleep(0.02)
        return time.monotonic() - began, account(child.pid).cpu_s


def _text(path: Path) -> str:
    try:
        return path.read_text()
    except FileNotFoundError:
        return ""


def bill(pids: dict[str, int], minutes: float) -> dict[str, Bill]:
    """Watch processes side by side for so long."""
    time.sleep(SETTLE_S)
    first = {name: account(pid) for name, pid in pids.items()}
    most = {name: found.resident_mb for name, found in first.items()}
    began, last = time.monotonic(), dict[str, Account]()
    while (wall_s := time.monotonic() - began) < 60.0 * minutes:
        time.sleep(LOOK_S)
        last = {name: account(pid) for name, pid in pids.items()}
        most = {name: max(most[name], found.resident_mb) for name, found in last.items()}
    wall_s = time.monotonic() - began
    return {name: Bill(first[name], last[name], wall_s, most[name]) for name in pids}


# -- peers ------------------------------------------------------------------------------------------------------------

COLLECTD = """
Hostname "harrow-lane"
FQDNLookup false
Interval 1
BaseDir "{folder}"
PIDFile "{folder}/pid"
PluginDir "/usr/lib/collectd"
TypesDB "/usr/share/collectd/types.db"
LoadPlugin csv
LoadPlugin unixsock
<Plugin csv>
  DataDir "{folder}/csv"
</Plugin>
<Plugin unixsock>
  SocketFile "{folder}/socket"
</Plugin>
"""


@contextmanager
def collector(folder: Path) -> Iterator[int | None]:
    """collectd, Debian's general-purpose collector, writing CSV files; None where it is not installed."""
    found = shutil.which("collectd", path="/usr/sbin:/usr/bin")
    if found is None:
        yield None
        return
    folder.mkdir()
    folder.chmod(0o777)
    config = folder / "collectd.conf"
    config.write_text(COLLECTD.format(folder=folder))
    with program(found, "-f", "-C", str(config), log=folder / "log") as child:
        while not (folder / "socket").exists():
            time.sleep(0.05)
        with program(sys.executable, "-m", "tests.costs", "say", str(folder / "socket"), log=folder / "log"):
            yield child.pid


@contextmanager
def weather_logger(folder: Path, peers: Path | None) -> Iterator[int | None]:
    """A general Python weather logger from PyPI (weewx, installed in `peers`), a simulated packet a second."""
    found, control = ((peers or Path()) / "bin" / name for name in ("weewxd", "weectl"))
    if peers is None or not found.exists():
        yield None
        return
    folder.mkdir()
    made = [str(control), "station", "create", str(folder / "data"), "--no-prompt", "--driver=weewx.drivers.simulator"]
    subprocess.run(made, check=True, stdout=subprocess.DEVNULL)
    config = folder / "data" / "weewx.conf"
    config.write_text(config.read_text().replace("loop_interval = 2.5", "loop_interval = 1"))
    with program(str(found), str(config), log=folder / "log") as child:
        yield child.pid


# -- the table --------------------------------------------------------------------------------------------------------


def rows_kept(journal: Path) -> int:
    """Samples in a journal: the honest run did its work."""
    reader = JournalReader(journal)
    try:
        return len(reader.samples(sump_ids(1)[0], "level", 0.0, 9e9))
    finally:
        reader.close()


def table(bills: dict[str, Bill], start_s: float, plain: str) -> str:
    """Markdown, with the ratio to the agent in the same run."""
    lines = [
        "| program | resident, MB (most) | CPU, % of a core | written, MB a day | threads | files |",
        "| --- " * 6 + "|",
    ]
    own = bills[plain]
    for name, found in bills.items():
        ratio = found.written_mb_a_day / max(0.01, own.written_mb_a_day)
        lines.append(
            f"| {name} | {found.last.resident_mb:.0f} ({found.most_mb:.0f}) | {found.cpu_pct:.2f} "
            f"| {found.written_mb_a_day:.0f} (× {ratio:.1f}) | {found.last.threads} | {found.last.files} |"
        )
    return "\n".join([*lines, f"\nStart to first reading: {start_s:.1f} s (must ≤ 3 s)."])


def main(minutes: float, peers: Path | None) -> int:
    """The figures; exit 1 where a must is missed."""
    with tempfile.TemporaryDirectory(dir="/var/tmp") as disk, tempfile.TemporaryDirectory(dir="/dev/shm") as memory:
        plain, full, run = Path(disk) / "plain", Path(disk) / "full", Path(memory)
        for folder in (plain, full):
            folder.mkdir()
        broker, store = Mosquitto(Path(disk) / "broker"), VictoriaMetrics(Path(disk) / "store")
        forward = f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\n'
        forward += f'[timeseries]\nurl = "{store.url}"\nbucket = "sumps"\n'
        sites = write_site(plain, SUMPS, ""), write_site(full, SUMPS, forward)
        with broker, store, sensors(plain), sensors(full):
            start_s, _ = first_reading(plain, run / "first", sites[0])
            with (
                agent(plain, run / "plain", sites[0]) as one,
                agent(full, run / "full", sites[1]) as two,
                program(*_pages(plain, run / "plain", sites[0]), log=plain / "pages.log") as pages,
                collector(Path(disk) / "collector") as three,
                weather_logger(Path(disk) / "weather", peers) as four,
            ):
                pids = {"agent": one.pid, "agent, MQTT and time series": two.pid, "dashboards, idle": pages.pid}
                pids |= {name: pid for name, pid in (("collectd, CSV", three), ("weather logger", four)) if pid}
                bills = bill(pids, minutes)
        kept = rows_kept(plain / "state" / "journal.sqlite")
        print(f"{minutes:g} min of real time, {SUMPS} sumps × 3 signals × 1 Hz; {kept} levels kept of one sump\n")
        print(table(bills, start_s, "agent"))
        return judge(bills, start_s)


def _pages(folder: Path, runtime: Path, site: Path) -> list[str]:
    places = ("--state-dir", folder / "state", "--inbox-dir", folder / "inbox", "--runtime-dir", runtime)
    return [sys.executable, "-m", "dashboards", str(site), *map(str, places), "--port", "0"]


def judge(bills: dict[str, Bill], start_s: float) -> int:
    """Which musts are missed, each on a line."""
    own, full, pages = bills["agent"], bills["agent, MQTT and time series"], bills["dashboards, idle"]
    musts = {
        "agent ≤ 70 MB resident": own.most_mb <= 70.0,
        "agent with forwarders ≤ 110 MB resident": full.most_mb <= 110.0,
        "dashboards ≤ 70 MB resident": pages.most_mb <= 70.0,
        "agent ≤ 3 % of a core": own.cpu_pct <= 3.0,
        "agent ≤ 60 MB written a day": own.written_mb_a_day <= 60.0,
        "agent with forwarders ≤ 60 MB written a day": full.written_mb_a_day <= 60.0,
        "first reading ≤ 3 s": start_s <= 3.0,
    }
    for what, met in musts.items():
        print(f"{'met' if met else 'MISSED'}: {what}")
    return 0 if all(musts.values()) else 1
