"""Serial lines for tests: real pseudo-terminals that can be unplugged, and slaves that are none of ours."""

from __future__ import annotations

import ctypes
import os
import select
import threading
import time
import tty
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

WAIT_S = 10.0  # a condition that has not come true by then never will


def wait_for(condition: Callable[[], object], what: str, deadline_s: float = WAIT_S) -> None:
    """Wait until it is true; fails with `what` at the deadline."""
    end = time.monotonic() + deadline_s
    while not condition():
        if time.monotonic() > end:
            raise AssertionError(f"waited {deadline_s} s for {what}")
        time.sleep(0.005)


class Plug:
    """A serial line under a lasting name, as udev's by-id links: `plug` makes it, `unplug` takes it away.

    The test holds the instrument's end (`fd`); the agent opens `path`.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.fd = -1
        self._held = -1
        self.plug()

    def plug(self) -> None:
        """The adapter is put in: a new terminal appears under the old name."""
        self.fd, self._held = os.openpty()
        tty.setraw(self._held)  # held open, so that the agent may come and go
        os.set_blocking(self.fd, False)
        self.path.symlink_to(os.ttyname(self._held))

    def unplug(self) -> None:
        """The adapter is pulled: the name goes, whoever has it open gets errors."""
        self.path.unlink(missing_ok=True)
        for fd in (self.fd, self._held):
            if fd >= 0:
                os.close(fd)
        self.fd = self._held = -1

    def send(self, data: bytes) -> None:
        """Bytes from the instrument; waits for room."""
        while data and self.fd >= 0:  # what is sent into a pulled plug is lost, as it is in life
            select.select([], [self.fd], [], WAIT_S)
            try:
                data = data[os.write(self.fd, data) :]
            except BlockingIOError:  # the terminal is fuller than it said
                time.sleep(0.001)

    def receive(self, count: int, deadline_s: float = WAIT_S) -> bytes:
        """At least `count` bytes from the agent."""
        got = b""
        end = time.monotonic() + deadline_s
        while len(got) < count:
            left = end - time.monotonic()
            if left <= 0:
                raise AssertionError(f"waited {deadline_s} s for {count} bytes, got {got!r}")
            if select.select([self.fd], [], [], left)[0]:
                got += os.read(self.fd, 4096)
        return got

    def discard(self) -> None:
        """Forget what the agent has sent so far."""
        while select.select([self.fd], [], [], 0)[0]:
            os.read(self.fd, 4096)


class Crossed(threading.Thread):
    """Joins two lines, so that two programs that each open a path can talk; what passes can be garbled."""

    def __init__(self, one: Plug, other: Plug) -> None:
        super().__init__(daemon=True)
        self._one, self._other = one, other
        self.garble: Callable[[bytes], bytes] = lambda data: data  # on the way from other to one
        self._ended = False

    def run(self) -> None:
        """Carry bytes both ways until ended."""
        while not self._ended:
            for fd in select.select([self._one.fd, self._other.fd], [], [], 0.05)[0]:
                data = os.read(fd, 4096)
                if fd == self._other.fd:
                    self._one.send(self.garble(data))
                else:
                    self._other.send(data)

    def end(self) -> None:
        """Stop carrying."""
        self._ended = True
        self.join(WAIT_S)


@dataclass(frozen=True, slots=True)
class Asked:
    """A question as a slave got it."""

    unit: int
    function: int
    address: int
    time: float  # epoch s


class RtuSlave(threading.Thread):
    """A Modbus RTU slave at the instrument's end of a plug, whatever is plugged there at the time.

    It answers in order, each question `delay_s()` after it came; every register holds the number of the question, so
    that a reading says which question it answers. Functions that are not in `knows` are passed over in silence.
    """

    def __init__(
        self,
        plug: Plug,
        delay_s: Callable[[], float] = lambda: 0.0,
        knows: tuple[int, ...] = (1, 2, 3, 4),
        units: tuple[int, ...] = (1,),
    ) -> None:
        super().__init__(daemon=True)
        self.questions: list[Asked] = []
        self.pull = threading.Event()  # set: the plug is about to be pulled, keep away from it
        self.away = threading.Event()
        self._plug, self._delay_s, self._knows, self._units = plug, delay_s, knows, units
        self._due: list[tuple[float, bytes]] = []
        self._ended = False

    def run(self) -> None:
        """Answer until ended."""
        data = b""
        while not self._ended:
            if self.pull.is_set():
                self.away.set()
                data, self._due = b"", []
                time.sleep(0.001)
                continue
            self.away.clear()
            data = self._read(data)
            while self._due and self._due[0][0] <= time.monotonic():
                self._plug.send(self._due.pop(0)[1])

    def end(self) -> None:
        """Stop answering."""
        self._ended = True
        self.join(WAIT_S)

    def _read(self, data: bytes) -> bytes:
        wait_s = min(max(self._due[0][0] - time.monotonic(), 0.0), 0.01) if self._due else 0.01
        if select.select([self._plug.fd], [], [], wait_s)[0]:
            data += os.read(self._plug.fd, 4096)
        while len(data) >= 8:
            frame = data[:8]
            if crc16(frame[:6]) != frame[6:]:
                data = data[1:]
                continue
            data = data[8:]
            if frame[0] in self._units and frame[1] in self._knows:
                self._take(Asked(frame[0], frame[1], int.from_bytes(frame[2:4], "big"), time.time()), frame[5])
        return data

    def _take(self, asked: Asked, count: int) -> None:
        self.questions.append(asked)
        size = 2 * count if asked.function in (3, 4) else 1
        content = ((len(self.questions) - 1) % 256**size).to_bytes(size, "big")
        head = bytes([asked.unit, asked.function, size]) + content
        after = max([time.monotonic() + self._delay_s(), *(due for due, _ in self._due)])
        self._due.append((after, head + crc16(head)))


class _Mapping(ctypes.Structure):
    _fields_ = [
        *[(f"nb_{name}", ctypes.c_int) for name in ("bits",)],
        ("start_bits", ctypes.c_int),
        ("nb_input_bits", ctypes.c_int),
        ("start_input_bits", ctypes.c_int),
        ("nb_input_registers", ctypes.c_int),
        ("start_input_registers", ctypes.c_int),
        ("nb_registers", ctypes.c_int),
        ("start_registers", ctypes.c_int),
        ("tab_bits", ctypes.POINTER(ctypes.c_uint8)),
        ("tab_input_bits", ctypes.POINTER(ctypes.c_uint8)),
        ("tab_input_registers", ctypes.POINTER(ctypes.c_uint16)),
        ("tab_registers", ctypes.POINTER(ctypes.c_uint16)),
    ]


class LibmodbusSlave(threading.Thread):
    """A Modbus RTU slave of libmodbus on a path: an implementation that shares no line with ours."""

    def __init__(self, path: Path, unit: int, baud: int = 19200) -> None:
        super().__init__(daemon=True)
        lib = ctypes.CDLL("libmodbus.so.5", use_errno=True)
        lib.modbus_new_rtu.restype = ctypes.c_void_p
        lib.modbus_mapping_new.restype = ctypes.POINTER(_Mapping)
        self._lib = lib
        self._context = ctypes.c_void_p(
            lib.modbus_new_rtu(str(path.resolve()).encode(), baud, ctypes.c_char(b"N"), 8, 1)
        )
        assert lib.modbus_set_slave(self._context, unit) == 0
        assert lib.modbus_connect(self._context) == 0, ctypes.get_errno()
        assert lib.modbus_set_indication_timeout(self._context, 0, 100_000) == 0
        self._mapping = lib.modbus_mapping_new(16, 16, 64, 64)
        self.questions = 0
        self._ended = False

    def set_input(self, register: int, *words: int) -> None:
        """Input registers from `register` on."""
        for i, word in enumerate(words):
            self._mapping.contents.tab_input_registers[register + i] = word

    def set_holding(self, register: int, *words: int) -> None:
        """Holding registers from `register` on."""
        for i, word in enumerate(words):
            self._mapping.contents.tab_registers[register + i] = word

    def set_discrete(self, number: int, value: bool) -> None:
        """A discrete input."""
        self._mapping.contents.tab_input_bits[number] = int(value)

    def set_coil(self, number: int, value: bool) -> None:
        """A coil."""
        self._mapping.contents.tab_bits[number] = int(value)

    def coil(self, number: int) -> bool:
        """How a coil stands."""
        return bool(self._mapping.contents.tab_bits[number])

    def run(self) -> None:
        """Answer until ended."""
        query = (ctypes.c_uint8 * 260)()
        while not self._ended:
            length = self._lib.modbus_receive(self._context, query)
            if length > 0:
                self.questions += 1
                self._lib.modbus_reply(self._context, query, length, self._mapping)

    def end(self) -> None:
        """Stop answering and let go of the path."""
        self._ended = True
        self.join(WAIT_S)
        self._lib.modbus_close(self._context)
        self._lib.modbus_mapping_free(self._mapping)
        self._lib.modbus_free(self._context)


def crc16(frame: bytes) -> bytes:
    """The two check bytes of an RTU frame (Modbus over serial line 1.02, section 6.2.2), bit by bit."""
    crc = 0xFFFF
    for byte in frame:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc.to_bytes(2, "little")


def input_answer(unit: int, *words: int) -> bytes:
    """The RTU answer to a question for input registers."""
    head = bytes([unit, 4, 2 * len(words)]) + b"".join(word.to_bytes(2, "big") for word in words)
    return head + crc16(head)
