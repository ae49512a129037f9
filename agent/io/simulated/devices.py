"""The instruments at Harrow Lane, each at the far end of a real pseudo-terminal.

lathe-1            a level transmitter that talks by itself: "L1 LEVEL 0168.4 MM\\r\\n", twice a second
mill-1, mill-2     Modbus RTU, units 1 and 2: input register 0 = level in 0.1 mm, 1 = temperature in 0.1 °C
mill-2             Modbus RTU, unit 3, an inline refractometer: input registers 0-1 = Brix as a 32-bit float,
                   discrete input 0 = the fluid pump's contact
grinder-1          Modbus RTU on a line of its own, unit 1, a 4-20 mA converter: input register 0 = loop current
                   in 0.001 mA, discrete input 0 = the fluid pump's contact. 4 mA = 0 mm, 20 mA = 600 mm
"""

from __future__ import annotations

import asyncio
import os
import struct
import threading
import tty
from collections.abc import Callable
from pathlib import Path

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from agent.io.simulated.plant import Plant

LOOP_SPAN_MM = 600.0
LINE_EVERY_S = 0.5
PUMP_BYTES = 4096
BAUD = 19200

Registers = Callable[[], list[int]]
Bits = Callable[[], bool]


class Terminal:
    """A pseudo-terminal that is reached at a fixed path, the way a USB serial adapter is at its by-id name."""

    def __init__(self, path: Path) -> None:
        self.fd, slave = os.openpty()
        tty.setraw(slave)
        self._slave = slave  # kept open, or reading the master fails whenever nobody has the port open
        self.path = path
        path.unlink(missing_ok=True)
        path.symlink_to(os.ttyname(slave))

    def close(self) -> None:
        """Take the port away, as pulling the plug does."""
        self.path.unlink(missing_ok=True)
        os.close(self._slave)
        os.close(self.fd)


def modbus_word(value: float, per_count: float) -> int:
    """A signed quantity as the 16 bits of a register."""
    counts = max(-32768, min(32767, round(value / per_count)))
    return counts & 0xFFFF


def float_words(value: float) -> list[int]:
    """A 32-bit float as two registers, the high word first."""
    high, low = struct.unpack(">HH", struct.pack(">f", value))
    return [high, low]


def loop_milliamperes(height_mm: float) -> float:
    """What a 4-20 mA transmitter with our span drives: 3.8 and 20.5 mA are its ends."""
    return min(20.5, max(3.8, 4.0 + 16.0 * height_mm / LOOP_SPAN_MM))


def slave_device(unit: int, registers: Registers, contact: Bits | None = None) -> SimDevice:
    """A Modbus device whose input registers (and first discrete input) are measured anew at every question."""
    count = len(registers())

    async def measure(
        function_code: int, _start: int, _address: int, _count: int, current: list[int], _set: object
    ) -> ExcCodes | None:
        if function_code == 4:
            current[:count] = registers()
        elif function_code == 2:
            current[0] = int(contact()) if contact else 0
        return None

    unused = [SimData(0, values=0, datatype=DataType.REGISTERS)]
    bits = [SimData(0, count=16, values=False, datatype=DataType.BITS)]
    inputs = [SimData(0, count=count, values=0, datatype=DataType.REGISTERS)]
    return SimDevice(unit, (list(bits), list(bits), unused, inputs), action=measure)


def mill_devices(plant: Plant) -> list[SimDevice]:
    """The two level transmitters and the refractometer on the mills' line."""

    def level(sump: str) -> Registers:
        return lambda: [modbus_word(plant.level_raw(sump), 0.1), modbus_word(plant.temperature_c(sump), 0.1)]

    return [
        slave_device(1, level("mill-1"), lambda: plant.running("mill-1")),
        slave_device(2, level("mill-2")),
        slave_device(3, lambda: float_words(plant.inline_brix("mill-2")), lambda: plant.running("mill-2")),
    ]


