"""What keys of a [[bus]] and its sensors must obey together. Works on bare TOML, as `site_checks` does."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from agent.core.points import is_number
from agent.site_faults import Location, shown

RANGES_V = (6.144, 4.096, 2.048, 1.024, 0.512, 0.256)  # as the converters have them
LOOP_MOST_MA = 21.0  # what a loop must be measured up to, so that its failing can be seen
MOST_TOPIC_BYTES = 65_535  # MQTT's own limit
MOST_FLOW_PERIOD_S = 30.0  # a flow that is looked at more seldom cannot be summed up to litres
OHM_TIMES_MA_PER_V = 1000.0
_POINTER = re.compile(r"(?:/(?:[^~/]|~[01])*)*")  # RFC 6901, section 3

Raw = dict[str, Any]
Found = Iterator[tuple[Location, str]]


def bus_faults(raw: Raw, own_topics: str) -> Found:
    """Faults of all buses and their sensors; `own_topics`: what Sumpside's own topics begin with."""
    first: dict[tuple[str, int], int] = {}
    for b, bus in tables(raw, "bus"):
        if bus.get("driver") == "modbus_tcp":
            yield from _same_host(bus, b, first)
        pins: set[int] = set()
        for s, sensor in tables(bus, "sensor"):
            at: Location = ("bus", b, "sensor", s)
            yield from _pattern(sensor, at)
            yield from _loop(sensor, at)
            yield from _meter(bus, sensor, at)
            for check in _OF_DRIVER.get(str(bus.get("driver")), ()):
                yield from check(sensor, at)
            yield from _own_topic(sensor, at, own_topics)
            pin = sensor.get("pin")
            if isinstance(pin, int) and pin in pins:
                yield (*at, "pin"), f"{pin} has another sensor already; give each contact a pin"
            pins |= {pin} if isinstance(pin, int) else set()


def tables(raw: Any, key: str) -> list[tuple[int, Raw]]:
    """The tables of a list of tables, with their places; none where it is something else."""
    found = raw.get(key) if isinstance(raw, dict) else None
    return [(i, t) for i, t in enumerate(found) if isinstance(t, dict)] if isinstance(found, list) else []


def _number(table: Raw, key: str) -> float | None:
    value = table.get(key)
    return float(value) if is_number(value) else None  # type: ignore[arg-type]


def _same_host(bus: Raw, b: int, first: dict[tuple[str, int], int]) -> Found:
    host, port = bus.get("host"), bus.get("port", 502)
    if not isinstance(host, str) or not isinstance(port, int):
        return
    if (host, port) in first:
        yield ("bus", b, "host"), f"{shown(host)} is asked by another bus already; put its sensors into one bus"
    first.setdefault((host, port), b)


def _pattern(sensor: Raw, at: Location) -> Found:
    pattern = sensor.get("pattern")
    if not isinstance(pattern, str) or not pattern:
        return
    try:
        groups = re.compile(pattern).groupindex
    except (re.error, RecursionError, OverflowError) as error:
        yield (*at, "pattern"), f"is no regular expression: {' '.join(str(error).split())}; correct it"
        return
    if "value" not in groups:
        yield (*at, "pattern"), "has no group named value; mark the number with (?P<value>...)"
    if "unit" in groups and not sensor.get("units"):
        yield (*at, "units"), "is missing; say by what each unit is multiplied, as in { mm = 1.0, cm = 10.0 }"
    if "unit" not in groups and sensor.get("units"):
        yield (*at, "pattern"), "has no group named unit; mark it with (?P<unit>...), or leave units out"
    if "check" not in groups and sensor.get("checksum", "none") != "none":
        yield (*at, "pattern"), "has no group named check; mark the checksum with (?P<check>..)"
    if "check" in groups and sensor.get("checksum", "none") == "none":
        yield (*at, "checksum"), "is not named; write 'xor' or 'sum' as the manual of the transmitter says"


