"""Situations in which a check must not be content: real files, ports and servers, broken on purpose."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from agent.doctor.examine import examine
from agent.doctor.place import Place
from agent.engine import VERSION
from agent.io import clock
from agent.io.calibration_files import CalibrationFiles
from agent.io.journal import Journal
from calibration.document import Document
from tests.upkeep.shop import write_site

SYSTEMD = Path(__file__).resolve().parents[2] / "systemd"
BOOT = "7d1c2b1e-0000-4000-8000-000000000001"
PI = {
    "/run/systemd/timesync/synchronized": "",
    "/sys/class/rtc/rtc0/name": "rpi_rtc",
    "/proc/sys/kernel/random/boot_id": BOOT,
    "/proc/meminfo": "MemTotal:         948000 kB\nMemAvailable:     512000 kB\n",
    "/proc/swaps": "Filename Type Size Used Priority\n/dev/zram0 partition 900000 0 100\n",
    "/sys/class/thermal/thermal_zone0/temp": "48300",
    "/sys/devices/platform/soc/soc:firmware/get_throttled": "0",
    "/dev/watchdog": "",
    "/etc/systemd/system.conf.d/sumpside.conf": (SYSTEMD / "sumpside-watchdog.conf").read_text(),
}


@dataclass
class Bench:
    """A shop in `shop`, a Pi's own files in `root`; what an agent shows in the live file."""

    shop: Path
    root: Path
    now: float

    @classmethod
    def of(cls, shop: Path, root: Path) -> Bench:
        """All well."""
        bench = cls(shop, root, time.time())
        for path, text in PI.items():
            bench.machine(path, text)
        (root / "etc/localtime").symlink_to("/usr/share/zoneinfo/Europe/Vienna")
        (root / "etc/systemd/system").mkdir(parents=True)
        for unit in ("sumpside-agent.service", "sumpside-dashboards.service"):
            shutil.copy(SYSTEMD / unit, root / "etc/systemd/system")
        bench.disk("0x01 0x02", "0x01")
        bench.machine("/var/backups/sumpside/sumpside-x-2026-01-01T000000Z.tar.gz", "a backup")
        (shop / "inbox/inbox.sqlite").chmod(0o640)
        (shop / "inbox/people.sqlite").chmod(0o600)
        with closing(Journal.open(shop / "state/journal.sqlite")) as journal:
            journal.bookmark("inbox", 1)
        bench.site(bus(str(bench.port())), today=True)
        bench.live()
        return bench

    def place(self, root: Path | None = None) -> Place:
        """What the doctor is given."""
        return replace(Place.of(self.shop / "site.toml", root=root or self.root), now=self.now)

    def machine(self, path: str, text: str | None) -> None:
        """One of the machine's own files; None takes it away."""
        file = self.root / path.lstrip("/")
        file.parent.mkdir(parents=True, exist_ok=True)
        file.unlink(missing_ok=True) if text is None else file.write_text(text)

    def disk(self, life_time: str, end_of_life: str) -> None:
        """What the card under the journal tells, as an eMMC does."""
        number = os.stat(self.shop).st_dev
        self.machine("/sys/class/block/mmcblk0p2/dev", f"{os.major(number)}:{os.minor(number)}")
        self.machine("/sys/class/block/mmcblk0/device/life_time", life_time)
        self.machine("/sys/class/block/mmcblk0/device/pre_eol_info", end_of_life)

    def site(self, more: str, today: bool = False) -> None:
        """The site file with more in it; its curve dated of today, where that is wanted."""
        date = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(self.now if today else 1.7e9))
        write_site(self.shop, more, f"date = {date}\npoints = [[0.0, 0.0], [300.0, 300.0]]\n")

    def port(self) -> Path:
        """A real terminal that the agent may use."""
        held, self_end = os.openpty()
        path = self.shop / "port"
        path.unlink(missing_ok=True)
        path.symlink_to(os.ttyname(self_end))
        os.chmod(path, 0o600)
        return path

    def live(self, **changed: Any) -> None:
        """The live file of an agent that is well, save for what is changed."""
        bus = {"ok": True, "text": "reading"}
        sink = {"connected": True, "behind_rows": 3, "text": "up to date"}
        agent = {"version": VERSION, "pid": os.getpid(), "fault": None, "lost_samples": 0,
                 "buses": {"line": bus}, "sinks": {"mqtt": sink}}  # fmt: skip
        boot = changed.pop("boot", clock.boot_number(BOOT))
        (self.shop / "run").mkdir(exist_ok=True)
        picture = {"time": self.now, "boot": boot, "agent": {**agent, **changed}}
        (self.shop / "run/live.json").write_text(json.dumps(picture))

    def sql(self, file: str, text: str) -> None:
        """Change a database behind everybody's back."""
        with closing(sqlite3.connect(self.shop / file, isolation_level=None)) as db:
            db.execute(text)

    def age(self, path: Path, seconds: float) -> None:
        """Make a file look older."""
        os.utime(path, (self.now - seconds, self.now - seconds))

    def unit(self, old: str, new: str) -> None:
        """Change the agent's unit."""
        file = self.root / "etc/systemd/system/sumpside-agent.service"
        text = file.read_text()
        assert old in text
        file.write_text(text.replace(old, new))


