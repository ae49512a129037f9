"""Contacts on the Pi's own pins: `running` is a state that is looked at, `metered` pulses that are counted."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager

from gpiozero import DigitalInputDevice
from gpiozero.exc import GPIOZeroError

from agent.io.bus import Emit, PortGone, Turns, in_unit, tell
from agent.site_buses import GpioBus, GpioSensor

MS_PER_S = 1000.0


class Pulses:
    """A count that the pins' own threads raise."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._count = 0

    def add(self) -> None:
        """One more."""
        with self._lock:
            self._count += 1

    @property
    def count(self) -> int:
        """So far; it outlasts a port that was closed and opened again."""
        return self._count


class GpioDriver:
    """A `Driver` for a gpio bus."""

    def __init__(self, bus: GpioBus) -> None:
        self._bus = bus
        self._turns = Turns(bus.period_s)
        self._pulses = {sensor.pin: Pulses() for sensor in bus.sensor}

    @contextmanager
    def open(self) -> Iterator[dict[int, DigitalInputDevice]]:
        """See Driver. The port is the input of every pin."""
        with ExitStack() as stack:
            try:
                inputs = {sensor.pin: stack.enter_context(_input(sensor)) for sensor in self._bus.sensor}
            except (GPIOZeroError, OSError) as error:
                raise PortGone(f"pins: {error}") from error
            for sensor in self._bus.sensor:
                if sensor.signal == "metered":
                    _on_active(inputs[sensor.pin], sensor, self._pulses[sensor.pin].add)
            yield inputs

    def turn(self, port: dict[int, DigitalInputDevice], emit: Emit, stopping: Callable[[], bool]) -> None:
        """See Driver."""
        self._turns.wait(stopping)
        self._turns.due()
        for sensor in self._bus.sensor if not stopping() else ():
            if sensor.signal == "metered":
                found = float(self._pulses[sensor.pin].count)
            else:
                found = float(bool(port[sensor.pin].is_active) == _as_wired(sensor))
            tell(emit, sensor, in_unit(found, sensor))


def _input(sensor: GpioSensor) -> DigitalInputDevice:
    pull_up = {"up": True, "down": False, "none": None}[sensor.pull]
    active = sensor.active == "high" if pull_up is None else None  # with a pull, the library takes its opposite
    return DigitalInputDevice(
        sensor.pin, pull_up=pull_up, active_state=active, bounce_time=sensor.debounce_ms / MS_PER_S or None
    )


def _as_wired(sensor: GpioSensor) -> bool:
    """Whether the library's idea of active is the site file's."""
    return sensor.pull == "none" or (sensor.pull == "up") == (sensor.active == "low")


def _on_active(device: DigitalInputDevice, sensor: GpioSensor, call: Callable[[], None]) -> None:
    if _as_wired(sensor):
        device.when_activated = call
    else:
        device.when_deactivated = call
