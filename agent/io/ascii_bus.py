"""Transmitters that speak lines of text: those that send by themselves, and those that are asked."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator

import serial

from agent.io.serial_bus import CHUNK_BYTES, READ_SLICE_S, Emit, Turns, drain, port_faults
from agent.site import AsciiLineBus, AsciiSensor
from agent.wire.ascii_line import Line, LineDecoder, value_in
from agent.wire.current_loop import raw_at
from agent.wire.outcomes import NEED_MORE, Fault

BUNCH = 60.0  # readings at once, at most: adapters and busy systems hand lines on in bunches
QUIET_S = 0.02  # some 20 characters at 9600 baud: between lines, not within one


class AsciiDriver:
    """A `Driver` for an ascii_line bus."""

    def __init__(self, bus: AsciiLineBus) -> None:
        self._bus = bus
        self._asked = [sensor for sensor in bus.sensor if sensor.poll]
        self._heard = [sensor for sensor in bus.sensor if not sensor.poll]
        self._patterns = {id(sensor): re.compile(sensor.pattern) for sensor in bus.sensor}
        self._decoders = {marks: LineDecoder(*marks) for marks in map(_marks, self._heard)}
        self._turns = Turns(bus.period_s)
        self._credit: dict[int, tuple[float, float]] = {}  # by sensor: readings it may bring, monotonic s

    def begin(self, port: serial.Serial) -> None:
        """See Driver."""
        for decoder in self._decoders.values():
            decoder.reset(in_step=False)

    def end(self) -> None:
        """See Driver."""

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
        data = port.read(1)
        data += port.read(min(port.in_waiting, CHUNK_BYTES)) if data else b""
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
            if self._is_due(sensor):
                emit.reading(sensor, value)
        return None if good else fault

    def _is_due(self, sensor: AsciiSensor) -> bool:
        """One reading a period is kept of a transmitter that talks faster; what came late may come in a bunch."""
        now = time.monotonic()
        credit, at = self._credit.get(id(sensor), (1.0, now))
        credit = min(BUNCH, credit + (now - at) / self._bus.period_s)
        due = credit >= 1.0
        self._credit[id(sensor)] = (credit - 1.0 if due else credit, now)
        return due

    # -- asked -----------------------------------------------------------------------------------------------

    def _ask(self, port: serial.Serial, sensor: AsciiSensor, emit: Emit, stopping: Callable[[], bool]) -> None:
        drain(port, QUIET_S, self._bus.timeout_s)
        port.write(_bytes(sensor.poll))
        outcome = self._answer(port, sensor, stopping)
        if isinstance(outcome, Fault):
            emit.fault(sensor, outcome.text)
            drain(port, self._bus.timeout_s, 2 * self._bus.timeout_s)  # a late answer is not the next one's
        else:
            emit.reading(sensor, outcome)

    def _answer(self, port: serial.Serial, sensor: AsciiSensor, stopping: Callable[[], bool]) -> float | Fault:
        decoder = LineDecoder(*_marks(sensor), in_step=True)
        end = time.monotonic() + self._bus.timeout_s
        wrong: Fault | None = None
        while (left := end - time.monotonic()) > 0 and not stopping():
            port.timeout = min(left, READ_SLICE_S)
            decoder.receive(port.read(max(1, min(port.in_waiting, CHUNK_BYTES))))
            for event in _events(decoder):
                outcome = event if isinstance(event, Fault) else self._value(event, sensor)
                if not isinstance(outcome, Fault):
                    return outcome
                wrong = outcome  # an echo of the question, perhaps: the answer may follow
        return wrong or Fault("no answer")

    def _value(self, line: Line, sensor: AsciiSensor) -> float | Fault:
        value = value_in(line, self._patterns[id(sensor)])
        if isinstance(value, Fault):
            return value
        value = value * sensor.scale + sensor.offset
        return value if sensor.loop is None else raw_at(value, sensor.loop.at_4_ma, sensor.loop.at_20_ma)


def _events(decoder: LineDecoder) -> Iterator[Line | Fault]:
    while (event := decoder.next_event()) is not NEED_MORE:
        yield event  # type: ignore[misc]


def _bytes(text: str) -> bytes:
    return text.encode("latin-1")


def _marks(sensor: AsciiSensor) -> tuple[bytes, bytes]:
    return _bytes(sensor.start), _bytes(sensor.terminator)
