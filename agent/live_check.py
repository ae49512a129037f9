"""`sumpside check --live`: every sensor is read a few times through its own driver, and what is odd is said.

A fault is what no sound sensor shows (silence, a place outside the level curve, the end of a range, an impossible
temperature); an oddity is what a sound one may show, and a broken one does (the very same figure each time).
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from agent.core.spec import SumpSpec
from agent.io.bus import BusThread, label
from agent.io.clock import Clock
from agent.io.drivers import DriverLacks, thread_for
from agent.site import Site
from agent.site_buses import AnyBus, ModbusSensor, Sensor

LOOKS: Final = 5  # readings of each sensor: enough to see whether it moves
LOOK_S: Final = 0.1
STOP_S: Final = 1.5
TEMPERATURE_C: Final = (-5.0, 60.0)  # of a cutting fluid; beyond, the unit or the scale is another
BRIX: Final = (0.0, 40.0)
SCALES: Final = ((0.1, "tenths"), (0.01, "hundredths"), (10.0, "cm instead of mm"), (25.4, "inches instead of mm"))
REGISTER_ENDS: Final = {"uint16": (65_535,), "int16": (-32_768, 32_767), "uint32": (2**32 - 1,)}


@dataclass(frozen=True, slots=True)
class Found:
    """What one sensor showed: words for a person, and where it stands in the site file."""

    where: str
    text: str
    is_fault: bool = False
    is_odd: bool = False


class _Watched(BusThread):
    """A bus that remembers what its sensors gave, in their own unit."""

    def __init__(self, bus: AnyBus, driver: object, clock: Clock) -> None:
        super().__init__(bus, driver, clock)  # type: ignore[arg-type]
        self.values: dict[str, list[float]] = {label(sensor): [] for sensor in bus.sensor}
        self.last_wrong: dict[str, str] = {}

    def reading(self, sensor: Sensor, value: float) -> None:
        """See Emit."""
        self.values[label(sensor)].append(value)
        super().reading(sensor, value)

    def fault(self, sensor: Sensor | None, text: str) -> None:
        """See Emit."""
        for one in [sensor] if sensor is not None else self.bus.sensor:
            self.last_wrong[label(one)] = text
        super().fault(sensor, text)

    def has_all(self) -> bool:
        """Whether every sensor was looked at often enough."""
        return all(len(values) >= LOOKS for values in self.values.values())


def look(site: Site, seconds: float, tell: Callable[[str], None]) -> Iterator[Found]:
    """Read all sensors for at most `seconds`, all buses at once; what each of them showed, in the file's order."""
    threads = [(bus, _begun(site, bus)) for bus in site.bus]
    running = [thread for _, thread in threads if isinstance(thread, _Watched)]
    tell(f"reading {sum(len(bus.sensor) for bus in site.bus)} sensors for at most {seconds:g} s")
    end = time.monotonic() + seconds
    while time.monotonic() < end and not all(thread.has_all() or thread.failed for thread in running):
        time.sleep(LOOK_S)
    for thread in running:
        thread.stop()
    for thread in running:
        thread.join(STOP_S)
    sumps = site.spec().sumps
    for bus, begun in threads:
        yield from _of_bus(bus, begun, sumps)


def _begun(site: Site, bus: AnyBus) -> _Watched | DriverLacks:
    try:
        thread = thread_for(bus, Clock(), site.resolve, _Watched)
    except DriverLacks as lacks:
        return lacks
    assert isinstance(thread, _Watched)
    thread.start()
    return thread


def _of_bus(bus: AnyBus, thread: _Watched | DriverLacks, sumps: dict[str, SumpSpec]) -> Iterator[Found]:
    place = f"bus[{bus.id}]"
    if isinstance(thread, DriverLacks):
        yield Found(place, str(thread), is_fault=True)
        return
    if thread.health.openings == 0:
        held = "; does the agent run? end it first" if "lock" in thread.health.text.lower() else ""
        yield Found(place, f"cannot be opened: {thread.health.text}{held}", is_fault=True)
        return
    for s, sensor in enumerate(bus.sensor):
        where = f"{place}.sensor[{s}]"
        wrong = thread.last_wrong.get(label(sensor)) or thread.health.text
        yield from judged(where, sensor, thread.values[label(sensor)], wrong, sumps)


