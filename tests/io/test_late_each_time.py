"""Devices that answer late each time, on lines whose answers carry no number: hours of them, in a time of its own."""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable
from typing import Any

import pytest

from agent.io import ascii_bus, bus, modbus, serial_port
from agent.site_buses import AsciiLineBus, ModbusRtuBus
from agent.wire.modbus import crc
from tests.io import buses

NEVER = float("inf")
FORM = {"pattern": r"(?P<value>\d+\.\d)"}


class Time:
    """Seconds that pass only where somebody waits."""

    def __init__(self) -> None:
        self.now = 1000.0

    def monotonic(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds


class Line:
    """A port with devices behind it. Each answers in order, `delay_s` after the question, with that one's number."""

    def __init__(self, time: Time, answer: Callable[[bytes, int], tuple[str, bytes]], **delay_s: Callable[[], float]):
        self._time, self._answer, self._delay_s = time, answer, delay_s
        self._due: list[tuple[float, bytes]] = []
        self._ready: deque[int] = deque()
        self._last = dict.fromkeys(delay_s, 0.0)
        self.questions, self.timeout = 0, 0.0

    def write(self, data: bytes) -> None:
        device, answer = self._answer(data, self.questions)
        self.questions += 1
        when = max(self._time.now + self._delay_s[device](), self._last[device] + 0.001)
        if when < NEVER and answer:
            self._last[device] = when
            self._due = sorted([*self._due, (when, answer)])

    @property
    def in_waiting(self) -> int:
        while self._due and self._due[0][0] <= self._time.now:
            self._ready += self._due.pop(0)[1]
        return len(self._ready)

    def read(self, most: int) -> bytes:
        if not self.in_waiting:
            arrival = self._due[0][0] if self._due else NEVER
            self._time.now = min(self._time.now + self.timeout, max(arrival, self._time.now))
        return bytes(self._ready.popleft() for _ in range(min(most, self.in_waiting)))


class Heard:
    """An `Emit`: each reading beside the number of the newest question."""

    def __init__(self, line: Line) -> None:
        self.line, self.readings, self.said = line, list[tuple[int, int]](), set[str]()

    def reading(self, sensor: Any, value: float) -> None:
        self.readings.append((int(value), self.line.questions - 1))

    def fault(self, sensor: Any, text: str) -> None:
        self.said.add(text)

    @property
    def wrong(self) -> list[tuple[int, int]]:
        """Answers that were taken for those to another question."""
        return [(answered, asked) for answered, asked in self.readings if answered != asked]


@pytest.fixture
def time(monkeypatch: pytest.MonkeyPatch) -> Time:
    made = Time()
    for module in (ascii_bus, bus, modbus, serial_port):
        monkeypatch.setattr(module, "time", made)
    return made


def run(time: Time, driver: Any, line: Line, for_s: float) -> Heard:
    heard, end = Heard(line), time.now + for_s
    while time.now < end:
        driver.turn(line, heard, lambda: False)
    return heard


def lines(*devices: str, timeout_s: float) -> ascii_bus.AsciiDriver:
    """Polled transmitters with answers of one form."""
    sensors = [
        {"poll": f"{device}\r", "signal": signal, **FORM}
        for device, signal in zip(devices, ("level", "temperature"), strict=False)
    ]
    return ascii_bus.AsciiDriver(_on_paper(buses.ascii_bus, *sensors, timeout_s=timeout_s))


def _on_paper(make: Callable[..., Any], *sensors: dict[str, Any], **how: Any) -> AsciiLineBus | ModbusRtuBus:
    return make("/dev/nothing", *sensors, period_s=1.0, **how)


def text(question: bytes, number: int) -> tuple[str, bytes]:
    return question.decode().strip(), f"{number}.0\r\n".encode()


def unit(question: bytes, number: int) -> tuple[str, bytes]:
    """A unit that keeps silent on functions it does not know, as some do."""
    body = bytes([1, 4, 2, number >> 8, number & 255])
    return "unit", body + crc(body) if question[1] == 4 else b""


def late(delay_s: float, timeout_s: float) -> Callable[[], float]:
    """Each time, but not to the moment."""
    rng = random.Random(7)
    return lambda: delay_s + rng.uniform(-0.4, 0.4) * timeout_s


TIMEOUTS_S = (0.2, 1.0)
LATE_BY_S = [3.0 + 0.1 * step for step in range(60)] + [10.0 + 0.7 * step for step in range(60)]


@pytest.mark.parametrize("timeout_s", TIMEOUTS_S)
@pytest.mark.parametrize("kind", ["ascii_line", "modbus_rtu"])
def test_a_device_that_is_late_each_time_is_never_credited(time: Time, kind: str, timeout_s: float) -> None:
    """From 3 s to 50 s, two minutes each: nothing counts, and it is said."""
    for delay_s in LATE_BY_S:
        if kind == "ascii_line":
            driver: Any = lines("unit", timeout_s=timeout_s)
            line = Line(time, text, unit=late(delay_s, timeout_s))
        else:
            driver = modbus.ModbusDriver(_on_paper(buses.modbus_bus, {}, timeout_s=timeout_s))
            line = Line(time, unit, unit=late(delay_s, timeout_s))
        heard = run(time, driver, line, 120.0)
        assert heard.readings == [], (delay_s, heard.readings)
        assert heard.said & {serial_port.TOO_LATE, "no answer"}


@pytest.mark.parametrize("timeout_s", TIMEOUTS_S)
@pytest.mark.parametrize("other_s", [0.05, NEVER], ids=["beside one that is prompt", "beside one that is dead"])
def test_its_answer_is_not_taken_for_that_of_another_on_the_line(time: Time, timeout_s: float, other_s: float) -> None:
    for delay_s in LATE_BY_S[:60]:
        line = Line(time, text, a=late(delay_s, timeout_s), b=lambda: other_s)
        heard = run(time, lines("a", "b", timeout_s=timeout_s), line, 120.0)
        assert heard.wrong == [], delay_s
        assert bool(heard.readings) == (other_s < NEVER)


@pytest.mark.parametrize("kind", ["ascii_line", "modbus_rtu"])
def test_a_prompt_device_that_loses_an_answer_is_soon_read_again(time: Time, kind: str) -> None:
    """One answer lost: the silence that is waited out, one answer that only clears the line, and the next counts."""
    lost = iter([0.05] * 10 + [NEVER] + [0.05] * 1000)
    driver: Any = lines("unit", timeout_s=0.5)
    if kind == "modbus_rtu":
        driver = modbus.ModbusDriver(_on_paper(buses.modbus_bus, {}, timeout_s=0.5))
    line = Line(time, text if kind == "ascii_line" else unit, unit=lambda: next(lost))
    heard = run(time, driver, line, 40.0)
    assert heard.wrong == []
    assert 40 - 12 <= len(heard.readings) <= 41
