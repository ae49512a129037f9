"""Pulled plugs, late answers, lines that babble: over real pseudo-terminals and sockets, ten times or a hundred."""

from __future__ import annotations

import os
import random
import select
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from agent.io.ascii_bus import LATE_S
from tests.io.buses import Listener, ascii_bus, listening, modbus_bus
from tests.io.lines import Asked, Plug, RtuSlave, wait_for
from tests.io.network_slaves import LateTcpSlave
from tests.io.test_modbus_tcp import check_credit, tcp_bus
from tests.services import Cable

pytestmark = pytest.mark.timeout(3600)
RECOVERED_WITHIN_S = 5.0
TIMES_USUAL, TIMES_LONG = 10, 100


@pytest.fixture
def plug(tmp_path: Path) -> Iterator[Plug]:
    line = Plug(tmp_path / "by-id")
    yield line
    line.unplug()


@contextmanager
def slave_on(plug: Plug, **how: Any) -> Iterator[RtuSlave]:
    slave = RtuSlave(plug, **how)
    slave.start()
    try:
        yield slave
    finally:
        slave.end()


class Talker(threading.Thread):
    """A transmitter that talks by itself, into whatever is plugged; each line has its own number."""

    def __init__(self, plug: Plug) -> None:
        super().__init__(daemon=True)
        self.pull, self.away = threading.Event(), threading.Event()
        self._plug, self._ended, self.said = plug, threading.Event(), 0

    def run(self) -> None:
        """Talk until ended."""
        while not self._ended.wait(0.02):
            if self.pull.is_set():
                self.away.set()
                continue
            self.away.clear()
            self.said += 1
            self._plug.send(f"L {self.said}.0 MM\r\n".encode())

    def end(self) -> None:
        """Fall silent."""
        self._ended.set()
        self.join(5.0)


def pull_and_plug(plug: Plug, device: RtuSlave | Talker, heard: Listener, times: int) -> list[float]:
    """Seconds from each re-plugging, under another terminal's name, to the first reading after it."""
    taken, names = [], set()
    for _ in range(times):
        device.pull.set()
        assert device.away.wait(5.0)
        names.add(plug.path.resolve())
        keep = plug.path.resolve().open("rb")  # so that the kernel gives the next terminal another name
        plug.unplug()
        wait_for(lambda: not heard.bus.health.port_open, "the loss to be noticed")
        count, begin = len(heard.readings), time.monotonic()
        plug.plug()
        device.pull.clear()
        wait_for(lambda before=count: len(heard.readings) > before, "a reading after re-plugging")
        taken.append(time.monotonic() - begin)
        keep.close()
    assert len(names) > 1
    return taken


@pytest.mark.parametrize("kind", ["ascii_line", "modbus_rtu"])
def test_a_port_that_is_put_back_under_another_name_is_read_within_5_s(plug: Plug, kind: str, long_run: bool) -> None:
    times = TIMES_LONG if long_run else TIMES_USUAL
    device: RtuSlave | Talker = RtuSlave(plug) if kind == "modbus_rtu" else Talker(plug)
    device.start()
    bus = modbus_bus(plug.path) if kind == "modbus_rtu" else ascii_bus(plug.path)
    with listening(bus) as heard:
        wait_for(lambda: heard.readings, "the first reading")
        taken = pull_and_plug(plug, device, heard, times)
    device.end()
    recovered = sum(s <= RECOVERED_WITHIN_S for s in taken)
    print(f"{kind}: {recovered} of {times} recovered within 5 s; longest {max(taken):.2f} s")
    assert recovered == times


def test_a_network_that_is_put_back_is_read_within_5_s(long_run: bool) -> None:
    times = TIMES_LONG if long_run else TIMES_USUAL
    taken = []
    slave = LateTcpSlave()
    cable = Cable(slave.port)
    with listening(tcp_bus(cable.port)) as heard:
        wait_for(lambda: heard.readings, "the first reading")
        for _ in range(times):
            cable.cut()
            wait_for(lambda: not heard.bus.health.port_open, "the loss to be noticed")
            count, begin = len(heard.readings), time.monotonic()
            cable.plug_in()
            wait_for(lambda before=count: len(heard.readings) > before, "a reading after plugging in")
            taken.append(time.monotonic() - begin)
    cable.cut()
    slave.end()
    print(f"modbus_tcp: {sum(s <= 5.0 for s in taken)} of {times} within 5 s; longest {max(taken):.2f} s")
    assert max(taken) <= RECOVERED_WITHIN_S