BUS = """
[[bus]]
id = "line"
driver = "ascii_line"
port = "{port}"
[[bus.sensor]]
sump = "mill-2"
signal = "level"
pattern = '(?P<value>[0-9.]+)'
"""


def bus(port: str) -> str:
    """A line on a port."""
    return BUS.format(port=port)


def throttled(word: str) -> Callable[[Bench], None]:
    return lambda b: b.machine("/sys/devices/platform/soc/soc:firmware/get_throttled", word)


def weak_supply_by_sensor(b: Bench) -> None:
    throttled("0")(b)
    b.machine("/sys/devices/platform/soc/soc:firmware/get_throttled", None)
    b.machine("/sys/class/hwmon/hwmon1/name", "rpi_volt")
    b.machine("/sys/class/hwmon/hwmon1/in0_lcrit_alarm", "1")


def another_zone(b: Bench) -> None:
    (b.root / "etc/localtime").unlink()
    (b.root / "etc/localtime").symlink_to("/usr/share/zoneinfo/America/Chicago")


def never_set(b: Bench) -> None:
    b.now = 300.0


def rubbish_for_a_journal(b: Bench) -> None:
    (b.shop / "state/journal.sqlite").write_bytes(b"\0" * 8192)


def no_journal(b: Bench) -> None:
    (b.shop / "state/journal.sqlite").unlink()


def refused_point(b: Bench) -> None:
    with closing(Journal.open(b.shop / "state/journal.sqlite")) as journal:
        journal.dead_letter(3, "timeseries", "422 out of range", "x", b.now - 60.0)


def unheard_word(b: Bench) -> None:
    b.sql("state/journal.sqlite", "UPDATE bookmark SET seq = 0 WHERE name = 'inbox'")
    b.age(b.shop / "inbox/inbox.sqlite", 300.0)


def no_people(b: Bench) -> None:
    (b.shop / "inbox/people.sqlite").unlink()


def open_password(mode: int | None) -> Callable[[Bench], None]:
    def arrange(b: Bench) -> None:
        b.site('[mqtt]\nhost = "localhost"\nuser = "x"\npassword_file = "secret"\n')
        if mode is not None:
            (b.shop / "secret").write_text("canary")
            (b.shop / "secret").chmod(mode)

    return arrange


def old_backup(b: Bench) -> None:
    for path in (b.root / "var/backups/sumpside").iterdir():
        b.age(path, 5 * 86_400.0)


def no_backup(b: Bench) -> None:
    shutil.rmtree(b.root / "var/backups/sumpside")


def no_port(b: Bench) -> None:
    (b.shop / "port").unlink()


