"""A valve's driver as a process: on while it is renewed, off however the renewing ends; a real line, a real slave."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from agent.io.valve import CLOSE, HOLD, LineOutput, OutputFault, Server
from agent.io.valve_process import ValveProcess
from agent.wire.modbus import crc
from agent.wire.modbus_write import coil_answer, coil_request
from tests.io.lines import Crossed, LibmodbusSlave, Plug, wait_for
from tests.io.pins import Board, Simulated
from tests.io.pins import board as board

COIL = 4
WAIT_S = 30.0
RENEW_S = 0.1


class Wired:
    """A libmodbus slave with a coil, behind a line that the driver opens."""

    def __init__(self, folder: Path) -> None:
        self.agents, self.slaves = Plug(folder / "agents"), Plug(folder / "slaves")
        self.crossed = Crossed(self.agents, self.slaves)
        self.slave = LibmodbusSlave(self.slaves.path, unit=1)
        self.slave.set_coil(COIL, True)  # left on by whoever was here before
        self.table: dict[str, Any] = {
            "driver": "modbus_coil",
            "port": str(self.agents.path),
            "baud": 19200,
            "parity": "N",
            "stopbits": 1,
            "unit": 1,
            "coil": COIL,
        }
        self.crossed.start()
        self.slave.start()

    @property
    def on(self) -> bool:
        return bool(self.slave.coil(COIL))

    def end(self) -> None:
        self.slave.end()
        self.crossed.end()
        self.agents.unplug()
        self.slaves.unplug()


@pytest.fixture
def wired(tmp_path: Path) -> Iterator[Wired]:
    made = Wired(tmp_path)
    yield made
    made.end()


@pytest.fixture
def valve(wired: Wired) -> Iterator[ValveProcess]:
    made = ValveProcess(wired.table)
    made.start()
    wait_for(lambda: not wired.on and made.standing().on is False, "the coil to be turned off at the start", WAIT_S)
    yield made
    made.stop()
    wait_for(lambda: not wired.on, "the coil to be off at the end", WAIT_S)


class Renewing(threading.Thread):
    """Somebody who renews until he is stopped."""

    def __init__(self, valve: ValveProcess) -> None:
        super().__init__(daemon=True)
        self.valve, self.ended = valve, threading.Event()
        self.start()

    def run(self) -> None:
        while not self.ended.wait(RENEW_S):
            self.valve.hold()

    def end(self) -> None:
        self.ended.set()
        self.join(WAIT_S)


# -- a coil -----------------------------------------------------------------------------------------------------------


def test_it_is_on_while_it_is_renewed_and_goes_off_by_itself(wired: Wired, valve: ValveProcess) -> None:
    renewing = Renewing(valve)
    wait_for(lambda: wired.on, "the coil", WAIT_S)
    wait_for(lambda: valve.standing().on is True, "the driver to say so", WAIT_S)
    renewing.end()
    wait_for(lambda: not wired.on, "the dead man", WAIT_S)
    wait_for(lambda: valve.standing().on is False, "the driver to say so", WAIT_S)


def test_it_goes_off_at_once_when_it_is_told(wired: Wired, valve: ValveProcess) -> None:
    valve.hold()
    wait_for(lambda: wired.on, "the coil", WAIT_S)
    valve.close()
    wait_for(lambda: not wired.on, "the coil to be off", WAIT_S)


def test_an_agent_that_is_killed_leaves_nothing_open(wired: Wired, tmp_path: Path) -> None:
    """The agent's end of the pipe closes with it."""
    wired.slave.set_coil(COIL, False)
    told = json.dumps(wired.table)
    program = f"""
import json, time
from agent.io.valve_process import ValveProcess
valve = ValveProcess(json.loads({told!r}))
valve.start()
while True:
    valve.hold()
    time.sleep({RENEW_S})
"""
    agent = subprocess.Popen([sys.executable, "-c", program])
    try:
        wait_for(lambda: wired.on, "the coil", WAIT_S)
    finally:
        agent.kill()
        agent.wait(10.0)
    wait_for(lambda: not wired.on, "the coil to be off", WAIT_S)


def test_an_agent_that_hangs_leaves_nothing_open(wired: Wired, valve: ValveProcess) -> None:
    """The pipe stays open, and nothing comes through it."""
    valve.hold()
    wait_for(lambda: wired.on, "the coil", WAIT_S)
    wait_for(lambda: not wired.on, "the dead man", WAIT_S)
    assert valve.standing().fault == ""


def test_a_driver_that_is_killed_is_started_anew_and_turns_it_off(wired: Wired, valve: ValveProcess) -> None:
    renewing = Renewing(valve)
    wait_for(lambda: wired.on, "the coil", WAIT_S)
    renewing.end()
    assert valve._child is not None
    valve._child.kill()
    valve._child.wait(10.0)
    assert valve.standing().on is None
    wait_for(lambda: valve.standing().on is False and not wired.on, "another driver", WAIT_S)


