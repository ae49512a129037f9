"""Modbus on a serial line (RTU): asks its sensors in turn, each question under a deadline.

RTU answers carry no number: a late one looks like the answer to the next question. So a unit that has missed an answer
is in doubt. It is first asked something harmless by a function that none of its sensors use, once; a unit answers in
order, so whatever answers that has answered everything before. One that has not answered such a question after LATE_S
is asked again, and its next answer only shows that it has nothing more to send (`Debts`). Other units go on meanwhile:
their answers carry their own number.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Final

import serial

from agent.io.bus import Emit, Turns, in_unit, tell
from agent.io.serial_port import AGAIN, TOO_LATE, Debts, drain, heard, open_port, port_faults
from agent.site_buses import ModbusRtuBus, ModbusSensor, ModbusTcpBus
from agent.wire.modbus import FUNCTIONS, Question, Refusal, RtuAnswer, Words, rtu_request
from agent.wire.outcomes import Fault
from agent.wire.registers import number, words_of

LATE_S = 3.0  # no serial device that works answers later
QUIET_CHARACTERS = 3.5  # ends a frame (Modbus over serial line 1.02, section 2.5.1.1)
QUIET_LEAST_S = 0.004  # finer than this a USB adapter does not tell
BITS_A_CHARACTER = 11
NOT_ASKED: Final = "not asked: its unit has just missed an answer"
EXCEPTIONS: Final = {
    1: "it does not know this function",
    2: "it has no such register",
    3: "it refuses the question's form",
    4: "it has failed",
    6: "it is busy",
    10: "the gateway has no path to it",
    11: "no answer behind the gateway",
}


@dataclass(frozen=True, slots=True)
class Missed:
    """No answer came in time; one may still come."""

    text: str


Answer = Words | Refusal | Missed


class ModbusTurns:
    """A turn over the sensors, the same on both wires; `ask` is each wire's own."""

    def __init__(self, bus: ModbusRtuBus | ModbusTcpBus, ask: Callable[..., Answer]) -> None:
        self._bus, self._ask = bus, ask
        self._turns = Turns(bus.period_s)
        self.answered = 0

    def turn(self, port: object, emit: Emit, stopping: Callable[[], bool]) -> list[ModbusSensor]:
        """Ask every sensor but those of units that miss; returns the sensors that missed, each told already."""
        self._turns.wait(stopping)
        self._turns.due()
        missed: dict[int, ModbusSensor] = {}
        for sensor in self._bus.sensor:
            if stopping():
                break
            if sensor.unit in missed:
                emit.fault(sensor, NOT_ASKED)
                continue
            answer = self._ask(port, sensor, emit, stopping)
            if isinstance(answer, Missed):
                missed[sensor.unit] = sensor
            else:
                self.answered += 1
                tell(emit, sensor, in_unit(content(answer, sensor), sensor))
        return list(missed.values())