def a_file_for_a_port(b: Bench) -> None:
    no_port(b)
    (b.shop / "port").touch()


def a_shut_port(b: Bench) -> None:
    (b.shop / "port").chmod(0)


def no_live_file(b: Bench) -> None:
    (b.shop / "run/live.json").unlink()


def half_a_live_file(b: Bench) -> None:
    (b.shop / "run/live.json").write_text('{"agent":')


def of_an_earlier_boot(b: Bench) -> None:
    b.live(boot=1)
    b.age(b.shop / "run/live.json", 600.0)


def undated_curve(b: Bench) -> None:
    (b.shop / "curves/mill-2.toml").write_text("points = [[0.0, 0.0], [300.0, 300.0]]\n")


def an_edited_calibration(b: Bench) -> None:
    fit = {"litres_sd": 0.4}
    made = Document("curve", "mill-2", b.now - 60.0, "Ana", fit, points=((0.0, 0.0), (300.0, 300.0)))
    kept = CalibrationFiles(b.shop / "inbox/calibrations").keep(made)
    assert examine(b.place(), ["calibration"])[0].verdict.state == "ok"
    kept.chmod(0o644)
    kept.write_text(kept.read_text().replace("300.0", "310.0"))


def a_curve_of_a_sump_that_is_gone(b: Bench) -> None:
    """Counts no more: the others' do."""
    gone = Document("curve", "lathe-9", b.now - 900.0 * 86_400.0, "Ana", {}, points=((0.0, 0.0), (300.0, 300.0)))
    CalibrationFiles(b.shop / "inbox/calibrations").keep(gone)
    assert examine(b.place(), ["calibration"])[0].verdict.state == "ok"
    undated_curve(b)


def alerts_out(b: Bench) -> None:
    """Well with a way out in a drop-in, not without."""
    (b.shop / "urls").write_text("ntfy://canary")
    b.site('[alerts]\nurls_file = "urls"\n')
    way_out = "/etc/systemd/system/sumpside-agent.service.d/out.conf"
    b.machine(way_out, "[Service]\nIPAddressAllow=any\n")
    assert examine(b.place(), ["alerts"])[0].verdict.state == "ok"
    b.machine(way_out, None)


def unit_left_alone_when_it_hangs(b: Bench) -> None:
    b.machine("/etc/systemd/system/sumpside-dashboards.service.d/own.conf", "[Service]\nWatchdogSec=0\n")


def away(**sink: Any) -> dict[str, Any]:
    return {"mqtt": {"connected": True, "behind_rows": 0, "text": "connection refused", **sink}}