# -- late answers -----------------------------------------------------------------------------------------------------


SOMETIMES_S, SELDOM_S = (0.0, 0.02, 0.15, 0.4), (0.0, 0.0, 0.0, 0.0, 1.5)


@pytest.mark.parametrize(
    ("lateness_s", "knows", "questions"),
    [(SOMETIMES_S, (1, 2, 3, 4), 25), (SELDOM_S, (1, 2, 3, 4), 15), (SOMETIMES_S, (4,), 6)],
    ids=["often", "seldom and far", "often, and it knows one function alone"],
)
def test_a_serial_unit_that_answers_late_is_never_credited_with_it(
    plug: Plug, lateness_s: tuple[float, ...], knows: tuple[int, ...], questions: int, long_run: bool
) -> None:
    """Answers hold the number of their question; one counts only while no other has been asked after it."""
    rng = random.Random()
    wanted = 20 * questions if long_run else questions
    with slave_on(plug, delay_s=lambda: rng.choice(lateness_s), knows=knows) as slave:
        bus = modbus_bus(plug.path, {}, {"register": 1, "signal": "temperature"}, timeout_s=0.1, period_s=0.01)
        with listening(bus) as heard:
            wait_for(lambda: len(slave.questions) >= wanted, "enough questions", 300.0)
            credited = check_credit(heard, slave)
            print(f"late RTU: {len(slave.questions)} questions, {credited} readings, {heard.bus.health.faults} faults")


@pytest.mark.parametrize("kind", ["modbus_rtu", "ascii_line"])
def test_an_answer_later_than_any_that_is_waited_for_is_not_credited_either(
    plug: Plug, kind: str, long_run: bool
) -> None:
    """It comes just when the next question has been asked, 3 s on, from a unit that can be told by nothing else."""
    rng = random.Random()
    seldom = iter(range(1, 1_000_000))

    def lateness_s() -> float:
        return rng.uniform(LATE_S, LATE_S + 0.6) if next(seldom) % 4 == 0 else 0.0

    sensors = ({}, {"signal": "temperature"})
    slave = RtuSlave(plug, lateness_s, (4,)) if kind == "modbus_rtu" else LateTalker(plug, lateness_s)
    if kind == "modbus_rtu":
        bus = modbus_bus(plug.path, {}, {"register": 1, **sensors[1]}, timeout_s=0.2, period_s=0.01)
    else:
        asked = ({**s, "poll": f"?{i}\r", "pattern": r"(?P<value>\d+\.\d)"} for i, s in enumerate(sensors))
        bus = ascii_bus(plug.path, *asked, timeout_s=0.2, period_s=0.01)
    slave.start()
    try:
        with listening(bus) as heard:
            wait_for(lambda: len(slave.questions) >= (400 if long_run else 9), "enough questions", 600.0)
            check_credit(heard, slave)
    finally:
        slave.end()


def test_a_unit_that_is_always_late_gives_nothing_and_is_told_so(plug: Plug) -> None:
    with slave_on(plug, delay_s=lambda: 0.15):
        bus = modbus_bus(plug.path, {}, {"register": 1, "signal": "temperature"}, timeout_s=0.1, period_s=0.01)
        with listening(bus) as heard:
            wait_for(lambda: "answers later than timeout_s: raise it" in heard.text, "the lateness to be told")
            assert heard.readings == []


class LateTalker(threading.Thread):
    """Answers lines `?<place>` in order, each after a delay, with the number of the question."""

    def __init__(self, plug: Plug, lateness_s: Callable[[], float]) -> None:
        super().__init__(daemon=True)
        self.questions: list[Any] = []
        self._plug, self._lateness_s, self._ended = plug, lateness_s, False

    def run(self) -> None:
        """Answer until ended; a question that comes meanwhile waits for its turn."""
        data, due = b"", []
        while not self._ended:
            if select.select([self._plug.fd], [], [], 0.005)[0]:
                data += os.read(self._plug.fd, 4096)
            while b"\r" in data:
                question, _, data = data.partition(b"\r")
                self.questions.append(Asked(0, 0, int(question[1:]), time.time()))
                after = max([time.monotonic() + self._lateness_s(), *(d for d, _ in due)])
                due.append((after, f"{len(self.questions) - 1}.0\r\n".encode()))
            while due and due[0][0] <= time.monotonic():
                self._plug.send(due.pop(0)[1])

    def end(self) -> None:
        """Stop answering."""
        self._ended = True
        self.join(5.0)


