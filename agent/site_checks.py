"""What keys of the site file must obey together. Works on bare TOML, so that a wrong type elsewhere hides nothing."""

from __future__ import annotations

import re
import zoneinfo
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import Any

from agent.bus_checks import bus_faults
from agent.core.measures import BUCKET_L
from agent.core.points import Points, as_points, curve_faults, is_number
from agent.output_checks import output_faults, output_warnings
from agent.site_faults import SLUG, Fault, Location, UnreadableToml, key_path, read_toml, shown, slug_of

COMMON_FACTORS = (0.8, 5.0)  # beyond these a refractometer factor is more likely a slip than a product
ANY_CURVE: Points = ((0.0, 0.0), (1.0, 1.0))  # stands in for one that is at fault and said so

Raw = dict[str, Any]
Found = Iterator[tuple[Location, str]]


def check_together(raw: Raw, folder: Path) -> tuple[list[Fault], list[Fault]]:
    """Faults and warnings that take more than one key, or the world outside, to see."""
    faults = [*_zone(raw), *_doubled(raw, "sump"), *_doubled(raw, "bus")]
    warnings: list[tuple[Location, str]] = [*_no_zone(raw), *_secrets(raw, folder)]
    for i, sump in _tables(raw, "sump"):
        at: Location = ("sump", i)
        faults += [*_marks(sump, at), *_band(sump, at), *_mixes(sump, at)]
        faults += [*_measures(sump, at), *_curve(sump, at, folder)]
        warnings += _uncommon(sump, at)
    faults += [*_sensors(raw), *_same_port(raw), *bus_faults(raw, _own_topics(raw))]
    warnings += [*_buses_here(raw), *output_warnings(raw, folder)]
    faults += output_faults(raw)
    return [Fault(key_path(raw, at), text) for at, text in faults], [
        Fault(key_path(raw, at), text) for at, text in warnings
    ]


def resolve_curves(raw: Raw, folder: Path) -> Raw:
    """The same site with every curve as its points, those in files read; a faulty one by a stand-in."""
    if not isinstance(raw.get("sump"), list):
        return raw
    return {**raw, "sump": [_with_points(sump, folder) for sump in raw["sump"]]}


def _with_points(sump: Any, folder: Path) -> Any:
    level = _table(sump, "level")
    if "curve" not in level:
        return sump
    points, faults = _points(level["curve"], folder)
    curve = ANY_CURVE if faults else as_points(points)
    return {**sump, "level": {**level, "curve": curve}}


# ── looking into bare TOML without trust ───────────────────────────────────────────────────────────────────


def _table(raw: Any, key: str) -> Raw:
    found = raw.get(key) if isinstance(raw, dict) else None
    return found if isinstance(found, dict) else {}


def _tables(raw: Any, key: str) -> list[tuple[int, Raw]]:
    found = raw.get(key) if isinstance(raw, dict) else None
    return [(i, t) for i, t in enumerate(found) if isinstance(t, dict)] if isinstance(found, list) else []


def _number(table: Raw, key: str) -> float | None:
    value = table.get(key)
    return float(value) if is_number(value) else None  # type: ignore[arg-type]


def _in_order(table: Raw, low: str, high: str, equal: bool = False) -> bool:
    """True where the two stand in order, or where one is no number (which is said elsewhere)."""
    a, b = _number(table, low), _number(table, high)
    return a is None or b is None or a < b or (equal and a == b)


# ── rules ──────────────────────────────────────────────────────────────────────────────────────────────────


def _zone(raw: Raw) -> Found:
    zone = _table(raw, "site").get("timezone")
    if isinstance(zone, str) and zone and not _is_zone(zone):
        yield ("site", "timezone"), f"{shown(zone)} is no time zone; write one like 'Europe/Vienna'"


def _is_zone(name: str) -> bool:
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


def _no_zone(raw: Raw) -> Found:
    site = _table(raw, "site")
    if site and "timezone" not in site:
        yield ("site", "timezone"), "not given; times are shown in UTC"


def _own_topics(raw: Raw) -> str:
    """What our own topics begin with, where we publish any."""
    site = _table(raw, "site")
    slug = site.get("id") or slug_of(str(site.get("name", "")))
    return f"sumpside/{slug}/" if "mqtt" in raw else ""