# Check → situations, each with the state that the check must come to.
SITUATIONS: list[tuple[str, str, Callable[[Bench], None]]] = [
    ("site_file", "fail", lambda b: b.site("[web]\nport = 0\n")),
    ("site_file", "warn", no_port),
    ("clock", "warn", lambda b: b.machine("/run/systemd/timesync/synchronized", None)),
    ("clock", "fail", never_set),
    ("real_time_clock", "warn", lambda b: b.machine("/sys/class/rtc/rtc0/name", None)),
    ("time_zone", "warn", another_zone),
    ("boot", "fail", of_an_earlier_boot),
    ("boot", "fail", lambda b: b.machine("/proc/sys/kernel/random/boot_id", None)),
    ("memory", "warn", lambda b: b.machine("/proc/meminfo", "MemAvailable:      61000 kB\n")),
    ("memory", "fail", lambda b: b.machine("/proc/meminfo", "MemAvailable:      21000 kB\n")),
    ("swap", "warn", lambda b: b.machine("/proc/swaps", "Filename Type\n/var/swap file 102396 0 -2\n")),
    ("temperature", "warn", lambda b: b.machine("/sys/class/thermal/thermal_zone0/temp", "78000")),
    ("temperature", "fail", lambda b: b.machine("/sys/class/thermal/thermal_zone0/temp", "84900")),
    ("supply", "fail", throttled("50005")),
    ("supply", "warn", throttled("50000")),
    ("supply", "fail", weak_supply_by_sensor),
    ("watchdog", "warn", lambda b: b.machine("/etc/systemd/system.conf.d/sumpside.conf", "[Manager]\n")),
    ("watchdog", "warn", lambda b: b.machine("/etc/systemd/system.conf.d/z.conf", "RuntimeWatchdogSec=10min\n")),
    ("wear", "warn", lambda b: b.disk("0x09 0x01", "0x01")),
    ("wear", "fail", lambda b: b.disk("0x0b 0x01", "0x03")),
    ("journal", "fail", rubbish_for_a_journal),
    ("journal", "fail", no_journal),
    ("journal", "fail", lambda b: b.sql("state/journal.sqlite", "PRAGMA user_version = 99")),
    ("chain", "fail", lambda b: b.sql("state/journal.sqlite", "DELETE FROM log WHERE kind = 'word'")),
    ("put_aside", "warn", lambda b: (b.shop / "state/journal.sqlite.broken-17").touch()),
    ("snapshot", "warn", lambda b: b.sql("state/journal.sqlite", "DELETE FROM snapshot")),
    ("snapshot", "warn", lambda b: b.sql("state/journal.sqlite", "UPDATE snapshot SET time = time - 9000")),
    ("dead_letters", "warn", refused_point),
    ("inbox", "fail", lambda b: (b.shop / "inbox/inbox.sqlite").chmod(0o644)),
    ("inbox", "fail", lambda b: (b.shop / "inbox/inbox.sqlite").chmod(0o660)),
    ("heard", "fail", unheard_word),
    ("people", "fail", no_people),
    ("people", "fail", lambda b: b.sql("inbox/people.sqlite", "UPDATE person SET active = 0")),
    ("secrets", "fail", open_password(0o644)),
    ("secrets", "fail", open_password(None)),
    ("secrets", "fail", lambda b: (b.shop / "inbox/people.sqlite").chmod(0o640)),
    ("calibration", "warn", lambda b: b.site("")),
    ("calibration", "warn", undated_curve),
    ("calibration", "warn", a_curve_of_a_sump_that_is_gone),
    ("calibration", "fail", an_edited_calibration),
    ("backups", "warn", old_backup),
    ("backups", "warn", no_backup),
    ("ports", "fail", no_port),
    ("ports", "fail", a_file_for_a_port),
    ("ports", "fail", a_shut_port),
    ("port_names", "warn", lambda b: b.site(bus("/dev/ttyUSB7"))),
    ("live", "fail", no_live_file),
    ("live", "fail", half_a_live_file),
    ("live", "fail", lambda b: b.age(b.shop / "run/live.json", 60.0)),
    ("live", "fail", lambda b: b.live(fault="the journal cannot be written: disk I/O error")),
    ("version", "warn", lambda b: b.live(version="0.0.1")),
    ("buses", "fail", lambda b: b.live(buses={"line": {"ok": False, "text": "no reading for 20 s"}})),
    ("lost_samples", "fail", lambda b: b.live(lost_samples=1200)),
    ("publishers", "fail", lambda b: b.live(sinks=away(connected=False))),
    ("publishers", "warn", lambda b: b.live(sinks=away(behind_rows=90_000))),
    ("alerts", "warn", alerts_out),
    ("pages", "fail", lambda b: b.site("[web]\nport = 1\n")),
    ("units", "fail", lambda b: b.unit("SystemCallFilter=@system-service", "SystemCallFilter=\nRestrictNamespaces=no")),
    ("unit_watchdog", "fail", unit_left_alone_when_it_hangs),
    ("unit_watchdog", "fail", lambda b: b.unit("WatchdogSec=180", "")),
]


def mounted(folder: Path, *options: str) -> None:
    """A file system in memory over a folder; only root may."""
    subprocess.run(["mount", "-t", "tmpfs", "-o", ",".join(options), "tmpfs", str(folder)], check=True)
