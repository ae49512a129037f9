"""Checks of the machine: clock, memory, heat, supply, watchdog. Paths are the kernel's own documented ones."""

from __future__ import annotations

import ctypes
import os
import platform
import re
import sys
from datetime import UTC, datetime

from agent.doctor.place import LIVE_OLD_S, Place, Verdict, fail, ok, skip, warn
from agent.io.clock import boot_number

OLDEST_PYTHON = (3, 11)
BUILT = datetime(2025, 1, 1, tzinfo=UTC).timestamp()  # no clock that was ever set stands before this
LITTLE_MB, TOO_LITTLE_MB = 80, 40  # agent and pages take some 150 MB of 512; below this the kernel begins to kill
WARM_C, HOT_C = 75.0, 83.0  # a Pi slows itself down from 80 °C on
STA_UNSYNC = 0x40  # adjtimex(2)
THROTTLED_NOW, THROTTLED_ONCE = 0x1, 0x10000  # under-voltage bits of the firmware's word
LONGEST_WATCHDOG_S = 15  # what the counter of a Pi can hold
SPANS = {"": 1.0, "s": 1.0, "sec": 1.0, "ms": 1e-3, "min": 60.0, "m": 60.0, "h": 3600.0}


def python(_: Place) -> Verdict:
    """New enough, and 64-bit: numpy and others have no 32-bit wheels."""
    text = f"Python {platform.python_version()}, {platform.machine()}"
    if sys.version_info < OLDEST_PYTHON:
        return fail(text, "install Python 3.11 or later (Debian 12 or later has it)")
    if sys.maxsize < 2**32:
        return fail(f"{text}, 32-bit", "write a 64-bit system onto the card")
    return ok(text)


def clock(place: Place) -> Verdict:
    """Set, and kept by the network's time."""
    if place.now < BUILT:
        return fail("the clock was never set", "give the Pi network once, or a real-time clock; timedatectl tells")
    if place.file("/run/systemd/timesync/synchronized").exists() or (place.is_here and _kernel_is_synchronised()):
        return ok("set by the network's time")
    return warn("not set by the network's time", "see timedatectl; without network, fit a real-time clock")


def _kernel_is_synchronised() -> bool:
    """adjtimex(2) with modes 0 only asks: its second integer-sized field after four longs is the status."""
    asked = (ctypes.c_byte * 512)()  # struct timex, with room to spare
    try:
        libc = ctypes.CDLL(None, use_errno=True)
        if libc.adjtimex(ctypes.byref(asked)) < 0:
            return False
    except (OSError, AttributeError):
        return False
    # int modes (padded), long offset, freq, maxerror, esterror, then int status
    status = ctypes.c_int.from_buffer(asked, 5 * ctypes.sizeof(ctypes.c_long)).value
    return not status & STA_UNSYNC


def real_time_clock(place: Place) -> Verdict:
    """Without one the time after a power cut is a guess until there is network."""
    name = place.word("/sys/class/rtc/rtc0/name")
    if name is None:
        return warn(
            "no real-time clock", "after a power cut times are guessed until there is network; one costs little"
        )
    return ok(f"real-time clock {name}")


def time_zone(place: Place) -> Verdict:
    """The shop's and the machine's."""
    if place.site is None:
        return skip("the site file is at fault")
    link = place.file("/etc/localtime")
    machine = os.readlink(link).rpartition("zoneinfo/")[2] if link.is_symlink() else "UTC"
    machine, shop = ("UTC" if zone == "Etc/UTC" else zone for zone in (machine, place.site.site.timezone))
    if machine != shop:
        text = f"the site's time zone is {shop}, the machine's {machine}: the pages show the first, the logs the second"
        return warn(text, f"timedatectl set-timezone {shop}")
    return ok(shop)


def memory(place: Place) -> Verdict:
    """What is left for programs."""
    found = re.search(r"^MemAvailable:\s+(\d+) kB", place.word("/proc/meminfo") or "", re.MULTILINE)
    if found is None:
        return skip("the kernel does not tell")
    left_mb = int(found[1]) / 1024
    text = f"{left_mb:.0f} MB of memory left"
    if left_mb < TOO_LITTLE_MB:
        return fail(text, "end what else runs here: the kernel will end something soon")
    return warn(text, "see what else runs here") if left_mb < LITTLE_MB else ok(text)


