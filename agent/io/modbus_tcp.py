"""Modbus over TCP: every question has a number, and only the answer with that number counts, whatever comes late."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from agent.io.bus import READ_SLICE_S, Emit, PortGone
from agent.io.modbus import Answer, Missed, ModbusTurns, question_of
from agent.site_buses import ModbusSensor, ModbusTcpBus
from agent.wire.modbus import Question, Refusal, TcpAnswers, Words, tcp_request
from agent.wire.outcomes import Fault

CONNECT_S = 2.0
SEND_S = 1.0  # a request is 12 bytes; a network that takes none for so long is gone
CHUNK_BYTES = 4096
DEAF_TURNS = 3  # turns without any answer: the connection is dead although nobody has said so


class Connection:
    """One connection, its stream of answers and its numbers."""

    def __init__(self, sock: socket.socket) -> None:
        self._sock = sock
        self._answers = TcpAnswers()
        self._transaction = 0

    def ask(self, question: Question, timeout_s: float, stopping: Callable[[], bool]) -> Answer:
        """One question and its answer. Raises OSError when the connection is gone or speaks no Modbus."""
        self._transaction = self._transaction + 1 & 0xFFFF
        self._answers.expect(question, self._transaction)
        end = time.monotonic() + timeout_s
        self._sock.settimeout(SEND_S)
        self._sock.sendall(tcp_request(question, self._transaction))
        wrong = "no answer"
        while (left := end - time.monotonic()) > 0 and not stopping():
            self._answers.receive(self._heard(min(left, READ_SLICE_S)))
            event = self._answers.next_event()
            if isinstance(event, Words | Refusal):
                return event
            if self._answers.broken and isinstance(event, Fault):
                raise ConnectionError(event.text)
            wrong = event.text if isinstance(event, Fault) else wrong
        return Missed(wrong)

    def _heard(self, most_s: float) -> bytes:
        self._sock.settimeout(most_s)
        try:
            data = self._sock.recv(CHUNK_BYTES)
        except TimeoutError:
            return b""
        if not data:
            raise ConnectionError("closed by the other end")
        return data


@contextmanager
def connected(host: str, port: int) -> Iterator[Connection]:
    """A connection, closed at the end. Raises OSError."""
    with socket.create_connection((host, port), CONNECT_S) as sock:
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        yield Connection(sock)


class ModbusTcpDriver:
    """A `Driver` for a modbus_tcp bus."""

    def __init__(self, bus: ModbusTcpBus) -> None:
        self._bus = bus
        self._where = f"{bus.host}:{bus.port}"
        self._turns = ModbusTurns(bus, self._ask)
        self._deaf = 0

    @contextmanager
    def open(self) -> Iterator[Connection]:
        """See Driver."""
        self._deaf = 0
        with self._faults(), connected(self._bus.host, self._bus.port) as connection:
            yield connection

    def turn(self, port: Connection, emit: Emit, stopping: Callable[[], bool]) -> None:
        """See Driver."""
        before = self._turns.answered
        with self._faults():
            missed = self._turns.turn(port, emit, stopping)
        self._deaf = self._deaf + 1 if missed and self._turns.answered == before else 0
        if self._deaf >= DEAF_TURNS:
            raise PortGone(f"{self._where}: connected, but nothing answers")

    def _ask(self, port: Connection, sensor: ModbusSensor, emit: Emit, stopping: Callable[[], bool]) -> Answer:
        answer = port.ask(question_of(sensor), self._bus.timeout_s, stopping)
        if isinstance(answer, Missed):
            emit.fault(sensor, answer.text)
        return answer

    @contextmanager
    def _faults(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise PortGone(f"{self._where}: {error.strerror or error}") from error
