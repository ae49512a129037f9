"""What [alerts], [web] and [sump.dosing] must obey together with the rest of the file. Works on bare TOML."""

from __future__ import annotations

from collections.abc import Iterator
from ipaddress import ip_address
from pathlib import Path
from typing import Any

from agent.core.points import is_number
from agent.site_faults import Location, shown

Raw = dict[str, Any]
Found = Iterator[tuple[Location, str]]
OTHERS_MAY_READ = 0o077
THIS_MACHINE = "127.0.0.1"


def output_faults(raw: Raw) -> Found:
    """Faults of all three."""
    yield from _web(_table(raw, "web"))
    alerts = _table(raw, "alerts")
    if ("quiet_from" in alerts) != ("quiet_to" in alerts):
        key = "quiet_from" if "quiet_from" in alerts else "quiet_to"
        yield ("alerts", key), "stands alone; give both quiet_from and quiet_to, or neither"
    ports = {str(bus["port"]): f"bus[{b}]" for b, bus in _tables(raw, "bus") if isinstance(bus.get("port"), str)}
    for i, sump in _tables(raw, "sump"):
        dosing = _table(sump, "dosing")
        if dosing:
            at: Location = ("sump", i, "dosing")
            yield from _caps(dosing, at)
            yield from _mix(sump, dosing, at)
            yield from _eyes(raw, sump, at)
            yield from _own_port(dosing, at, ports)


def output_warnings(raw: Raw, folder: Path) -> Found:
    """A file of addresses that is not there, or that others may read."""
    name = _table(raw, "alerts").get("urls_file")
    if not isinstance(name, str):
        return
    path = folder / name
    if not path.exists():
        yield ("alerts", "urls_file"), f"{shown(name)} is not there on this machine now"
    elif path.stat().st_mode & OTHERS_MAY_READ:
        yield ("alerts", "urls_file"), f"{shown(name)} may be read by others and will not be used; chmod 600 it"


def is_this_machine(host: object) -> bool:
    """Whether what listens there is reached from this machine alone. A name but `localhost` may be anybody's."""
    try:
        return ip_address(str(host)).is_loopback
    except ValueError:
        return host == "localhost"


def _web(web: Raw) -> Found:
    """No page leaves this machine without TLS."""
    host, files = web.get("host", THIS_MACHINE), [key for key in ("certificate_file", "key_file") if key in web]
    if len(files) == 1:
        yield ("web", files[0]), "stands alone; give both certificate_file and key_file (systemd/install makes them)"
    elif not files and "tls_proxy" not in web and not is_this_machine(host):
        text = f"is missing, and at {shown(host)} the pages are open to others; name it with key_file, "
        yield ("web", "certificate_file"), text + f"or tls_proxy, or keep host at {THIS_MACHINE}"
    if "tls_proxy" in web and not _is_address(web["tls_proxy"]):
        yield (
            ("web", "tls_proxy"),
            f"{shown(web['tls_proxy'])} is no address; write the proxy's, such as {THIS_MACHINE}",
        )
    if "tls_proxy" in web and files:
        yield ("web", "tls_proxy"), "and certificate_file exclude each other; say who speaks TLS, the pages or a proxy"
    if (files or "tls_proxy" in web) and str(web.get("base_url", "")).startswith("http:"):
        yield ("web", "base_url"), "begins with http:, which is not answered; write https:"


def _is_address(text: object) -> bool:
    try:
        return bool(ip_address(str(text)))
    except ValueError:
        return False


def _caps(dosing: Raw, at: Location) -> Found:
    for small, large in (("max_dose_l", "max_hour_l"), ("max_hour_l", "max_day_l")):
        a, b = dosing.get(small), dosing.get(large)
        if is_number(a) and is_number(b) and a > b:  # type: ignore[operator]
            text = f"{a:g} L is above {large}, {b:g} L; put max_dose_l <= max_hour_l <= max_day_l"
            yield (*at, small), text


def _mix(sump: Raw, dosing: Raw, at: Location) -> Found:
    """The leanest and richest mix stand for people and for machines alike."""
    makeup, pct = _table(sump, "makeup"), dosing.get("pct")
    for key, wrong in (("leanest_pct", lambda a, b: a < b), ("richest_pct", lambda a, b: a > b)):
        limit = makeup.get(key)
        if is_number(pct) and is_number(limit) and wrong(pct, limit):
            yield (*at, "pct"), f"{pct:g} % lies outside the mixes allowed here: {key} is {limit:g} %"


def _eyes(raw: Raw, sump: Raw, at: Location) -> Found:
    sensors = [sensor for _, bus in _tables(raw, "bus") for _, sensor in _tables(bus, "sensor")]
    if not any(sensor.get("sump") == sump.get("id") and sensor.get("signal") == "level" for sensor in sensors):
        yield at, "this sump has no level sensor; nothing is dosed blind: add one, or take the table out"


def _own_port(dosing: Raw, at: Location, ports: dict[str, str]) -> Found:
    port = dosing.get("port")
    if not isinstance(port, str):
        return
    if port in ports:
        yield (*at, "port"), f"{shown(port)} is the port of {ports[port]} already; give the valve one of its own"
    ports.setdefault(port, f"{at[0]}[{at[1]}].dosing")


def _table(raw: Any, key: str) -> Raw:
    found = raw.get(key) if isinstance(raw, dict) else None
    return found if isinstance(found, dict) else {}


def _tables(raw: Any, key: str) -> list[tuple[int, Raw]]:
    found = raw.get(key) if isinstance(raw, dict) else None
    return [(i, t) for i, t in enumerate(found) if isinstance(t, dict)] if isinstance(found, list) else []
