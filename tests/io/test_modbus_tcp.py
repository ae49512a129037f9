"""Registers over a real network socket, from a slave that shares no line with ours (libmodbus), and from bad ones."""

from __future__ import annotations

import random
import struct
from collections.abc import Iterator
from typing import Any

import pytest

from agent.site_buses import ModbusTcpBus
from tests.io.buses import Listener, listening
from tests.io.lines import wait_for
from tests.io.network_slaves import LateTcpSlave, LibmodbusTcpSlave
from tests.services import Cable


def tcp_bus(port: int, *sensors: dict[str, Any], **settings: Any) -> ModbusTcpBus:
    """A modbus_tcp bus; each sensor gets mill-1's level in input register 0 of unit 1 unless it says otherwise."""
    default = {"sump": "mill-1", "signal": "level", "register": 0}
    table = {"id": "net", "driver": "modbus_tcp", "host": "127.0.0.1", "port": port, "period_s": 0.05, "timeout_s": 0.5}
    return ModbusTcpBus(**{**table, **settings, "sensor": [{**default, **s} for s in sensors or ({},)]})


@pytest.fixture
def late() -> Iterator[LateTcpSlave]:
    slave = LateTcpSlave()
    yield slave
    slave.end()


def test_registers_are_read_from_an_independent_slave_and_again_after_a_cut() -> None:
    slave = LibmodbusTcpSlave()
    slave.set_input(0, 2371)
    slave.set_input(2, *struct.unpack(">HH", struct.pack(">f", 4.75)))
    slave.set_coil(4, True)
    slave.start()
    cable = Cable(slave.port)
    bus = tcp_bus(
        cable.port,
        {"scale": 0.1},
        {"register": 2, "type": "float32", "signal": "brix"},
        {"register": 4, "function": "coil", "signal": "running"},
        {"register": 9999, "signal": "temperature"},
        timeout_s=2.0,
    )
    with listening(bus) as heard:
        wait_for(lambda: len(heard.readings) >= 3, "all three")
        assert (heard.values("level")[0], heard.values("brix")[0], heard.values("running")[0]) == (237.1, 4.75, 1.0)
        wait_for(lambda: "exception 2: it has no such register" in heard.text, "the exception to be told")
        cable.cut()
        wait_for(lambda: not heard.bus.health.port_open, "the loss to be noticed")
        count = len(heard.readings)
        cable.plug_in()
        wait_for(lambda: len(heard.readings) > count, "readings again")
    cable.cut()
    slave.end()


def test_an_address_where_nobody_listens_is_named() -> None:
    with listening(tcp_bus(1)) as heard:
        wait_for(lambda: "127.0.0.1:1: " in heard.text, "the address to be named")


def test_late_answers_are_passed_over(late: LateTcpSlave) -> None:
    """Register = number of the question: an answer counts only while its own question is the last one asked."""
    rng = random.Random(5)
    late._delay_s = lambda: rng.choice((0.0, 0.01, 0.12, 0.3))
    bus = tcp_bus(late.port, {}, {"register": 1, "signal": "temperature"}, timeout_s=0.1, period_s=0.01)
    with listening(bus) as heard:
        wait_for(lambda: len(late.questions) > 60 and len(heard.readings) > 10, "sixty questions")
        check_credit(heard, late)
        assert heard.bus.health.faults > 5


def check_credit(heard: Listener, slave: Any) -> int:
    """Every reading answers the question that was asked last before it came, and asked for its own register."""
    asked = list(slave.questions)
    place = {"level": 0, "temperature": 1}
    for reading in heard.readings:
        question = asked[int(reading.value)]
        assert question.address == place[reading.signal], (reading, question)
        after = asked[int(reading.value) + 1 :]
        assert all(next_.time >= reading.time - 0.01 for next_ in after[:1]), (reading, after[:1])
    return len(heard.readings)


def test_a_far_end_that_falls_deaf_is_connected_to_anew(late: LateTcpSlave) -> None:
    with listening(tcp_bus(late.port, timeout_s=0.1)) as heard:
        wait_for(lambda: heard.readings, "a reading")
        late.is_deaf = True
        wait_for(lambda: late.connections >= 2, "another try")
        late.is_deaf = False
        count = len(heard.readings)
        wait_for(lambda: len(heard.readings) > count, "readings again")


@pytest.mark.parametrize(
    "say",
    [
        lambda transaction, body: b"HTTP/1.1 400 Bad Request\r\n\r\n",
        lambda transaction, body: struct.pack(">HHH", transaction, 1, len(body)) + body,
        lambda transaction, body: struct.pack(">HHH", transaction ^ 1, 0, len(body)) + body,
        lambda transaction, body: struct.pack(">HHH", transaction, 0, len(body) + 1) + body + b"\0",
        lambda transaction, body: struct.pack(">HHH", transaction, 0, len(body)) + bytes([body[0] + 1]) + body[1:],
        lambda transaction, body: struct.pack(">HHH", transaction, 0, len(body))[:5],
    ],
    ids=["no Modbus", "protocol", "transaction", "length", "unit", "half"],
)
def test_what_is_no_answer_to_the_question_is_no_reading(late: LateTcpSlave, say: Any) -> None:
    late.say = say
    with listening(tcp_bus(late.port, timeout_s=0.1)) as heard:
        wait_for(lambda: heard.bus.health.faults + heard.bus.health.openings >= 3, "the faults to be told")
        assert heard.readings == []