def swap(place: Place) -> Verdict:
    """On a card it wears the card and stops the agent for seconds; in memory (zram) it is harmless."""
    lines = (place.word("/proc/swaps") or "").splitlines()[1:]
    on_card = [line.split()[0] for line in lines if not line.startswith("/dev/zram")]
    if on_card:
        return warn(f"swap on {', '.join(on_card)}", "it wears the card: turn it off, or use zram")
    return ok("no swap on the card")


def temperature(place: Place) -> Verdict:
    """Of the processor."""
    told = place.word("/sys/class/thermal/thermal_zone0/temp")
    if told is None:
        return skip("no thermometer")
    celsius = int(told) / 1000
    text = f"processor at {celsius:.0f} °C"
    if celsius >= HOT_C:
        return fail(text, "it slows itself down: cool the cabinet, or move the Pi")
    return warn(text, "give it air before summer") if celsius >= WARM_C else ok(text)


def supply(place: Place) -> Verdict:
    """Under-voltage, by the firmware's word or by the kernel's sensor."""
    advice = "a supply of 5.1 V and 3 A (Pi 5: 5 A), a short cable; a card written at low voltage breaks"
    told = place.word("/sys/devices/platform/soc/soc:firmware/get_throttled")
    if told is not None:
        bits = int(told, 16)
        if bits & THROTTLED_NOW:
            return fail("the supply is too weak now", advice)
        return (
            warn("the supply was too weak since the start", advice) if bits & THROTTLED_ONCE else ok("supply is well")
        )
    for sensor in sorted(place.file("/sys/class/hwmon").glob("hwmon*")):
        if (sensor / "name").read_text().strip() == "rpi_volt":
            alarm = (sensor / "in0_lcrit_alarm").read_text().strip()
            return fail("the supply is or was too weak", advice) if alarm != "0" else ok("supply is well")
    return skip("this machine does not tell")


def watchdog(place: Place) -> Verdict:
    """The machine's own, that restarts it when the kernel hangs."""
    if not place.file("/dev/watchdog").exists():
        return skip("no hardware watchdog")
    folders = ("/etc/systemd/system.conf.d", "/usr/lib/systemd/system.conf.d")
    files = [file for folder in folders for file in sorted(place.file(folder).glob("*.conf"))]
    set_s = 0.0
    for file in (place.file("/etc/systemd/system.conf"), *files):
        text = file.read_text("utf-8", "replace") if file.exists() else ""
        for span in re.findall(r"^RuntimeWatchdogSec=(\S*)", text, re.MULTILINE):
            set_s = _seconds(span)
    if not set_s:
        return warn("the hardware watchdog is not used", "systemd/install --watchdog: a hung Pi then restarts itself")
    if set_s > LONGEST_WATCHDOG_S:
        return warn(f"the hardware watchdog is set to {set_s:g} s", f"a Pi counts to {LONGEST_WATCHDOG_S} s at most")
    return ok(f"the hardware watchdog restarts a machine that hangs for {set_s:g} s")


def _seconds(span: str) -> float:
    """A time span of systemd, of one part; 0 for `off` and what is none."""
    found = re.fullmatch(r"(\d+(?:\.\d+)?)([a-z]*)", span)
    return float(found[1]) * SPANS.get(found[2], 0.0) if found else 0.0


def boot(place: Place) -> Verdict:
    """Rows are ordered by it while the clock is not set; the live file must be of this one."""
    told = place.word("/proc/sys/kernel/random/boot_id")
    if not told:
        return fail("the boot id cannot be read", "a drop-in with ProcSubset=pid hides it from the agent: remove it")
    live, age_s = place.live(), place.live_age_s()
    if live is not None and live.get("boot") != boot_number(told) and (age_s or 0.0) > LIVE_OLD_S:
        return fail("the live file is of an earlier start of the machine", "start the agent")
    return ok(f"this start of the machine is {told[:8]}")