def grinder_devices(plant: Plant) -> list[SimDevice]:
    """The current-loop converter at the grinder."""

    def current() -> list[int]:
        return [modbus_word(loop_milliamperes(plant.level_raw("grinder-1")), 0.001)]

    return [slave_device(1, current, lambda: plant.running("grinder-1"))]


class AsciiTransmitter(threading.Thread):
    """Writes a level line to its port again and again; what nobody reads is lost, as on a wire."""

    def __init__(self, plant: Plant, sump: str, terminal: Terminal) -> None:
        super().__init__(name=f"ascii {sump}", daemon=True)
        self._plant, self._sump, self._terminal = plant, sump, terminal
        self._ended = threading.Event()
        os.set_blocking(terminal.fd, False)

    def run(self) -> None:
        """Until ended."""
        while not self._ended.wait(LINE_EVERY_S):
            line = f"L1 LEVEL {self._plant.level_raw(self._sump):06.1f} MM\r\n".encode("ascii")
            try:
                os.write(self._terminal.fd, line)
            except BlockingIOError:
                continue

    def end(self) -> None:
        """Stop writing."""
        self._ended.set()


class ModbusLine(threading.Thread):
    """A Modbus RTU server of pymodbus behind a port.

    The server wants a path to open, and a pseudo-terminal's master has none: so the agent's terminal and the
    server's are joined back to back, like two adapters with their wires crossed.
    """

    def __init__(self, name: str, devices: list[SimDevice], terminal: Terminal, private: Terminal) -> None:
        super().__init__(name=f"modbus {name}", daemon=True)
        self._devices, self._far, self._near = devices, terminal, private
        self._loop = asyncio.new_event_loop()
        self._server: ModbusSerialServer | None = None
        self.serving = threading.Event()

    def run(self) -> None:
        """Serve until ended."""
        asyncio.set_event_loop(self._loop)
        self._loop.run_until_complete(self._serve())

    async def _serve(self) -> None:
        for source, sink in ((self._far.fd, self._near.fd), (self._near.fd, self._far.fd)):
            os.set_blocking(source, False)
            self._loop.add_reader(source, _carry, source, sink)
        self._server = ModbusSerialServer(self._devices, port=str(self._near.path), baudrate=BAUD)
        await self._server.serve_forever(background=True)
        self.serving.set()
        await self._server.serving

    def end(self) -> None:
        """Shut the server down."""
        if self._server is not None:
            asyncio.run_coroutine_threadsafe(self._server.shutdown(), self._loop).result(timeout=2.0)
        self.join(timeout=2.0)


def _carry(source: int, sink: int) -> None:
    try:
        os.write(sink, os.read(source, PUMP_BYTES))
    except BlockingIOError:
        return


class Instruments:
    """All of Harrow Lane's instruments, their ports under `directory`."""

    def __init__(self, plant: Plant, directory: Path) -> None:
        directory.mkdir(parents=True, exist_ok=True)
        names = ("lathe-1", "mills", "grinder-1", ".mills-far", ".grinder-1-far")
        self._ports = {name: Terminal(directory / name) for name in names}
        self._lines = [
            ModbusLine("mills", mill_devices(plant), self._ports["mills"], self._ports[".mills-far"]),
            ModbusLine("grinder-1", grinder_devices(plant), self._ports["grinder-1"], self._ports[".grinder-1-far"]),
        ]
        self._transmitter = AsciiTransmitter(plant, "lathe-1", self._ports["lathe-1"])

    def start(self, timeout_s: float = 5.0) -> None:
        """Start them all; raises TimeoutError when a server does not come up."""
        for thread in (*self._lines, self._transmitter):
            thread.start()
        for line in self._lines:
            if not line.serving.wait(timeout_s):
                raise TimeoutError(f"{line.name}: the server did not start")

    def end(self) -> None:
        """Stop them and take their ports away."""
        self._transmitter.end()
        self._transmitter.join(timeout=2.0)
        for line in self._lines:
            line.end()
        for port in self._ports.values():
            port.close()
