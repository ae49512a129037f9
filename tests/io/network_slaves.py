"""Modbus TCP slaves for tests: one of libmodbus, which shares no line with ours, and one that answers late."""

from __future__ import annotations

import ctypes
import socket
import struct
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from tests.io.lines import WAIT_S, Asked, _Mapping
from tests.services import free_port


class LibmodbusTcpSlave(threading.Thread):
    """A Modbus TCP slave of libmodbus on a loopback port, for one connection at a time."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        lib: Any = ctypes.CDLL("libmodbus.so.5", use_errno=True)
        lib.modbus_new_tcp.restype = ctypes.c_void_p
        lib.modbus_mapping_new.restype = ctypes.POINTER(_Mapping)
        self.port = free_port()
        self._lib = lib
        self._context = ctypes.c_void_p(lib.modbus_new_tcp(b"127.0.0.1", self.port))
        self._listening = ctypes.c_int(lib.modbus_tcp_listen(self._context, 1))
        assert self._listening.value >= 0, ctypes.get_errno()
        self._mapping = lib.modbus_mapping_new(16, 16, 64, 64)
        self.accepted = 0

    def set_input(self, register: int, *words: int) -> None:
        """Input registers from `register` on."""
        for i, word in enumerate(words):
            self._mapping.contents.tab_input_registers[register + i] = word

    def set_coil(self, number: int, value: bool) -> None:
        """A coil."""
        self._mapping.contents.tab_bits[number] = int(value)

    def run(self) -> None:
        """Serve one connection after the other."""
        query = (ctypes.c_uint8 * 260)()
        while self._lib.modbus_tcp_accept(self._context, ctypes.byref(self._listening)) >= 0:
            self.accepted += 1
            while (length := self._lib.modbus_receive(self._context, query)) >= 0:
                if length > 0:
                    self._lib.modbus_reply(self._context, query, length, self._mapping)
            self._lib.modbus_close(self._context)

    def end(self) -> None:
        """Stop listening; a connection that is open ends with the other side."""
        with suppress(OSError):
            socket.socket(fileno=self._listening.value).shutdown(socket.SHUT_RDWR)
        self.join(WAIT_S)


class LateTcpSlave:
    """Answers each question `delay_s()` after it came, in whatever order that gives; register = number of the question.

    `say(transaction, body)` makes the bytes of an answer, so that a test can have others sent.
    """

    def __init__(self, delay_s: Callable[[], float] = lambda: 0.0) -> None:
        self.questions: list[Asked] = []
        self.connections = 0
        self.say: Callable[[int, bytes], bytes] = lambda transaction, body: (
            struct.pack(">HHH", transaction, 0, len(body)) + body
        )
        self.is_deaf = False
        self._delay_s = delay_s
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._server.getsockname()[1])
        self._open: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def end(self) -> None:
        """Close everything."""
        for sock in (self._server, *self._open):
            with suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)
            sock.close()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                sock, _ = self._server.accept()
                self.connections += 1
                self._open.append(sock)
                threading.Thread(target=self._serve, args=(sock,), daemon=True).start()

    def _serve(self, sock: socket.socket) -> None:
        due: list[tuple[float, bytes]] = []
        data = b""
        with suppress(OSError):
            while True:
                sock.settimeout(max(0.001, min(0.05, min((d[0] for d in due), default=1e9) - time.monotonic())))
                try:
                    more = sock.recv(4096)
                    if not more:
                        return
                    data += more
                except TimeoutError:
                    pass
                while len(data) >= 12:
                    due.append((time.monotonic() + self._delay_s(), self._answer(data[:12])))
                    data = data[12:]
                due.sort(key=lambda d: d[0])
                while due and due[0][0] <= time.monotonic():
                    answer = due.pop(0)[1]
                    if not self.is_deaf:
                        sock.sendall(answer)

    def _answer(self, frame: bytes) -> bytes:
        transaction, _, _, unit, function, address, count = struct.unpack(">HHHBBHH", frame)
        self.questions.append(Asked(unit, function, address, time.time()))
        size = 2 * count if function in (3, 4) else 1
        content = ((len(self.questions) - 1) % 256**size).to_bytes(size, "big")
        return self.say(transaction, bytes([unit, function, size]) + content)
