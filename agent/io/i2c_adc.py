"""16-bit delta-sigma converters on the I²C bus: one conversion a question, read back with its settings."""

from __future__ import annotations

import errno
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Protocol

from smbus2 import SMBus

from agent.io.bus import Emit, PortGone, Turns, in_unit, tell
from agent.site_buses import I2cAdcBus, I2cSensor
from agent.wire.delta_sigma import CONFIG, CONVERSION, is_done, same_settings, start_word, volts
from agent.wire.outcomes import Fault

LOOK_AGAIN_S = 0.002
MA_PER_A = 1000.0
NOT_THERE = {errno.ENXIO, errno.EREMOTEIO, errno.EIO, errno.ETIMEDOUT, errno.EAGAIN}  # one chip's silence


class Registers(Protocol):
    """What is used of an I²C bus. Raises OSError."""

    def write_i2c_block_data(self, i2c_addr: int, register: int, data: list[int]) -> None:
        """Register number, then bytes."""

    def read_i2c_block_data(self, i2c_addr: int, register: int, length: int) -> list[int]:
        """Register number, then that many bytes back."""

    def close(self) -> None:
        """Let go of it."""


class I2cAdcDriver:
    """A `Driver` for an i2c_adc bus."""

    def __init__(self, bus: I2cAdcBus, make: Callable[[str], Registers] = SMBus) -> None:
        self._bus, self._make = bus, make
        self._turns = Turns(bus.period_s)

    @contextmanager
    def open(self) -> Iterator[Registers]:
        """See Driver."""
        try:
            chips = self._make(self._bus.port)
        except OSError as error:
            raise PortGone(f"{self._bus.port}: {error.strerror or error}") from error
        try:
            yield chips
        finally:
            chips.close()

    def turn(self, port: Registers, emit: Emit, stopping: Callable[[], bool]) -> None:
        """See Driver."""
        self._turns.wait(stopping)
        self._turns.due()
        for sensor in self._bus.sensor:
            if stopping():
                return
            tell(emit, sensor, in_unit(self._measured(port, sensor, stopping), sensor))

    def _measured(self, chips: Registers, sensor: I2cSensor, stopping: Callable[[], bool]) -> float | Fault:
        """Volts, or mA where a shunt is named."""
        try:
            found = self._convert(chips, sensor, stopping)
        except OSError as error:
            if error.errno not in NOT_THERE:
                raise PortGone(f"{self._bus.port}: {error.strerror or error}") from error
            return Fault(f"no answer from address {sensor.address:#04x}: is it wired and supplied?")
        if isinstance(found, Fault) or sensor.shunt_ohm is None:
            return found
        return MA_PER_A * found / sensor.shunt_ohm

    def _convert(self, chips: Registers, sensor: I2cSensor, stopping: Callable[[], bool]) -> float | Fault:
        started = start_word(sensor.input, sensor.range_v, sensor.rate_sps)
        chips.write_i2c_block_data(sensor.address, CONFIG, list(started.to_bytes(2, "big")))
        end = time.monotonic() + self._bus.timeout_s
        while not is_done(config := _word(chips, sensor.address, CONFIG)):
            if time.monotonic() > end or stopping():
                return Fault("the conversion did not end in time")
            time.sleep(LOOK_AGAIN_S)
        if not same_settings(config, started):
            return Fault("the converter has other settings than it was given: reset, or used by another program")
        return volts(_word(chips, sensor.address, CONVERSION), sensor.range_v)


def _word(chips: Registers, address: int, register: int) -> int:
    high, low = chips.read_i2c_block_data(address, register, 2)
    return high << 8 | low
