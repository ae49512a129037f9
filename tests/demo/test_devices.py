"""The instruments answer at real ports: asked by another Modbus master, read as a plain line."""

from __future__ import annotations

import struct
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial
from pymodbus.client import ModbusSerialClient

from agent.io.simulated import calendar
from agent.io.simulated.devices import BAUD, Instruments, float_words, loop_milliamperes, modbus_word
from agent.io.simulated.plant import Plant, new_plant

OPENING = calendar.opening(1_790_000_000.0)


@pytest.fixture
def works(tmp_path: Path) -> Iterator[tuple[Plant, Path]]:
    plant = new_plant(OPENING, 1)
    plant.advance_to(OPENING + 3600.0)
    instruments = Instruments(plant, tmp_path / "ports")
    instruments.start()
    yield plant, tmp_path / "ports"
    instruments.end()


@pytest.fixture
def mills(works: tuple[Plant, Path]) -> Iterator[ModbusSerialClient]:
    with ModbusSerialClient(port=str(works[1] / "mills"), baudrate=BAUD, timeout=2.0) as client:
        yield client


def test_a_mills_level_and_temperature_come_from_its_registers(
    works: tuple[Plant, Path], mills: ModbusSerialClient
) -> None:
    plant, _ = works
    for unit, sump in ((1, "mill-1"), (2, "mill-2")):
        level, temperature = mills.read_input_registers(0, count=2, device_id=unit).registers
        assert 0.1 * level == pytest.approx(plant.level_raw(sump), abs=8.0)
        assert 0.1 * temperature == pytest.approx(plant.conditions[sump].temperature_c, abs=0.5)


def test_the_refractometer_gives_a_float_and_the_pumps_contact(
    works: tuple[Plant, Path], mills: ModbusSerialClient
) -> None:
    plant, _ = works
    words = mills.read_input_registers(0, count=2, device_id=3).registers
    brix = struct.unpack(">f", struct.pack(">HH", *words))[0]
    assert brix == pytest.approx(plant.conditions["mill-2"].strength_pct / 1.5, abs=0.5)
    assert mills.read_discrete_inputs(0, count=1, device_id=3).bits[0] == plant.running("mill-2")
    assert mills.read_discrete_inputs(0, count=1, device_id=1).bits[0] == plant.running("mill-1")


def test_registers_are_measured_anew_at_every_question(works: tuple[Plant, Path], mills: ModbusSerialClient) -> None:
    plant, _ = works
    before = mills.read_input_registers(0, count=1, device_id=2).registers[0]
    plant.pour("mill-2", 40.0, 2.5)
    plant.advance_to(plant.time_s + 600.0)
    after = mills.read_input_registers(0, count=1, device_id=2).registers[0]
    assert 0.1 * (after - before) == pytest.approx(40.0 * 190.0 / 222.0, abs=10.0)  # mm a litre near there


def test_a_register_that_is_not_there_is_refused(mills: ModbusSerialClient) -> None:
    answer = mills.read_input_registers(7, count=1, device_id=1)
    assert answer.isError() and answer.exception_code == 2


def test_the_grinders_loop_current_stands_for_its_distance(works: tuple[Plant, Path]) -> None:
    plant, ports = works
    with ModbusSerialClient(port=str(ports / "grinder-1"), baudrate=BAUD, timeout=2.0) as client:
        milliamperes = 0.001 * client.read_input_registers(0, count=1, device_id=1).registers[0]
    assert (milliamperes - 4.0) / 16.0 * 600.0 == pytest.approx(plant.level_raw("grinder-1"), abs=12.0)


def test_an_independent_master_reads_the_same(works: tuple[Plant, Path]) -> None:
    """mbpoll: of Debian, on libmodbus, nothing of ours and nothing of pymodbus."""
    plant, ports = works
    asked = [
        "mbpoll",
        "-m",
        "rtu",
        "-a",
        "2",
        "-b",
        str(BAUD),
        "-P",
        "none",
        "-t",
        "3",
        "-r",
        "1",
        "-c",
        "1",
        "-1",
        str((ports / "mills").resolve()),
    ]
    told = subprocess.run(asked, capture_output=True, text=True, timeout=20, check=True).stdout
    value = int(next(line for line in told.splitlines() if line.startswith("[1]")).split()[1])
    assert 0.1 * value == pytest.approx(plant.level_raw("mill-2"), abs=8.0)


def test_the_lathes_transmitter_talks_by_itself(works: tuple[Plant, Path]) -> None:
    plant, ports = works
    with serial.Serial(str(ports / "lathe-1"), 9600, timeout=5.0) as port:
        port.readline()  # perhaps the rest of one
        words = port.readline().split()
    assert words[:2] == [b"L1", b"LEVEL"] and words[3] == b"MM"
    assert float(words[2]) == pytest.approx(plant.level_raw("lathe-1"), abs=8.0)


def test_ports_go_away_at_the_end(tmp_path: Path) -> None:
    instruments = Instruments(new_plant(OPENING, 1), tmp_path / "ports")
    instruments.start()
    port = serial.Serial(str(tmp_path / "ports" / "lathe-1"), 9600, timeout=5.0)
    instruments.end()
    with pytest.raises(serial.SerialException):
        while port.read(1):
            pass
    assert list((tmp_path / "ports").iterdir()) == []


def test_words_on_the_wire() -> None:
    assert modbus_word(-0.3, 0.1) == 0xFFFD
    assert modbus_word(1e9, 0.1) == 32767
    assert float_words(1.0) == [0x3F80, 0x0000]
    assert loop_milliamperes(0.0) == 4.0 and loop_milliamperes(600.0) == 20.0
    assert loop_milliamperes(-500.0) == 3.8 and loop_milliamperes(5000.0) == 20.5