def _loop(sensor: Raw, at: Location) -> Found:
    loop = sensor.get("loop")
    ends = [_number(loop, key) for key in ("at_4_ma", "at_20_ma")] if isinstance(loop, dict) else []
    if ends and None not in ends and ends[0] == ends[1]:
        yield (*at, "loop"), "4 mA and 20 mA stand for the same value; give the two ends of the range"
    if _number(sensor, "scale") == 0.0:
        yield (*at, "scale"), "0 makes every reading the same; give what one count stands for"


def _meter(bus: Raw, sensor: Raw, at: Location) -> Found:
    if sensor.get("signal") != "metered":
        if "meter" in sensor:
            yield (*at, "meter"), "is for signal 'metered' only; take it out, or correct the signal"
        return
    given = sensor.get("meter", {})
    meter = given if isinstance(given, dict) else {}
    flows = meter.get("kind", "counter") == "flow"
    if not flows and "loop" in sensor:
        yield (*at, "meter"), "a loop shows a flow, not a count; add kind = 'flow'"
    if flows and "wraps_at" in meter:
        yield (*at, "meter", "wraps_at"), "a flow does not run over; take it out, or write kind = 'counter'"
    if flows and bus.get("driver") == "gpio":
        yield (*at, "meter", "kind"), "a pin counts pulses; write kind = 'counter'"
    period_s = _number(bus, "period_s")
    if flows and period_s is not None and period_s > MOST_FLOW_PERIOD_S:
        yield (*at[:2], "period_s"), f"{period_s:g} s is too long to sum up a flow; use {MOST_FLOW_PERIOD_S:g} or less"


# ── by driver ──────────────────────────────────────────────────────────────────────────────────────────────


def _topic(sensor: Raw, at: Location) -> Found:
    topic = sensor.get("topic")
    if not isinstance(topic, str) or not topic:
        return
    if set("+#\0") & set(topic):
        yield (*at, "topic"), "+ and # stand for many topics; name the one of this sensor"
    elif len(topic.encode("utf-8", "replace")) > MOST_TOPIC_BYTES:
        yield (*at, "topic"), f"is longer than MQTT allows, {MOST_TOPIC_BYTES} bytes"


def _pointers(sensor: Raw, at: Location) -> Found:
    for key in ("pointer", "time_pointer"):
        pointer = sensor.get(key)
        wrong = pointer_fault(pointer) if isinstance(pointer, str) else None
        if wrong:
            yield (*at, key), f"{shown(pointer)} is no JSON pointer: it {wrong}"


def pointer_fault(text: str) -> str | None:
    """What is wrong with a pointer, if anything."""
    if _POINTER.fullmatch(text):
        return None
    return "begins with /, as in /level/mm" if not text.startswith("/") else "has a ~ that is neither ~0 nor ~1"


def _own_topic(sensor: Raw, at: Location, own_topics: str) -> Found:
    if own_topics and str(sensor.get("topic", "")).startswith(own_topics):
        yield (*at, "topic"), "is published by this site itself; name the topic of the sensor"


def _range(sensor: Raw, at: Location) -> Found:
    range_v, shunt = _number(sensor, "range_v"), _number(sensor, "shunt_ohm")
    if range_v is not None and range_v not in RANGES_V:
        known = ", ".join(f"{v:g}" for v in RANGES_V)
        yield (*at, "range_v"), f"{range_v:g} V is no range of the converter; it has {known}"
        return
    if "loop" in sensor and "shunt_ohm" not in sensor:
        yield (*at, "shunt_ohm"), "is missing; give the resistor through which the loop's current is measured"
    most_v = LOOP_MOST_MA * (shunt or 0.0) / OHM_TIMES_MA_PER_V
    if "loop" in sensor and most_v >= (range_v or 4.096):
        text = f"{LOOP_MOST_MA:g} mA through {shunt:g} ohm is {most_v:.2f} V, beyond the range; use a wider range_v"
        yield (*at, "range_v"), text


def _contact(sensor: Raw, at: Location) -> Found:
    if sensor.get("signal") in ("level", "temperature", "brix"):
        yield (*at, "signal"), "a pin is on or off: it can be running or metered"


_OF_DRIVER = {"mqtt": (_topic, _pointers), "i2c_adc": (_range,), "gpio": (_contact,)}
