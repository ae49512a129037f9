"""A TCP way to a server on which every fault of a network or a server in trouble can be played, one at a time."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable
from contextlib import suppress

from tests.services import free_port

BUFFER_BYTES = 65_536
POLL_S = 0.1
FAULTS = ("refuse", "hang", "500", "401", "cut")  # of the way; the servers themselves are killed besides


class FaultProxy:
    """Carries bytes to `to_port` while `fault` is None; else plays it to what is connected and to what comes.

    refuse: no connection. hang: connections are taken and nothing answers. 500, 401: an HTTP answer in the server's
    place (to whom speaks no HTTP, rubbish). cut: what is sent arrives in part, then the line breaks.
    """

    def __init__(self, to_port: int) -> None:
        self.port, self.to_port = free_port(), to_port
        self.fault: str | None = None
        self.answered: Callable[[bytes], None] = lambda data: None  # told what the server answers, before it is passed
        self._open: set[socket.socket] = set()
        self._lock = threading.Lock()
        self._listening: socket.socket | None = None
        self._listen()

    def play(self, fault: str | None) -> None:
        """From now on this fault, or none. Connections made under another rule are broken."""
        self.fault = fault
        if fault == "refuse":
            self._deafen()
        elif self._listening is None:
            self._listen()
        if fault != "cut":  # a cut takes what is connected in the middle of a body
            self._break()

    def close(self) -> None:
        """Break everything."""
        self._deafen()
        self._break()

    # -- inside -------------------------------------------------------------------------------------------------------

    def _listen(self) -> None:
        self._listening = socket.create_server(("127.0.0.1", self.port))
        threading.Thread(target=self._accept, args=(self._listening,), daemon=True).start()

    def _deafen(self) -> None:
        listening, self._listening = self._listening, None
        if listening is not None:
            with suppress(OSError):
                listening.shutdown(socket.SHUT_RDWR)
            listening.close()

    def _break(self) -> None:
        with self._lock:
            broken, self._open = self._open, set()
        for sock in broken:
            _end(sock)

    def _accept(self, listening: socket.socket) -> None:
        with suppress(OSError):
            while True:
                near, _ = listening.accept()
                with self._lock:
                    self._open.add(near)
                threading.Thread(target=self._serve, args=(near,), daemon=True).start()

    def _serve(self, near: socket.socket) -> None:
        far: socket.socket | None = None
        with suppress(OSError):
            if self.fault in ("500", "401"):
                self._answer(near, self.fault)
            elif self.fault == "hang":
                while near.recv(BUFFER_BYTES):
                    pass
            else:
                far = socket.create_connection(("127.0.0.1", self.to_port), timeout=5.0)
                with self._lock:
                    self._open.add(far)
                threading.Thread(target=self._carry_back, args=(far, near), daemon=True).start()
                self._carry(near, far)
        _end(near)
        if far is not None:
            _end(far)

    def _carry(self, near: socket.socket, far: socket.socket) -> None:
        while data := near.recv(BUFFER_BYTES):
            if self.fault == "cut" and len(data) > 1:
                far.sendall(data[: len(data) // 2])
                return
            far.sendall(data)

    def _carry_back(self, far: socket.socket, near: socket.socket) -> None:
        with suppress(OSError):
            while data := far.recv(BUFFER_BYTES):
                self.answered(data)
                near.sendall(data)
        _end(near)

    def _answer(self, near: socket.socket, status: str) -> None:
        near.settimeout(POLL_S)
        with suppress(TimeoutError):
            while near.recv(BUFFER_BYTES):
                pass
        words = b'{"message":"played by the proxy"}'
        head = f"HTTP/1.1 {status} Fault\r\nContent-Length: {len(words)}\r\nConnection: close\r\n\r\n"
        near.sendall(head.encode() + words)


def _end(sock: socket.socket) -> None:
    with suppress(OSError):
        sock.shutdown(socket.SHUT_RDWR)
    sock.close()
