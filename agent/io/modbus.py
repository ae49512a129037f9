"""Modbus RTU through pymodbus, under an outer deadline of our own: a transaction that overruns costs its port.

RTU answers carry no number: a late one looks like the answer to the next question. So the line is drained before
asking, its silence waited out after a miss, and a unit that missed is not asked again in the same turn.
"""

from __future__ import annotations

import logging
import struct
import time
from collections.abc import Callable
from typing import Any, Final

import serial
from pymodbus import FramerType, ModbusException
from pymodbus.client import ModbusSerialClient
from pymodbus.pdu import ModbusPDU

from agent.errors import WireError
from agent.io.serial_bus import Emit, PortGone, Turns, drain, port_faults
from agent.site import ModbusRtuBus, ModbusSensor
from agent.wire.current_loop import raw_at
from agent.wire.outcomes import Fault
from agent.wire.registers import number, words_of

OVERRUN = 1.5  # of timeout_s: the library gives up at 1; whatever still runs then is running away
QUIET_CHARACTERS = 3.5  # ends a frame (Modbus over serial line 1.02, section 2.5.1.1)
QUIET_LEAST_S = 0.004  # finer than this a USB adapter does not tell
BITS_A_CHARACTER = 11
EXCEPTIONS: Final = {
    1: "it does not know this function",
    2: "it has no such register",
    3: "it refuses the question's form",
    4: "it has failed",
    6: "it is busy",
    11: "no answer behind the gateway",
}
_READERS: Final = {
    "input": ("read_input_registers", 4),
    "holding": ("read_holding_registers", 3),
    "discrete": ("read_discrete_inputs", 2),
    "coil": ("read_coils", 1),
}
# What the library's decoders raise on frames whose checksum fits by chance, besides its own exceptions.
DECODING_ERRORS = (ModbusException, struct.error, IndexError, ValueError, KeyError, TypeError)

logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)  # an unplugged sensor would fill the system's log


class _Missed(WireError):
    """No answer to the question came in time; one may still come."""


class DeadlinePort:
    """The serial port as pymodbus uses it; past the deadline every touch raises, so no loop over it can hang."""

    def __init__(self, port: serial.Serial) -> None:
        self._port = port
        self.deadline = float("inf")
        self.stopping: Callable[[], bool] = lambda: False

    @property
    def in_waiting(self) -> int:
        """Bytes that can be read."""
        self._check()
        return int(self._port.in_waiting)

    def read(self, size: int) -> bytes:
        """Up to `size` bytes."""
        self._check()
        return bytes(self._port.read(size))

    def write(self, data: bytes) -> int:
        """Send a request."""
        self._check()
        return int(self._port.write(data) or 0)

    @property
    def is_open(self) -> bool:
        """For the library."""
        return bool(self._port.is_open)

    def close(self) -> None:
        """The library closes what fails; the bus opens it anew."""
        self._port.close()

    def _check(self) -> None:
        if time.monotonic() > self.deadline:
            raise serial.SerialException("a transaction ran past its deadline: does the line babble?")
        if self.stopping():
            raise serial.SerialException("stopping")


class ModbusDriver:
    """A `Driver` for a modbus_rtu bus."""

    def __init__(self, bus: ModbusRtuBus) -> None:
        self._bus = bus
        self._turns = Turns(bus.period_s)
        self._quiet_s = max(QUIET_LEAST_S, QUIET_CHARACTERS * BITS_A_CHARACTER / bus.baud)
        self._client = ModbusSerialClient(
            bus.port, framer=FramerType.RTU, baudrate=bus.baud, timeout=bus.timeout_s, retries=0
        )

    def begin(self, port: serial.Serial) -> None:
        """See Driver."""
        self._client.socket = DeadlinePort(port)  # type: ignore[assignment]

    def end(self) -> None:
        """See Driver."""
        self._client.socket = None

    def turn(self, port: serial.Serial, emit: Emit, stopping: Callable[[], bool]) -> None:
        """See Driver."""
        self._turns.wait(stopping)
        self._turns.due()
        missed: set[int] = set()
        for sensor in self._bus.sensor:
            if stopping():
                return
            if sensor.unit in missed:
                emit.fault(sensor, "not asked: its unit has just missed an answer")
                continue
            try:
                emit.reading(sensor, self._read(port, sensor, stopping))
            except PortGone:
                raise
            except WireError as error:
                emit.fault(sensor, str(error))
                if isinstance(error, _Missed):
                    missed.add(sensor.unit)
                    self._wait_out(port)

    def _read(self, port: serial.Serial, sensor: ModbusSensor, stopping: Callable[[], bool]) -> float:
        with port_faults(self._bus.port):
            drain(port, self._quiet_s, self._bus.timeout_s)
        try:
            response = self._transact(sensor, stopping)
        except DECODING_ERRORS as error:
            if self._client.socket is None:  # the library has closed it
                raise PortGone(f"{self._bus.port}: {error.__context__ or error}") from error
            raise _Missed("no answer that makes sense") from error
        return _value(_content(response, sensor), sensor)

    def _transact(self, sensor: ModbusSensor, stopping: Callable[[], bool]) -> ModbusPDU:
        guarded: Any = self._client.socket
        guarded.stopping = stopping
        guarded.deadline = time.monotonic() + OVERRUN * self._bus.timeout_s
        ask = getattr(self._client, _READERS[sensor.function][0])
        with port_faults(self._bus.port):
            response: ModbusPDU = ask(sensor.address, count=_count(sensor), device_id=sensor.unit)
        return response

    def _wait_out(self, port: serial.Serial) -> None:
        """Let a late answer come and go."""
        with port_faults(self._bus.port):
            drain(port, self._bus.timeout_s, 2 * self._bus.timeout_s)


def _count(sensor: ModbusSensor) -> int:
    return words_of(sensor.type) if sensor.function in ("input", "holding") else 1


def _content(response: ModbusPDU, sensor: ModbusSensor) -> list[int]:
    """The registers or bits asked for. Raises WireError for an exception, or the answer to another question."""
    if response.isError():
        code = int(getattr(response, "exception_code", 0))
        raise WireError(f"unit {sensor.unit} answers with exception {code}: {EXCEPTIONS.get(code, 'no more is said')}")
    if response.function_code != _READERS[sensor.function][1] or response.dev_id != sensor.unit:
        raise _Missed("the answer to another question")
    if sensor.function in ("input", "holding"):
        return list(response.registers)
    return [int(bit) for bit in response.bits[:1]]


def _value(content: list[int], sensor: ModbusSensor) -> float:
    """The reading in the sensor's unit, after scale and loop. Raises WireError."""
    wanted = sensor.function in ("input", "holding")
    outcome = number(content, sensor.type, sensor.word_order) if wanted else float(content[0])
    if not isinstance(outcome, Fault):
        outcome = outcome * sensor.scale + sensor.offset
        if sensor.loop is not None:
            outcome = raw_at(outcome, sensor.loop.at_4_ma, sensor.loop.at_20_ma)
    if isinstance(outcome, Fault):
        raise WireError(outcome.text)
    return outcome
