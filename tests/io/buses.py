"""Buses for tests, as a site file would describe them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from agent.io.bus import BusThread, Driver
from agent.io.clock import Clock
from agent.io.drivers import thread_for
from agent.io.intake import Reading
from agent.site_buses import AnyBus, AsciiLineBus, ModbusRtuBus


def ascii_bus(path: Path, *sensors: dict[str, Any], **settings: Any) -> AsciiLineBus:
    """An ascii_line bus; each sensor gets lathe-1's level and a pattern `L <number> MM` unless it says otherwise."""
    default = {"sump": "lathe-1", "signal": "level", "pattern": r"L (?P<value>[-+]?\d+\.\d) MM"}
    table = {"id": "line", "driver": "ascii_line", "port": str(path), "period_s": 0.05, "timeout_s": 0.2}
    return AsciiLineBus(**{**table, **settings, "sensor": [{**default, **s} for s in sensors or ({},)]})


def modbus_bus(path: Path, *sensors: dict[str, Any], **settings: Any) -> ModbusRtuBus:
    """A modbus_rtu bus; each sensor gets mill-1's level in input register 0 of unit 1 unless it says otherwise."""
    default = {"sump": "mill-1", "signal": "level", "unit": 1, "register": 0}
    table = {"id": "rs485", "driver": "modbus_rtu", "port": str(path), "baud": 19200}
    pace = {"period_s": 0.05, "timeout_s": 0.2}
    return ModbusRtuBus(**{**table, **pace, **settings, "sensor": [{**default, **s} for s in sensors or ({},)]})


class Listener:
    """A running bus and everything it has delivered."""

    def __init__(self, bus: AnyBus, driver: Driver | None = None) -> None:
        self.bus = BusThread(bus, driver, Clock()) if driver else thread_for(bus, Clock(), Path)
        self._readings: list[Reading] = []

    @property
    def readings(self) -> list[Reading]:
        """All readings so far."""
        self._readings += self.bus.intake.take()
        return self._readings

    def values(self, signal: str = "level", sump: str | None = None) -> list[float]:
        """The numbers of one signal so far."""
        return [r.value for r in self.readings if r.signal == signal and sump in (None, r.sump)]

    @property
    def text(self) -> str:
        """What the bus says of itself."""
        return str(self.bus.status()["text"])


@contextmanager
def listening(bus: AnyBus, driver: Driver | None = None) -> Iterator[Listener]:
    """Run the bus for the body of a test; its thread must end, and not by a bug."""
    listener = Listener(bus, driver)
    listener.bus.start()
    try:
        yield listener
    finally:
        listener.bus.stop()
        assert listener.bus.join(3.0), "the bus did not stop"
    assert listener.bus.failed is None
