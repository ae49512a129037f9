"""Modbus questions and answers as bytes, on a serial line (RTU) and over TCP. Bytes in, events out, no port inside.

Outcomes of `next_event`: a `Words` (or `Refusal`) that answers the question, a `Fault` that says what else came, or
NEED_MORE. Only reading is spoken: functions 1-4 (Modbus application protocol 1.1b3, sections 6.1-6.4). An answer
counts only with the question's unit, function and length, and on a serial line with its check bytes (Modbus over
serial line 1.02, section 6.2.2), over TCP with the question's transaction number.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Final

from agent.wire.outcomes import NEED_MORE, Fault, NeedMore

FUNCTIONS: Final = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
MOST_REGISTERS: Final = 125
MOST_BITS: Final = 2000
LONGEST_RTU_BYTES: Final = 256
HEADER_BYTES: Final = 6  # of TCP: transaction, protocol, length
MOST_HELD_BYTES: Final = 4 * LONGEST_RTU_BYTES
_REFUSED: Final = 0x80
_CRC_POLYNOMIAL: Final = 0xA001


@dataclass(frozen=True, slots=True)
class Question:
    """Read `count` registers or bits from `address` on. Raises ValueError where the standard has no such question."""

    unit: int
    function: int
    address: int
    count: int

    def __post_init__(self) -> None:
        most = MOST_REGISTERS if self.function in (3, 4) else MOST_BITS
        if self.function not in FUNCTIONS.values() or not 1 <= self.count <= most:
            raise ValueError(f"no such question: {self}")
        if not 0 <= self.unit <= 255 or not 0 <= self.address < 1 << 16:
            raise ValueError(f"no such place: {self}")

    @property
    def data_bytes(self) -> int:
        """How many bytes of content its answer has."""
        return 2 * self.count if self.function in (3, 4) else (self.count + 7) // 8

    def body(self) -> bytes:
        """Unit, function, address, count: the same on both kinds of wire."""
        return struct.pack(">BBHH", self.unit, self.function, self.address, self.count)

    def content(self, data: bytes) -> Words:
        """The registers, or the bits as 0 and 1, in an answer's content."""
        if self.function in (3, 4):
            return Words(struct.unpack(f">{self.count}H", data))
        return Words(tuple(data[i // 8] >> i % 8 & 1 for i in range(self.count)))


@dataclass(frozen=True, slots=True)
class Words:
    """Registers (0-65535 each), or bits (0 or 1 each), as many as were asked for."""

    words: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Refusal:
    """The unit answered that it will not: an exception code."""

    code: int


def _table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        for _ in range(8):
            byte = byte >> 1 ^ _CRC_POLYNOMIAL if byte & 1 else byte >> 1
        table.append(byte)
    return tuple(table)


_CRC: Final = _table()


def crc(frame: bytes) -> bytes:
    """The two check bytes of an RTU frame, in the order in which they are sent."""
    value = 0xFFFF
    for byte in frame:
        value = value >> 8 ^ _CRC[(value ^ byte) & 0xFF]
    return value.to_bytes(2, "little")


def rtu_request(question: Question) -> bytes:
    """The question as it goes onto a serial line."""
    return question.body() + crc(question.body())


def tcp_request(question: Question, transaction: int) -> bytes:
    """The question as it goes over TCP, under a number that its answer must carry."""
    body = question.body()
    return struct.pack(">HHH", transaction, 0, len(body)) + body


Event = Words | Refusal | Fault | NeedMore


class RtuAnswer:
    """Finds the answer to one question in what a serial line brings; what else comes is passed over and told.

    A frame has no mark at its beginning, so every place is tried; unit, function, length and check bytes must fit.
    """

    def __init__(self, question: Question) -> None:
        self._question = question
        self._data = b""
        self._told = False

    def receive(self, data: bytes) -> None:
        """Hand in bytes as they come; at most MOST_HELD_BYTES are kept."""
        self._data = (self._data + data)[-MOST_HELD_BYTES:]

    def next_event(self) -> Event:
        """The answer, or once a Fault on what came instead."""
        asked = self._question
        good = bytes((asked.unit, asked.function, asked.data_bytes))
        if (frame := self._frame(good, len(good) + asked.data_bytes)) is not None:
            return asked.content(frame[len(good) :])
        if (frame := self._frame(bytes((asked.unit, asked.function | _REFUSED)), 3)) is not None:
            return Refusal(frame[2])
        return self._rest()

    @property
    def held(self) -> bytes:
        """What has come behind the answer."""
        return self._data

    def _frame(self, head: bytes, length: int) -> bytes | None:
        """The first whole frame that begins with `head` and whose check bytes fit; what stands before it goes."""
        start = self._data.find(head)
        while 0 <= start <= len(self._data) - length - 2:
            frame, end = self._data[start : start + length], start + length + 2
            if crc(frame) == self._data[end - 2 : end]:
                self._data = self._data[end:]
                return frame
            start = self._data.find(head, start + 1)
        return None

    def _rest(self) -> Event:
        """Not whole yet, unless there is already more than an answer can be long."""
        if len(self._data) < self._question.data_bytes + 5 or self._told:
            return NEED_MORE
        self._told = True
        return Fault(f"not the answer: {self._data[:20].hex(' ')}")


class TcpAnswers:
    """Finds answers in one connection's stream; those to earlier questions are passed over."""

    def __init__(self) -> None:
        self._question, self._transaction = Question(0, 3, 0, 1), -1
        self._data = b""
        self.broken = False  # the stream is no Modbus any more: close it
        self.passed_over = 0  # late answers to earlier questions

    def expect(self, question: Question, transaction: int) -> None:
        """What was asked last."""
        self._question, self._transaction = question, transaction

    def receive(self, data: bytes) -> None:
        """Hand in bytes as they come."""
        self._data += data

    def next_event(self) -> Event:
        """The answer, a Fault on a frame that is none, or NEED_MORE."""
        while len(self._data) >= HEADER_BYTES:
            transaction, protocol, length = struct.unpack_from(">HHH", self._data)
            if self.broken or protocol != 0 or not 3 <= length <= LONGEST_RTU_BYTES:
                self.broken = True
                return Fault(f"no Modbus: {self._data[:20].hex(' ')}")
            end = HEADER_BYTES + length
            if len(self._data) < end:
                return NEED_MORE
            body, self._data = self._data[HEADER_BYTES:end], self._data[end:]
            if transaction == self._transaction:
                return self._judge(body)
            self.passed_over += 1
        return NEED_MORE

    def _judge(self, body: bytes) -> Event:
        asked = self._question
        if body[0] == asked.unit and body[1] == asked.function | _REFUSED and len(body) == 3:
            return Refusal(body[2])
        if body[:3] != bytes((asked.unit, asked.function, asked.data_bytes)) or len(body) != 3 + asked.data_bytes:
            return Fault(f"not the answer: {body[:20].hex(' ')}")
        return asked.content(body[3:])