class ModbusDriver:
    """A `Driver` for a modbus_rtu bus."""

    def __init__(self, bus: ModbusRtuBus) -> None:
        self._bus = bus
        self._turns = ModbusTurns(bus, self._ask_sensor)
        self._quiet_s = max(QUIET_LEAST_S, QUIET_CHARACTERS * BITS_A_CHARACTER / bus.baud)
        self._debts = Debts(are_named=True)
        self._doubts: dict[int, tuple[float, bool]] = {}  # by unit: asked last, monotonic s; whether it was sounded

    @contextmanager
    def open(self) -> Iterator[serial.Serial]:
        """See Driver. Doubts outlast the port: what hangs on the line is the same."""
        with open_port(self._bus) as port:
            yield port

    def turn(self, port: serial.Serial, emit: Emit, stopping: Callable[[], bool]) -> None:
        """See Driver."""
        with port_faults(self._bus.port):
            self._turns.turn(port, emit, stopping)

    def _ask_sensor(
        self, port: serial.Serial, sensor: ModbusSensor, emit: Emit, stopping: Callable[[], bool]
    ) -> Answer:
        unit = sensor.unit
        if unit in self._doubts and not self._sounded(port, sensor, stopping):
            if not stopping():
                emit.fault(sensor, "no answer")
            return Missed("no answer")  # what it was sounded by may still be answered: nothing is drained
        self._doubts[unit] = (time.monotonic(), False)  # until it is answered, also where the port goes meanwhile
        self._debts.asked(unit)  # what it was sounded by does not count: it may leave that unanswered for good
        answer = self._ask(port, question_of(sensor), stopping)
        if not isinstance(answer, Missed) or answer.text in (TOO_LATE, AGAIN):  # `Debts` has it then
            del self._doubts[unit]
        if isinstance(answer, Missed) and not stopping():
            emit.fault(sensor, answer.text)
            if drain(port, self._bus.timeout_s, 2 * self._bus.timeout_s):  # let a late answer come and go
                emit.fault(sensor, TOO_LATE if answer.text == "no answer" else answer.text)
        return answer

    def _sounded(self, port: serial.Serial, sensor: ModbusSensor, stopping: Callable[[], bool]) -> bool:
        """Whether the unit owes nothing any more, so that its next answer is the answer to the next question.

        Its one sounding is waited for, over turns. A second might be answered after the doubt is over, and would then
        pass for the answer to the sounding of the next doubt.
        """
        unit, other = sensor.unit, self._unused(sensor.unit)
        asked_at, is_sounded = self._doubts[unit]
        is_due = other is not None and not is_sounded
        if not is_due and time.monotonic() - asked_at >= max(LATE_S, 2 * self._bus.timeout_s):
            self._debts.owes(unit)
            return True
        if other is None:
            return False
        question = Question(unit, other, sensor.address, 1)
        if is_due:
            self._doubts[unit] = (time.monotonic(), True)
            return not isinstance(self._ask(port, question, stopping), Missed)
        return not isinstance(self._answer(port, question, stopping), Missed)

    def _unused(self, unit: int) -> int | None:
        used = {FUNCTIONS[sensor.function] for sensor in self._bus.sensor if sensor.unit == unit}
        return next((function for function in (3, 4, 1, 2) if function not in used), None)

    def _ask(self, port: serial.Serial, question: Question, stopping: Callable[[], bool]) -> Answer:
        drain(port, self._quiet_s, self._bus.timeout_s)
        port.write(rtu_request(question))
        return self._answer(port, question, stopping)

    def _answer(self, port: serial.Serial, question: Question, stopping: Callable[[], bool]) -> Answer:
        unit, timeout_s = question.unit, self._bus.timeout_s
        return answer_to(
            port, question, timeout_s, stopping, lambda more: self._debts.doubt(unit, port, timeout_s, more, stopping)
        )


def ask_rtu(port: serial.Serial, question: Question, timeout_s: float, stopping: Callable[[], bool]) -> Answer:
    """One question and what answers it within `timeout_s`, whatever else the line brings. Raises what the port does."""
    port.write(rtu_request(question))
    return answer_to(port, question, timeout_s, stopping)


def answer_to(
    port: serial.Serial,
    question: Question,
    timeout_s: float,
    stopping: Callable[[], bool],
    doubt: Callable[[bytes], str] = lambda behind: "",
) -> Answer:
    """What answers a question that was sent within `timeout_s`, whatever else comes. Raises what the port does.

    `doubt` is told what stands behind an answer, and says why it is not to be believed.
    """
    answer = RtuAnswer(question)
    end = time.monotonic() + timeout_s
    wrong = "no answer"
    while (left := end - time.monotonic()) > 0 and not stopping():
        answer.receive(heard(port, left))
        event = answer.next_event()
        if isinstance(event, Words | Refusal):
            why = doubt(answer.held)
            return Missed(why) if why else event
        if isinstance(event, Fault):
            wrong = event.text
    return Missed(wrong)


def question_of(sensor: ModbusSensor) -> Question:
    """What a sensor is read by."""
    count = words_of(sensor.type) if sensor.function in ("input", "holding") else 1
    return Question(sensor.unit, FUNCTIONS[sensor.function], sensor.address, count)


def content(answer: Words | Refusal, sensor: ModbusSensor) -> float | Fault:
    """The number in an answer, before scale."""
    if isinstance(answer, Refusal):
        why = EXCEPTIONS.get(answer.code, "no more is said")
        return Fault(f"unit {sensor.unit} answers with exception {answer.code}: {why}")
    if sensor.function in ("input", "holding"):
        return number(answer.words, sensor.type, sensor.word_order)
    return float(answer.words[0])