def _doubled(raw: Raw, key: str) -> Found:
    first: dict[str, int] = {}
    for i, table in _tables(raw, key):
        name = table.get("id")
        if not isinstance(name, str):
            continue
        if name in first:
            text = f"{shown(name)} is the id of {key}[{first[name]}] already; give each {key} an id of its own"
            yield (key, i, "id"), text
        first.setdefault(name, i)


def _marks(sump: Raw, at: Location) -> Found:
    if not _in_order(sump, "low_l", "full_l"):
        text = f"{sump['low_l']:g} L is not below full_l, {sump['full_l']:g} L; put low_l < full_l <= high_l"
        yield (*at, "low_l"), text
    if not _in_order(sump, "full_l", "high_l", equal=True):
        text = f"{sump['high_l']:g} L is below full_l, {sump['full_l']:g} L; put low_l < full_l <= high_l"
        yield (*at, "high_l"), text


def _band(sump: Raw, at: Location) -> Found:
    fluid = _table(sump, "fluid")
    order = "put low_pct < target_pct < high_pct"
    if not _in_order(fluid, "low_pct", "target_pct"):
        text = f"{fluid['low_pct']:g} % is not below target_pct, {fluid['target_pct']:g} %; {order}"
        yield (*at, "fluid", "low_pct"), text
    if not _in_order(fluid, "target_pct", "high_pct"):
        text = f"{fluid['high_pct']:g} % is not above target_pct, {fluid['target_pct']:g} %; {order}"
        yield (*at, "fluid", "high_pct"), text


def _mixes(sump: Raw, at: Location) -> Found:
    makeup, target = _table(sump, "makeup"), _number(_table(sump, "fluid"), "target_pct")
    order = "put leanest_pct <= usual_pct <= richest_pct"
    if not _in_order(makeup, "leanest_pct", "usual_pct", equal=True):
        text = f"{makeup['leanest_pct']:g} % is above usual_pct, {makeup['usual_pct']:g} %; {order}"
        yield (*at, "makeup", "leanest_pct"), text
    if not _in_order(makeup, "usual_pct", "richest_pct", equal=True):
        text = f"{makeup['richest_pct']:g} % is below usual_pct, {makeup['usual_pct']:g} %; {order}"
        yield (*at, "makeup", "richest_pct"), text
    both = {**makeup, "target": target}
    if not _in_order(both, "leanest_pct", "target"):
        text = f"{both['leanest_pct']:g} % is not below the fluid's target_pct, {target:g} %; nothing could thin it"
        yield (*at, "makeup", "leanest_pct"), text
    if not _in_order(both, "target", "richest_pct"):
        text = f"{both['richest_pct']:g} % is not above the fluid's target_pct, {target:g} %; raise it"
        yield (*at, "makeup", "richest_pct"), text


def _measures(sump: Raw, at: Location) -> Found:
    makeup = _table(sump, "makeup")
    bucket, mark = _number(makeup, "bucket_l"), _number(makeup, "bucket_mark_l")
    if mark is not None and mark > (BUCKET_L if bucket is None else bucket):
        yield (
            (*at, "makeup", "bucket_mark_l"),
            f"{mark:g} L is more than the bucket holds; put the litres between marks",
        )
    given = makeup.get("proportioner_settings_pct")
    settings = [s for s in given if isinstance(s, int | float)] if isinstance(given, list) else []
    if settings != sorted(set(settings)):
        text = "the settings do not rise; put them in order, each once"
        yield (*at, "makeup", "proportioner_settings_pct"), text


def _uncommon(sump: Raw, at: Location) -> Found:
    factor = _number(_table(sump, "fluid"), "refractometer_factor")
    low, high = COMMON_FACTORS
    if factor is not None and not low <= factor <= high:
        text = f"{factor:g} is uncommon ({low:g}-{high:g}); compare it with the fluid's data sheet"
        yield (*at, "fluid", "refractometer_factor"), text
    if _number(_table(sump, "makeup"), "leanest_pct") == 0.0:
        yield (*at, "makeup", "leanest_pct"), "0 lets plain water be advised; be sure that this is meant"


# ── the level curve ────────────────────────────────────────────────────────────────────────────────────────


