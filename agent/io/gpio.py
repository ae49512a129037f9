"""Contacts on the Pi's own pins: `running` is a state that is looked at, `metered` pulses that the kernel counts."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager

from agent.io.bus import Emit, PortGone, Turns, in_unit, tell
from agent.io.pins import NoPin, contact
from agent.site_buses import GpioBus, GpioSensor

MS_PER_S = 1000.0


class GpioDriver:
    """A `Driver` for a gpio bus."""

    def __init__(self, bus: GpioBus) -> None:
        self._bus = bus
        self._turns = Turns(bus.period_s)
        self._pulses = {sensor.pin: 0 for sensor in bus.sensor}  # they outlast a port that was closed and opened again

    @contextmanager
    def open(self) -> Iterator[dict[int, Callable[[], float]]]:
        """See Driver. The port is a question to every pin."""
        with ExitStack() as stack:
            try:
                yield {sensor.pin: self._claim(sensor, stack) for sensor in self._bus.sensor}
            except NoPin as error:
                raise PortGone(f"pins: {error}") from error

    def turn(self, port: dict[int, Callable[[], float]], emit: Emit, stopping: Callable[[], bool]) -> None:
        """See Driver."""
        self._turns.wait(stopping)
        self._turns.due()
        for sensor in self._bus.sensor if not stopping() else ():
            tell(emit, sensor, in_unit(port[sensor.pin](), sensor))

    def _claim(self, sensor: GpioSensor, stack: ExitStack) -> Callable[[], float]:
        counts, before = sensor.signal == "metered", self._pulses[sensor.pin]
        pin = contact(sensor.pin, sensor.pull, sensor.active == "low", sensor.debounce_ms / MS_PER_S, counts)
        stack.callback(pin.release)
        return lambda: self._count(sensor.pin, before + pin.edges()) if counts else float(pin.is_active())

    def _count(self, pin: int, pulses: int) -> float:
        self._pulses[pin] = pulses
        return float(pulses)
