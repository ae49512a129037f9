"""Registers over a real pseudo-terminal, from a slave that shares no line with ours (libmodbus), and from bad ones."""

from __future__ import annotations

import random
import shutil
import struct
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.io.buses import listening, modbus_bus
from tests.io.lines import Crossed, LibmodbusSlave, Plug, RtuSlave, crc16, input_answer, wait_for


@pytest.fixture
def plug(tmp_path: Path) -> Iterator[Plug]:
    line = Plug(tmp_path / "by-id")
    yield line
    line.unplug()


class Wired:
    """A libmodbus slave behind a line that the agent can open."""

    def __init__(self, folder: Path) -> None:
        self.agents, self.slaves = Plug(folder / "agents"), Plug(folder / "slaves")
        self.crossed = Crossed(self.agents, self.slaves)
        self.slave = LibmodbusSlave(self.slaves.path, unit=1)
        self.path = self.agents.path


@pytest.fixture
def wired(tmp_path: Path) -> Iterator[Wired]:
    wired = Wired(tmp_path)
    wired.crossed.start()
    wired.slave.start()
    yield wired
    wired.slave.end()
    wired.crossed.end()
    wired.agents.unplug()
    wired.slaves.unplug()


def test_every_kind_of_register_is_read_from_an_independent_slave(wired: Wired) -> None:
    slave = wired.slave
    slave.set_input(0, 2371)
    slave.set_input(1, 0xFFFF)
    slave.set_input(2, *struct.unpack(">HH", struct.pack(">f", 4.75)))
    slave.set_holding(7, 0x0001, 0x0002)
    slave.set_discrete(3, True)
    slave.set_coil(4, True)
    bus = modbus_bus(
        wired.path,
        {"scale": 0.1},
        {"register": 1, "type": "int16", "signal": "temperature"},
        {"register": 2, "type": "float32", "signal": "brix"},
        {"register": 7, "function": "holding", "type": "uint32", "word_order": "little", "sump": "mill-2"},
        {"register": 3, "function": "discrete", "signal": "running"},
        {"register": 4, "function": "coil", "signal": "running", "sump": "mill-2"},
        timeout_s=1.0,
    )
    with listening(bus) as heard:
        wait_for(lambda: len(heard.readings) >= 6, "all six")
        assert heard.values("level", "mill-1")[0] == 237.1  # and not 237.10000000000002
        assert heard.values("temperature")[0] == -1.0
        assert heard.values("brix")[0] == 4.75
        assert heard.values("level", "mill-2")[0] == 0x00020001
        assert heard.values("running", "mill-1")[0] == heard.values("running", "mill-2")[0] == 1.0
        assert heard.bus.status()["ok"], heard.text


@pytest.mark.skipif(shutil.which("mbpoll") is None, reason="mbpoll is not installed")
def test_an_independent_master_reads_the_same_number(wired: Wired) -> None:
    """mbpoll counts registers from 1; the site file counts them as the wire does, from 0."""
    wired.slave.set_input(5, 31234)
    line = ["-m", "rtu", "-b", "19200", "-P", "none"]
    command = ["mbpoll", *line, "-a", "1", "-t", "3", "-r", "6", "-1", str(wired.path)]
    told = subprocess.run(command, capture_output=True, text=True, timeout=10, check=True).stdout
    with listening(modbus_bus(wired.path, {"register": 5}, timeout_s=1.0)) as heard:
        wait_for(lambda: heard.readings, "a reading")
        assert f"[6]: \t{heard.values()[0]:.0f}" in told


def test_a_current_loop_behind_a_register(wired: Wired) -> None:
    loop = {"scale": 0.001, "loop": {"at_4_ma": 0.0, "at_20_ma": 600.0}}
    wired.slave.set_input(0, 12_000)
    with listening(modbus_bus(wired.path, loop, timeout_s=1.0)) as heard:
        wait_for(lambda: heard.values() and heard.values()[-1] == pytest.approx(300.0), "half the span")
        wired.slave.set_input(0, 3_500)
        wait_for(lambda: "wire broken" in heard.text, "the broken wire to be told")
        count = len(heard.readings)
        wired.slave.set_input(0, 4_800)
        wait_for(lambda: len(heard.readings) > count, "readings again")
        assert {round(value, 6) for value in heard.values()} == {300.0, 30.0}


def test_an_exception_is_told_in_words_and_the_others_go_on(wired: Wired) -> None:
    wired.slave.set_input(0, 77)
    with listening(modbus_bus(wired.path, {"register": 9999}, {"sump": "mill-2"}, timeout_s=1.0)) as heard:
        wait_for(lambda: "exception 2 (" in heard.text or "exception 2:" in heard.text, "the exception to be told")
        wait_for(lambda: heard.values(sump="mill-2"), "the other sensor")
        assert heard.values(sump="mill-1") == []


def test_a_unit_that_is_silent_does_not_take_the_others_with_it(plug: Plug) -> None:
    bus = modbus_bus(plug.path, {"unit": 9}, {"unit": 9, "register": 1, "signal": "temperature"}, {"sump": "mill-2"})
    with listening(bus) as heard:
        for turn in (1, 2):
            assert plug.receive(8)[0] == 9
            assert plug.receive(8)[0] == 1
            plug.send(input_answer(1, 77))
            wait_for(lambda turn=turn: len(heard.readings) == turn, "the living unit")
            assert "mill-1 level: no answer" in heard.text
            assert "mill-1 temperature: not asked" in heard.text
        assert heard.values(sump="mill-2") == [77.0, 77.0]
        assert heard.bus.health.openings == 1