def test_a_unit_that_does_not_answer_is_a_fault_and_nothing_is_held(wired: Wired, valve: ValveProcess) -> None:
    wired.crossed.garble = lambda data: b""
    renewing = Renewing(valve)
    wait_for(lambda: "no answer" in valve.standing().fault, "the fault", WAIT_S)
    assert valve.standing().on is None
    renewing.end()
    wired.crossed.garble = lambda data: data
    wait_for(lambda: valve.standing().on is False and not wired.on, "it to be off, and known to be", WAIT_S)


def test_a_coil_that_is_not_there_is_a_fault(wired: Wired) -> None:
    valve = ValveProcess({**wired.table, "coil": 9999})
    valve.start()
    wait_for(lambda: "exception 2" in valve.standing().fault, "the fault", WAIT_S)
    valve.stop()


def test_a_port_that_comes_later_is_opened(tmp_path: Path, wired: Wired) -> None:
    valve = ValveProcess({**wired.table, "port": str(tmp_path / "later")})
    valve.start()
    wait_for(lambda: "later" in valve.standing().fault, "the fault", WAIT_S)
    (tmp_path / "later").symlink_to(os.readlink(wired.agents.path))
    wait_for(lambda: valve.standing().on is False and not wired.on, "the coil to be off", WAIT_S)
    valve.stop()


# -- a pin ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("active_high", [True, False])
def test_a_pin_is_on_while_it_is_renewed(board: Board | Simulated, active_high: bool) -> None:
    heard, inlet = os.pipe()
    told: list[dict[str, Any]] = []
    server = threading.Thread(target=Server(LineOutput(17, active_high), heard, told.append).run)
    server.start()
    try:
        wait_for(lambda: board.is_high(17) != active_high, "the pin to be off at the start")
        os.write(inlet, HOLD)
        wait_for(lambda: board.is_high(17) == active_high, "the pin to be on")
        wait_for(lambda: board.is_high(17) != active_high, "the dead man", WAIT_S)
        os.write(inlet, HOLD + HOLD)
        wait_for(lambda: board.is_high(17) == active_high, "the pin to be on again")
        os.write(inlet, CLOSE)
        wait_for(lambda: board.is_high(17) != active_high, "the pin to be off")
        os.write(inlet, HOLD)
        wait_for(lambda: board.is_high(17) == active_high, "the pin to be on at the end")
    finally:
        os.close(inlet)
        server.join(WAIT_S)
        os.close(heard)
    assert board.is_high(17) != active_high
    assert told[0] == {"on": False, "fault": ""}


def test_a_pin_that_is_taken_is_a_fault(board: Board | Simulated) -> None:
    first = LineOutput(17, True)
    with pytest.raises(OutputFault):
        LineOutput(17, True)
    first.let_go()
    LineOutput(17, True).let_go()


def test_a_pin_where_there_are_none_is_said() -> None:
    """This machine has no pins; the driver says so and ends, and is tried again."""
    valve = ValveProcess({"driver": "gpio", "line": 17, "active_high": True})
    valve.start()
    wait_for(lambda: valve.standing().fault != "", "the fault", WAIT_S)
    assert valve.standing().on is None
    valve.stop()


# -- bytes ------------------------------------------------------------------------------------------------------------


def test_a_request_is_as_the_standard_shows_it() -> None:
    """The example of the application protocol, section 6.5: output 173 on."""
    assert coil_request(1, 0xAC, True)[:6] == bytes.fromhex("01 05 00 AC FF 00")
    assert coil_request(1, 0xAC, False)[:6] == bytes.fromhex("01 05 00 AC 00 00")
    for unit, coil in ((0, 1), (248, 1), (1, 65_536), (1, -1)):
        with pytest.raises(ValueError, match="no such coil"):
            coil_request(unit, coil, True)


def test_only_the_echo_is_a_yes() -> None:
    """Whole, byte by byte, with rubbish around it, of another coil, spoilt, refused."""
    request = coil_request(1, 4, True)
    for end in range(len(request)):
        assert coil_answer(request, request[:end]) is None
    assert coil_answer(request, b"\x00\xff" + request + b"\x07") == ""
    for other in (coil_request(2, 4, True), coil_request(1, 5, True), coil_request(1, 4, False)):
        assert coil_answer(request, other) is None
    for place in range(len(request)):
        spoilt = bytearray(request)
        spoilt[place] ^= 1
        assert coil_answer(request, bytes(spoilt)) is None
    refusal = b"\x01\x85\x02"
    assert coil_answer(request, refusal + crc(refusal)) == "unit 1 answers with exception 2"
    assert coil_answer(request, refusal + b"\x00\x00") is None