@pytest.mark.parametrize("lateness_s", [(0.0, 0.02, 0.15, 0.4), (0.0, 0.0, 0.0, 0.0, 0.0, 2.0)])
def test_a_polled_transmitter_that_answers_late_is_never_credited_with_it(
    plug: Plug, lateness_s: tuple[float, ...], long_run: bool
) -> None:
    wanted = 300 if long_run else 10  # tests/io/test_late_each_time.py has many more, in a time of its own
    form = {"pattern": r"(?P<value>\d+\.\d)"}
    sensors = ({"poll": "?0\r", **form}, {"poll": "?1\r", "signal": "temperature", **form})
    rng = random.Random()
    talker = LateTalker(plug, lambda: rng.choice(lateness_s))
    talker.start()
    with listening(ascii_bus(plug.path, *sensors, timeout_s=0.1, period_s=0.01)) as heard:
        wait_for(lambda: len(talker.questions) >= wanted, "enough questions", 600.0)
        credited = check_credit(heard, talker)
        print(f"late lines: {len(talker.questions)} questions, {credited} readings, {heard.bus.health.faults} faults")
    talker.end()


def test_of_several_polled_transmitters_a_dead_one_is_asked_less_and_less(plug: Plug) -> None:
    form = {"pattern": r"(?P<value>\d+\.\d)"}
    dead = {"poll": "?9\r", "signal": "temperature", **form}
    with listening(ascii_bus(plug.path, dead, {"poll": "?0\r", **form}, timeout_s=0.1, period_s=0.01)) as heard:
        asked = b""
        end = time.monotonic() + 20.0
        while len(heard.values()) < 20 and time.monotonic() < end:
            got = plug.receive(3)
            asked += got
            if b"?0\r" in got:
                plug.send(b"5.0\r\n")
        assert len(heard.values()) >= 20
        assert asked.count(b"?9\r") <= 2
        assert "lathe-1 temperature: no answer" in heard.text


# -- lines that babble ------------------------------------------------------------------------------------------------


def test_a_line_that_babbles_starves_no_other_sump(plug: Plug, tmp_path: Path) -> None:
    """Bytes without a pause on two lines; the sumps on two others go on at their pace."""
    other, third = Plug(tmp_path / "other"), Plug(tmp_path / "third")
    stop = threading.Event()

    def babble(line: Plug, data: bytes) -> None:
        while not stop.wait(0.001):
            line.send(data)

    talkers = [
        threading.Thread(target=babble, args=(plug, b"\x01\x04\x02\x00" * 64)),
        threading.Thread(target=babble, args=(third, b"L 12" * 64)),
    ]
    with (
        slave_on(other) as slave,
        listening(modbus_bus(plug.path, timeout_s=0.1)) as drowned,
        listening(ascii_bus(third.path)) as chattering,
        listening(modbus_bus(other.path, timeout_s=1.0, period_s=0.05)) as good,
    ):
        for talker in talkers:
            talker.start()
        wait_for(lambda: drowned.bus.health.faults >= 2 and "nothing for" in chattering.text, "the babble to be told")
        before, asked = len(good.readings), len(slave.questions)
        wait_for(lambda: len(good.readings) >= before + 20, "the sump beside it")
        missed = (len(slave.questions) - asked) - (len(good.readings) - before)
        print(f"beside two babbling lines: {len(good.readings) - before} readings, {missed} missed")
        assert drowned.readings == chattering.readings == []
        assert drowned.bus.intake.dropped == chattering.bus.intake.dropped == 0
        stop.set()
        for talker in talkers:
            talker.join(5.0)
    other.unplug()
    third.unplug()


def test_a_line_that_shouts_good_readings_crowds_nobody_out(plug: Plug) -> None:
    """A thousand readings a second: one a period is kept, and what waits is bounded."""
    with listening(ascii_bus(plug.path, period_s=0.5)) as heard:
        wait_for(lambda: heard.bus.health.port_open, "the port to be open")
        plug.send(b"\r\n")
        for number in range(5_000):
            plug.send(f"L {number}.0 MM\r\n".encode())
        plug.send(b"end of it\r\n")
        wait_for(lambda: "end of it" in heard.text, "all of it to be heard")
        assert len(heard.readings) < 100