def judged(where: str, sensor: Sensor, values: list[float], wrong: str, sumps: dict[str, SumpSpec]) -> Iterator[Found]:
    """What the readings of one sensor (in its own unit) say; `wrong`: what was told last where there are none."""
    name = label(sensor)
    if not values:
        yield Found(where, f"{name} gives no reading: {wrong}", is_fault=True)
        return
    newest = values[-1]
    fault = _end_fault(sensor, values) or _range_fault(sensor, newest, sumps.get(sensor.sump))
    if fault:
        yield Found(where, f"{name} reads {newest:g}: {fault}", is_fault=True)
        return
    yield Found(where, f"{name} reads {newest:g}{_meaning(sensor, newest, sumps.get(sensor.sump))}")
    if len(values) >= LOOKS and len(set(values)) == 1 and sensor.signal in ("level", "temperature", "brix"):
        text = f"{name} gave {newest:g} {len(values)} times: right for a still tank, and what a stuck sensor shows"
        yield Found(where, text, is_odd=True)


def _meaning(sensor: Sensor, value: float, sump: SumpSpec | None) -> str:
    if sensor.signal == "level" and sump is not None:
        return f": {sump.curve.litres_at(value):.1f} L"
    if sensor.signal == "running":
        return ": it runs" if value else ": it stands"
    return {"temperature": " °C", "brix": " Brix"}.get(sensor.signal, "")


def _end_fault(sensor: Sensor, values: list[float]) -> str | None:
    """The end of a register is no measurement."""
    if not isinstance(sensor, ModbusSensor) or sensor.loop is not None or sensor.function in ("discrete", "coil"):
        return None
    for end in REGISTER_ENDS.get(sensor.type, ()):
        if all(abs(value - (end * sensor.scale + sensor.offset)) < abs(sensor.scale) / 2.0 for value in values):
            return f"the end of the register ({end}), which is no measurement; the transmitter has none, or clips"
    return None


def _range_fault(sensor: Sensor, value: float, sump: SumpSpec | None) -> str | None:
    if sensor.signal == "level" and sump is not None:
        return _curve_fault(value, sump)
    if sensor.signal == "temperature" and not TEMPERATURE_C[0] <= value <= TEMPERATURE_C[1]:
        if TEMPERATURE_C[0] <= (value - 32.0) / 1.8 <= TEMPERATURE_C[1]:
            return "no temperature of a fluid in °C; in °F? scale = 0.5556, offset = -17.78"
        return "no temperature of a fluid in °C; see to scale" + _hint(value, *TEMPERATURE_C)
    if sensor.signal == "brix" and not BRIX[0] <= value <= BRIX[1]:
        return "no strength in Brix; see to scale" + _hint(value, *BRIX)
    if sensor.signal == "running" and value not in (0.0, 1.0):
        return "neither 0 nor 1; it counts as running wherever it is not 0"
    return None


def _curve_fault(value: float, sump: SumpSpec) -> str | None:
    low, high = sump.curve.raw[0], sump.curve.raw[-1]
    if low < value < high:
        return None
    if value in (low, high):
        return "an end of the level curve, which is no measurement"
    return f"outside the level curve, {low:g} to {high:g}; see to scale, offset and curve" + _hint(value, low, high)


def _hint(value: float, low: float, high: float) -> str:
    """The usual slips of scale that would bring it inside."""
    fitting = [f"{times:g} ({name})" for times, name in SCALES if low < value * times < high]
    return f"; a scale {' or '.join(fitting)} times as large would fit" if fitting else ""
