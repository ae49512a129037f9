"""Checks of what runs: agent, its buses and publishers, pages, units."""

from __future__ import annotations

import re
import subprocess
import urllib.error
import urllib.request
from importlib.util import find_spec
from pathlib import Path

from agent.doctor import network
from agent.doctor.place import LIVE_OLD_S, Place, Verdict, fail, ok, skip, warn
from agent.engine import VERSION

BEHIND_ROWS = 5_000  # some hours of blocks
ANSWER_S = 5.0
UNITS = "/etc/systemd/system"
EXPOSURE_AT_MOST = {"sumpside-agent.service": 1.5, "sumpside-dashboards.service": 1.2}
EXPOSURE = re.compile(r"Overall exposure level for \S+: ([\d.]+)")
LOG = "journalctl -u sumpside-agent"


def agent(place: Place) -> Verdict:
    """It writes the live file once a second."""
    age_s, live = place.live_age_s(), place.live()
    if age_s is None or live is None:
        return fail(f"no live file in {place.folders.runtime}", "systemctl start sumpside-agent")
    if age_s > LIVE_OLD_S:
        return fail(f"the live file is {age_s:.0f} s old: the agent is down or hangs", LOG)
    if not Path(f"/proc/{live['agent']['pid']}").exists() and place.is_here:
        return fail("the agent that wrote the live file is gone", LOG)
    if fault := live["agent"].get("fault"):
        return fail(f"the agent runs, and says: {fault}", "see space and writable above")
    return ok(f"the agent runs, its picture is {age_s:.0f} s old")


def version(place: Place) -> Verdict:
    """What runs is what is installed."""
    live = place.live()
    if live is None:
        return skip("no agent runs")
    runs = live["agent"]["version"]
    if runs != VERSION:
        return warn(
            f"version {runs} runs, {VERSION} is installed", "systemctl restart sumpside-agent sumpside-dashboards"
        )
    return ok(f"version {VERSION}")


def buses(place: Place) -> Verdict:
    """Whether every bus gives readings."""
    live = place.live()
    if live is None:
        return skip("no agent runs")
    told = live["agent"]["buses"]
    silent = [f"{id}: {bus['text']}" for id, bus in told.items() if not bus["ok"]]
    if silent:
        return fail("; ".join(silent), "see the ports above; plug, wire and supply of the sensor")
    return ok(f"{len(told)} buses give readings") if told else skip("the site has no bus")


def publishers(place: Place) -> Verdict:
    """Whether broker and store take what is forwarded."""
    live = place.live()
    if live is None:
        return skip("no agent runs")
    told = live["agent"]["sinks"]
    away = [f"{name}: {sink['text']}" for name, sink in told.items() if not sink["connected"]]
    if away:
        return fail("; ".join(away), "see broker and store below; the journal keeps what is to be sent")
    behind = [
        f"{name} is {sink['behind_rows']:,} rows behind"
        for name, sink in told.items()
        if sink["behind_rows"] > BEHIND_ROWS
    ]
    if behind:
        return warn("; ".join(behind), "it catches up by itself unless the network is too slow")
    return ok(f"{', '.join(told)}: up to date") if told else skip("nothing is forwarded")


def lost_samples(place: Place) -> Verdict:
    """Samples that found no room while the disk took nothing."""
    live = place.live()
    if live is None:
        return skip("no agent runs")
    lost = live["agent"].get("lost_samples", 0)
    if lost:
        return fail(f"{lost:,} samples were lost since the agent's start", "the disk took nothing for long: see space")
    return ok("no sample was lost")


def pages(place: Place) -> Verdict:
    """They answer on this machine."""
    if place.site is None:
        return skip("the site file is at fault")
    near, port = network.near(place.site), place.site.web.port
    try:
        scheme, context = (
            ("https", network.own_certificate(place.site)) if place.site.web.certificate_file else ("http", None)
        )
        url = f"{scheme}://{f'[{near}]' if ':' in near else near}:{port}/healthz"
        with urllib.request.urlopen(url, timeout=ANSWER_S, context=context) as answer:
            answer.read()
    except urllib.error.HTTPError as refusal:  # of 400 and above; an OSError, too
        text = f"the pages answer with an error on {near}:{port}: {refusal.code} {refusal.reason}"
        return fail(text, "journalctl -u sumpside-dashboards; or does another program have this port?")
    except OSError as why:
        return fail(f"the pages do not answer on {near}:{port}: {why}", "journalctl -u sumpside-dashboards")
    return ok(f"the pages answer on {near}:{port}")


def units(place: Place) -> Verdict:
    """Hardened as they were shipped, drop-ins counted where the unit is this machine's own."""
    found: list[str] = []
    for name, most in EXPOSURE_AT_MOST.items():
        path = place.file(f"{UNITS}/{name}")
        if not path.exists():
            return skip("the units are not installed")
        level = _exposure(path, place)
        if level is None:
            return skip("systemd-analyze is not there")
        if level > most:
            return fail(f"{name} is exposed at {level}, {most} was promised", f"systemctl cat {name}: what loosens it?")
        found.append(f"{name} {level}")
    return ok("exposure: " + ", ".join(found))


def _exposure(path: Path, place: Place) -> float | None:
    """systemd's own score of a unit, 0 (best) to 10."""
    root = [] if place.is_here else [f"--root={place.root}"]
    what = path.name if not root and Path("/run/systemd/system").exists() else str(path)
    command = ["systemd-analyze", "security", "--offline=yes", "--no-pager", *root, what]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=30)
    except FileNotFoundError:
        return None
    score = EXPOSURE.search(done.stdout)
    if score is None:
        raise ValueError(f"systemd-analyze says nothing of {path.name}: {done.stderr.strip()[:200]}")
    return float(score[1])


def alerts(place: Place) -> Verdict:
    """Whether alerts find their way out: the library is there, and the unit lets the agent reach beyond the shop."""
    if place.site is None or place.site.alerts is None:
        return skip("no alert is sent")
    if find_spec("apprise") is None:
        return fail("the library that sends alerts is not installed", "install the extra `alerts`, or systemd/install")
    unit = place.file(f"{UNITS}/sumpside-agent.service")
    dropped_in = [file.read_text("utf-8", "replace") for file in sorted(Path(f"{unit}.d").glob("*.conf"))]
    if unit.exists() and not any("IPAddressAllow=" in text for text in dropped_in):
        todo = "systemctl edit sumpside-agent: [Service] IPAddressAllow=any, unless they go to a host in the shop"
        return warn("alerts are sent, and the agent's unit reaches the shop's own network only", todo)
    return ok("alerts have a way out")


def unit_watchdog(place: Place) -> Verdict:
    """systemd restarts a process that hangs."""
    for name in EXPOSURE_AT_MOST:
        path = place.file(f"{UNITS}/{name}")
        if not path.exists():
            return skip("the units are not installed")
        texts = [file.read_text("utf-8", "replace") for file in (path, *sorted(Path(f"{path}.d").glob("*.conf")))]
        spans = [span for text in texts for span in re.findall(r"^WatchdogSec=(\S*)", text, re.MULTILINE)]
        if not spans or spans[-1] in ("", "0", "infinity"):
            return fail(f"nobody notices when {name} hangs", f"take the line WatchdogSec out of the drop-ins of {name}")
    return ok("systemd restarts what hangs")
