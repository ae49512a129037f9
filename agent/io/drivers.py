"""The one list of drivers. Each is imported only where a site uses it: what it needs may be absent elsewhere."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from agent.errors import SumpsideError
from agent.io.bus import BusThread, Driver
from agent.io.clock import Clock
from agent.site_buses import AnyBus, AsciiLineBus, GpioBus, I2cAdcBus, ModbusRtuBus, ModbusTcpBus, MqttBus

EXTRAS = {"smbus2": "i2c", "gpiod": "gpio"}  # package → the extra of ours that brings it


class DriverLacks(SumpsideError):
    """A package that a bus needs is not installed."""


def thread_for(
    bus: AnyBus, clock: Clock, resolve: Callable[[str], Path], kind: type[BusThread] = BusThread
) -> BusThread:
    """A bus, not started yet. `resolve` makes a path of the site file whole. Raises DriverLacks."""
    try:
        return kind(bus, _driver(bus, clock, resolve), clock)
    except ModuleNotFoundError as lack:
        extra = EXTRAS.get(lack.name or "")
        if extra is None:
            raise
        text = f"bus[{bus.id}]: driver {bus.driver} needs {lack.name}: pip install 'sumpside[{extra}]'"
        raise DriverLacks(text) from lack


def _driver(bus: AnyBus, clock: Clock, resolve: Callable[[str], Path]) -> Driver:
    match bus:
        case AsciiLineBus():
            from agent.io.ascii_bus import AsciiDriver

            return AsciiDriver(bus)
        case ModbusRtuBus():
            from agent.io.modbus import ModbusDriver

            return ModbusDriver(bus)
        case ModbusTcpBus():
            from agent.io.modbus_tcp import ModbusTcpDriver

            return ModbusTcpDriver(bus)
        case MqttBus():
            from agent.io.mqtt_bus import MqttDriver

            return MqttDriver(bus, clock, resolve)
        case I2cAdcBus():
            from agent.io.i2c_adc import I2cAdcDriver

            return I2cAdcDriver(bus)
        case GpioBus():
            from agent.io.gpio import GpioDriver

            return GpioDriver(bus)