def _points(curve: Any, folder: Path) -> tuple[Any, list[tuple[str, str]]]:
    """The points given or in the file named, with their faults as (place, words)."""
    if not isinstance(curve, str):
        return curve, curve_faults(curve)
    try:
        points = read_toml(folder / curve).get("points")
    except UnreadableToml as error:
        return None, [("", f"{shown(curve)}: {error}")]
    if points is None:
        return None, [("", f"{shown(curve)} has no points; add points = [[raw, litres], ...] or calibrate anew")]
    return points, [("", f"{shown(curve)}: points{place} {text}") for place, text in curve_faults(points)]


def _curve(sump: Raw, at: Location, folder: Path) -> Found:
    level = _table(sump, "level")
    if "curve" not in level:
        return
    points, faults = _points(level["curve"], folder)
    for place, text in faults:
        where: Location = (*at, "level", "curve")
        yield (*where, int(place[1:-1])) if place else where, text
    if not faults:
        litres = [p[1] for p in points]
        yield from _marks_on_curve(sump, at, float(min(litres)), float(max(litres)))


def _marks_on_curve(sump: Raw, at: Location, least: float, most: float) -> Found:
    for key in ("low_l", "full_l", "high_l"):
        mark = _number(sump, key)
        if mark is not None and not least <= mark <= most:
            text = f"{mark:g} L lies outside the level curve, {least:g}-{most:g} L; extend the curve or move the mark"
            yield (*at, key), text


# ── buses and files ────────────────────────────────────────────────────────────────────────────────────────


def _sensors(raw: Raw) -> Found:
    known = dict.fromkeys(sump["id"] for _, sump in _tables(raw, "sump") if _is_id(sump.get("id")))
    strange = _strange(raw, known)
    seen: dict[tuple[str, str], str] = {}
    for at, sensor in _sensor_tables(raw):
        sump, signal = sensor.get("sump"), sensor.get("signal")
        if isinstance(sump, str) and sump in strange:
            yield (*at, "sump"), f"there is no sump {shown(sump)}; known are {', '.join(known)}"
        if not isinstance(sump, str) or not isinstance(signal, str):
            continue
        if (sump, signal) in seen:
            yield (
                at,
                f"{shown(sump)} gets its {shown(signal)} from {seen[sump, signal]} already; keep one sensor a signal",
            )
        seen.setdefault((sump, signal), key_path(raw, at))


def _sensor_tables(raw: Raw) -> Iterator[tuple[Location, Raw]]:
    for b, bus in _tables(raw, "bus"):
        for s, sensor in _tables(bus, "sensor"):
            yield ("bus", b, "sensor", s), sensor


def _is_id(value: object) -> bool:
    return isinstance(value, str) and re.fullmatch(SLUG, value) is not None


def _strange(raw: Raw, known: Collection[str]) -> set[str]:
    """Sumps that sensors name and nobody knows; none where sumps whose own id is at fault may be the ones meant."""
    named = {sensor.get("sump") for _, sensor in _sensor_tables(raw) if isinstance(sensor.get("sump"), str)}
    strange = {str(name) for name in named if name not in known}
    nameless = sum(not _is_id(sump.get("id")) for _, sump in _tables(raw, "sump"))
    return strange if len(strange) > nameless else set()


def _same_port(raw: Raw) -> Found:
    first: dict[str, int] = {}
    for b, bus in _tables(raw, "bus"):
        port = bus.get("port")
        if not isinstance(port, str):
            continue
        if port in first:
            other = key_path(raw, ("bus", first[port]))
            yield ("bus", b, "port"), f"{shown(port)} is the port of {other} already; put its sensors into one bus"
        first.setdefault(port, b)


def _buses_here(raw: Raw) -> Found:
    for b, bus in _tables(raw, "bus"):
        port = bus.get("port")
        if isinstance(port, str) and port and not Path(port).exists():
            yield ("bus", b, "port"), f"{shown(port)} is not there on this machine now; plug it in or name another"
        if not bus.get("sensor"):
            yield ("bus", b, "sensor"), "none; nothing is read from this bus"


_FILES = (
    ("mqtt", ("password_file", "ca_file")),
    ("timeseries", ("token_file",)),
    ("web", ("certificate_file", "key_file")),
)


def _secrets(raw: Raw, folder: Path) -> Found:
    for section, keys in _FILES:
        for key in keys:
            name = _table(raw, section).get(key)
            if isinstance(name, str) and not (folder / name).exists():
                yield (section, key), f"{shown(name)} is not there on this machine now"
