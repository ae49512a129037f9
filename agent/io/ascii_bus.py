"""Transmitters that speak lines of text: those that send by themselves, and those that are asked.

Nothing in a line says which question it answers. So after a miss the line is left alone until the late answer has
come, or LATE_S have passed without it, and the next answer only shows that the line has nothing more to send (`Debts`).
One of several that stays silent or late is asked less and less often.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import serial

from agent.io.bus import READ_SLICE_S, Emit, Pace, Turns, in_unit
from agent.io.serial_port import AGAIN, TOO_LATE, Debts, drain, heard, open_port, port_faults
from agent.site_buses import AsciiLineBus, AsciiSensor
from agent.wire.ascii_line import Form, Line, LineDecoder, reading_in
from agent.wire.outcomes import NEED_MORE, Fault

QUIET_S = 0.02  # some 20 characters at 9600 baud: between lines, not within one
LATE_S = 3.0  # no serial transmitter that works answers later
LONGEST_REST_S = 30.0  # a silent transmitter among others is asked at least this often


class AsciiDriver:
    """A `Driver` for an ascii_line bus."""

    def __init__(self, bus: AsciiLineBus) -> None:
        self._bus = bus
        self._asked = [sensor for sensor in bus.sensor if sensor.poll]
        self._heard = [sensor for sensor in bus.sensor if not sensor.poll]
        self._forms = {id(s): Form(re.compile(s.pattern), s.units, s.checksum) for s in bus.sensor}
        self._decoders = {marks: LineDecoder(*marks) for marks in map(_marks, self._heard)}
        self._turns = Turns(bus.period_s)
        self._pace = Pace(bus.period_s)
        self._debts = Debts(are_named=False)
        self._rests: dict[int, tuple[float, float]] = {}  # silent sensors: until when (monotonic s), how long (s)

    @contextmanager
    def open(self) -> Iterator[serial.Serial]:
        """See Driver."""
        with open_port(self._bus) as port:
            for decoder in self._decoders.values():
                decoder.reset(in_step=False)
            yield port

    def turn(self, port: serial.Serial, emit: Emit, stopping: Callable[[], bool]) -> None:
        """See Driver."""
        with port_faults(self._bus.port):
            for sensor in self._asked if self._turns.due() else ():
                if not stopping():
                    self._ask(port, sensor, emit, stopping)
            if self._heard:
                self._listen(port, emit)
            else:
                self._turns.wait(stopping)

    # -- sent by themselves ----------------------------------------------------------------------------------

    def _listen(self, port: serial.Serial, emit: Emit) -> None:
        """One read of at most READ_SLICE_S; on a line where some are asked, too, what comes between the questions."""
        data = heard(port, READ_SLICE_S)
        for marks, decoder in self._decoders.items():
            sensors = [sensor for sensor in self._heard if _marks(sensor) == marks]
            decoder.receive(data)
            for event in _events(decoder):
                fault = event if isinstance(event, Fault) else self._assign(event, sensors, emit)
                if fault is not None:
                    emit.fault(sensors[0] if len(sensors) == 1 else None, fault.text)

    def _assign(self, line: Line, sensors: list[AsciiSensor], emit: Emit) -> Fault | None:
        """Give the line to every sensor whose pattern fits; a Fault where none does."""
        fault: Fault | None = None
        good = False
        for sensor in sensors:
            value = self._value(line, sensor)
            if isinstance(value, Fault):
                fault = value
                continue
            good = True
            if self._pace.is_due(sensor, value):
                emit.reading(sensor, value)
        return None if good else fault

    # -- asked -----------------------------------------------------------------------------------------------

    def _ask(self, port: serial.Serial, sensor: AsciiSensor, emit: Emit, stopping: Callable[[], bool]) -> None:
        rest_until, rest_s = self._rests.pop(id(sensor), (0.0, LATE_S / 2.0))
        if time.monotonic() < rest_until:
            self._rests[id(sensor)] = (rest_until, rest_s)
            return
        outcome = self._question(port, sensor, stopping)
        if not isinstance(outcome, Fault) and self._debts.are_others(id(sensor)):
            outcome = self._question(port, sensor, stopping)  # another's late answer will not come twice
        if not isinstance(outcome, Fault):
            emit.reading(sensor, outcome)
            return
        emit.fault(sensor, outcome.text)
        if outcome.text in (TOO_LATE, AGAIN):  # perhaps it was another's: it does not rest for that
            return
        self._debts.owes(id(sensor))
        if self._wait_out(port, stopping):
            emit.fault(sensor, TOO_LATE if outcome.text == "no answer" else outcome.text)
        if len(self._asked) > 1:
            rest_s = min(2.0 * rest_s, LONGEST_REST_S)
            self._rests[id(sensor)] = (time.monotonic() + rest_s, rest_s)

    def _question(self, port: serial.Serial, sensor: AsciiSensor, stopping: Callable[[], bool]) -> float | Fault:
        drain(port, QUIET_S, self._bus.timeout_s)
        self._debts.asked(id(sensor))
        port.write(_bytes(sensor.poll))
        return self._answer(port, sensor, stopping)

    def _wait_out(self, port: serial.Serial, stopping: Callable[[], bool]) -> bool:
        """Let a late answer come and go; whether one came. A line that babbles is left after a while."""
        end = time.monotonic() + max(LATE_S, 2.0 * self._bus.timeout_s)
        while (left := end - time.monotonic()) > 0.0 and not stopping():
            if heard(port, left):
                drain(port, self._bus.timeout_s, 2.0 * self._bus.timeout_s)
                return True
        return False

    def _answer(self, port: serial.Serial, sensor: AsciiSensor, stopping: Callable[[], bool]) -> float | Fault:
        decoder = LineDecoder(*_marks(sensor), in_step=True)
        end = time.monotonic() + self._bus.timeout_s
        wrong: Fault | None = None
        while (left := end - time.monotonic()) > 0 and not stopping():
            decoder.receive(heard(port, left))
            for event in _events(decoder):
                outcome = event if isinstance(event, Fault) else self._value(event, sensor)
                if not isinstance(outcome, Fault):
                    doubt = self._debts.doubt(id(sensor), port, self._bus.timeout_s, decoder.held.strip(), stopping)
                    return Fault(doubt) if doubt else outcome
                wrong = outcome  # an echo of the question, perhaps: the answer may follow
        return wrong or Fault("no answer")

    def _value(self, line: Line, sensor: AsciiSensor) -> float | Fault:
        return in_unit(reading_in(line, self._forms[id(sensor)]), sensor)


def _events(decoder: LineDecoder) -> Iterator[Line | Fault]:
    while (event := decoder.next_event()) is not NEED_MORE:
        yield event  # type: ignore[misc]


def _bytes(text: str) -> bytes:
    return text.encode("latin-1")


def _marks(sensor: AsciiSensor) -> tuple[bytes, bytes]:
    return _bytes(sensor.start), _bytes(sensor.terminator)