def test_a_garbled_answer_is_no_reading(wired: Wired) -> None:
    """One bit turned anywhere in the answer; the check bytes find it."""
    wired.slave.set_input(0, 0x0505)
    rng = random.Random(1)

    def garble(data: bytes) -> bytes:
        place = rng.randrange(len(data))
        return data[:place] + bytes([data[place] ^ 1 << rng.randrange(8)]) + data[place + 1 :]

    with listening(modbus_bus(wired.path, timeout_s=0.1, period_s=0.01)) as heard:
        wait_for(lambda: heard.readings, "the sound line")
        wired.crossed.garble = garble
        asked = wired.slave.questions
        wait_for(lambda: wired.slave.questions >= asked + 4, "four garbled answers")
        wired.crossed.garble = lambda data: data
        count = len(heard.readings)
        wait_for(lambda: len(heard.readings) > count, "the sound line again")
        assert set(heard.values()) == {0x0505}


def test_a_late_answer_is_not_credited_to_the_next_question(plug: Plug) -> None:
    """Unit 1 answers its level late: it is neither its temperature nor unit 2's level."""
    bus = modbus_bus(
        plug.path,
        {},
        {"register": 1, "signal": "temperature"},
        {"unit": 2, "sump": "mill-2"},
        timeout_s=1.0,
    )
    with listening(bus) as heard:
        question = plug.receive(8)
        assert question[:2] == b"\x01\x04"
        wait_for(lambda: heard.bus.health.faults == 1, "the agent to give the answer up")
        plug.send(input_answer(1, 1111))
        assert plug.receive(8)[:2] == b"\x02\x04"  # unit 1 is left alone for this turn
        plug.send(input_answer(2, 2222))
        wait_for(lambda: heard.readings, "unit 2's answer")
        assert [(r.sump, r.signal, r.value) for r in heard.readings] == [("mill-2", "level", 2222.0)]


def test_what_lay_on_the_line_before_the_question_is_no_answer(plug: Plug) -> None:
    with listening(modbus_bus(plug.path, timeout_s=1.0, period_s=0.5)) as heard:
        plug.receive(8)
        plug.send(input_answer(1, 5))
        wait_for(lambda: heard.values() == [5.0], "the first answer")
        plug.send(input_answer(1, 666))
        plug.receive(8)
        plug.send(input_answer(1, 6))
        wait_for(lambda: len(heard.readings) == 2, "the second answer")
        assert heard.values() == [5.0, 6.0]


def test_the_answer_of_another_unit_or_of_another_length_is_no_answer(plug: Plug) -> None:
    with listening(modbus_bus(plug.path, timeout_s=0.3)) as heard:
        for wrong in (input_answer(2, 666), input_answer(1, 666, 667)):
            faults = heard.bus.health.faults
            plug.receive(8)
            plug.send(wrong)
            wait_for(lambda before=faults: heard.bus.health.faults > before, "the fault to be told")
        assert heard.readings == []


@pytest.mark.parametrize("seed", range(3))
def test_rubbish_neither_hangs_nor_kills_the_bus(plug: Plug, seed: int) -> None:
    """Random bytes, and frames whose check bytes fit but whose content is senseless; then a sound answer is read."""
    rng = random.Random(seed)
    with listening(modbus_bus(plug.path, timeout_s=0.05, period_s=0.01)) as heard:
        for _ in range(20):
            faults = heard.bus.health.faults
            frame = bytes([1, rng.choice((1, 2, 3, 4, 0x84, 43, 24))]) + rng.randbytes(rng.randrange(0, 40))
            plug.send(rng.choice((rng.randbytes(rng.randrange(1, 300)), frame + crc16(frame), frame)))
            wait_for(lambda before=faults: heard.bus.health.faults > before or heard.readings, "the rubbish to be met")
            assert heard.bus.failed is None
        wait_for(lambda: _answered(plug, heard), "a sound answer to be read")


def _answered(plug: Plug, heard: object) -> bool:
    """Questions are met as a unit does that has input registers alone."""
    question = plug.receive(8)[-8:]
    refusal = bytes([1, question[1] | 0x80, 1])
    plug.send(input_answer(1, 4242) if question[1] == 4 else refusal + crc16(refusal))
    return 4242.0 in heard.values()  # type: ignore[attr-defined]


def test_a_babbling_line_ends_at_the_deadline_and_others_are_not_starved(plug: Plug, wired: Wired) -> None:
    """Bytes that never pause: the transaction is cut off, and the bus beside it goes on at its pace."""
    wired.slave.set_input(0, 77)
    stop = threading.Event()

    def babble() -> None:
        while not stop.is_set():
            plug.send(b"\x01\x04\xff" + bytes(61))

    talker = threading.Thread(target=babble)
    with (
        listening(modbus_bus(plug.path, timeout_s=0.1)) as drowned,
        listening(modbus_bus(wired.path, timeout_s=1.0)) as other,
    ):
        talker.start()
        wait_for(lambda: drowned.bus.health.faults + drowned.bus.health.openings >= 4, "the deadline to cut it off")
        before = len(other.readings)
        wait_for(lambda: len(other.readings) >= before + 5, "the other bus")
        assert drowned.readings == []
        stop.set()
        talker.join(5.0)


def test_a_port_that_is_pulled_and_put_back_is_read_again(plug: Plug) -> None:
    slave = RtuSlave(plug)
    slave.start()
    with listening(modbus_bus(plug.path, timeout_s=0.3)) as heard:
        wait_for(lambda: heard.readings, "the first answer")
        slave.pull.set()
        slave.away.wait(5.0)
        plug.unplug()
        wait_for(lambda: not heard.bus.health.port_open, "the loss to be noticed")
        plug.plug()
        slave.pull.clear()
        count = len(heard.readings)
        wait_for(lambda: len(heard.readings) > count, "the answer from the new port")
    slave.end()
