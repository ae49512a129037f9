"""`sumpside listen` and `sumpside check --live` as a maintenance engineer calls them, on real pseudo-terminals."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from agent.core.curve import Curve
from agent.live_check import judged
from agent.site import check_site, load_site
from agent.site_buses import ModbusSensor, Sensor
from tests.contract.test_site_file import SOUND
from tests.io.buses import listening
from tests.io.lines import Crossed, LibmodbusSlave, Plug, wait_for
from tests.io.network_slaves import LateTcpSlave


def call(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "agent", *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=100)


@pytest.fixture
def plug(tmp_path: Path) -> Iterator[Plug]:
    line = Plug(tmp_path / "by-id")
    yield line
    line.unplug()


@contextmanager
def talking(plug: Plug, *lines: bytes) -> Iterator[None]:
    """The lines again and again, as a transmitter sends them."""
    stop = threading.Event()

    def talk() -> None:
        turn = 0
        while not stop.wait(0.03):
            plug.send(lines[turn % len(lines)])
            turn += 1

    thread = threading.Thread(target=talk)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(5.0)


@contextmanager
def wired_slave(folder: Path) -> Iterator[tuple[Path, LibmodbusSlave]]:
    """A path that leads to a libmodbus slave, unit 3."""
    agents, slaves = Plug(folder / "agents"), Plug(folder / "slaves")
    crossed, slave = Crossed(agents, slaves), LibmodbusSlave(slaves.path, unit=3)
    crossed.start()
    slave.start()
    try:
        yield agents.path, slave
    finally:
        slave.end()
        crossed.end()
        agents.unplug()
        slaves.unplug()


def site_with(folder: Path, piece: str) -> Path:
    path = folder / "site.toml"
    path.write_text(SOUND + "\n" + piece)
    return path


def test_lines_are_shown_guessed_and_written_as_a_piece_that_reads_them(plug: Plug, tmp_path: Path) -> None:
    out = tmp_path / "piece.toml"
    with talking(plug, b"L1 LEVEL 0168.4 MM\r\n", b"L1 LEVEL 0168.5 MM\r\n"):
        done = call("listen", str(plug.path), "--seconds", "1", "--sump", "mill-2", "--out", str(out))
        assert done.returncode == 0, done.stderr
        assert "4c 45 56 45 4c" in done.stderr and "LEVEL 0168" in done.stderr  # as hexadecimal and as text
        assert r"end with '\x0d\x0a'" in done.stderr
        assert "from 168.4 to 168.5 MM: level" in done.stderr
        path = site_with(tmp_path, out.read_text())
        assert check_site(path)[0] == []
        (bus,) = load_site(path).bus
        with listening(bus) as heard:
            wait_for(lambda: heard.readings, "the piece to read the line")
            assert heard.values()[0] in (168.4, 168.5)


def test_a_device_that_must_be_asked_is_asked(plug: Plug) -> None:
    def answer() -> None:
        with suppress(OSError, AssertionError):  # the plug is pulled at the end
            while plug.receive(3, 60.0):
                plug.send(b"B=4.75 %\r")

    threading.Thread(target=answer, daemon=True).start()
    done = call("listen", str(plug.path), "--seconds", "2", "--ask", r"?B\r", "--signal", "brix")
    assert done.returncode == 0, done.stderr
    assert r'poll = "?B\r"' in done.stdout and r'terminator = "\r"' in done.stdout


def test_a_silent_line_is_asked_for_modbus_by_reading_alone(tmp_path: Path) -> None:
    with wired_slave(tmp_path) as (path, slave):
        slave.set_input(2, 2371)
        slave.set_input(4, 0x4098, 0x0000)  # 4.75 as a float
        slave.set_discrete(1, True)
        done = call(
            "listen", str(path), "--seconds", "0.3", "--baud", "19200", "--units", "2-4", "--registers", "0-7",
            "--timeout", "0.5", "--sump", "mill-2",
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        assert "unit 3 answers" in done.stderr and "unit 2 answers" not in done.stderr
        assert "unit 3 input 2: 2371" in done.stderr
        assert "float32 4.75 (word_order big)" in done.stderr
        assert "unit 3 discrete 1: on" in done.stderr
        (bus,) = load_site(site_with(tmp_path, done.stdout)).bus
        (sensor,) = bus.sensor
        assert (bus.driver, sensor.unit, sensor.function, sensor.address) == ("modbus_rtu", 3, "input", 2)


def test_a_network_device_is_asked_too(tmp_path: Path) -> None:
    slave = LateTcpSlave()
    slave.questions += [None] * 500  # type: ignore[list-item]  # so that registers hold something
    done = call("listen", f"127.0.0.1:{slave.port}", "--units", "1", "--registers", "0-1", "--sump", "mill-2")
    slave.end()
    assert done.returncode == 0, done.stderr
    (bus,) = load_site(site_with(tmp_path, done.stdout)).bus
    assert (bus.driver, bus.host, bus.port) == ("modbus_tcp", "127.0.0.1", slave.port)


def test_nothing_made_out_is_said_and_writes_nothing(plug: Plug, tmp_path: Path) -> None:
    done = call("listen", str(plug.path), "--seconds", "0.2", "--units", "1-2", "--timeout", "0.02")
    assert (done.returncode, done.stdout) == (1, "")
    assert "nothing came" in done.stderr and "nobody answers: see to supply" in done.stderr
    with talking(plug, bytes(range(128, 250))):
        done = call("listen", str(plug.path), "--seconds", "0.3", "--baud", "9600")
        assert (done.returncode, done.stdout) == (1, "")
        assert "no text at 9600 baud" in done.stderr
    done = call("listen", str(tmp_path / "none"))
    assert (done.returncode, done.stdout) == (1, "")
    assert "No such file" in done.stderr


@pytest.mark.parametrize("words", [["--units", "9-1"], ["--ask", "\\x"], ["--out", "/dev/null"]])
def test_a_wrong_call_is_one_line_and_exit_code_2(words: list[str]) -> None:
    done = call("listen", "/dev/null", *words)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1


# -- check --live -----------------------------------------------------------------------------------------------------


def bus_piece(path: Path, *sensors: str) -> str:
    head = f'[[bus]]\nid = "rs485"\ndriver = "modbus_rtu"\nport = "{path}"\nbaud = 19200\nperiod_s = 0.05\n'
    keys = "timeout_s = 1.0\n"
    return head + keys + "".join(f'[[bus.sensor]]\nsump = "mill-2"\nunit = 3\n{sensor}\n' for sensor in sensors)


def test_every_sensor_is_read_and_what_is_odd_is_said(tmp_path: Path) -> None:
    with wired_slave(tmp_path) as (path, slave):
        slave.set_input(0, 2000)
        slave.set_input(1, 235)
        slave.set_input(2, 9000)
        piece = bus_piece(
            path,
            'signal = "level"\nregister = 0\nscale = 0.1',
            'signal = "temperature"\nregister = 1',
            'signal = "brix"\nregister = 999',
        )
        done = call("check", str(site_with(tmp_path, piece)), "--live", "--seconds", "4")
        place = f"{tmp_path / 'site.toml'}: bus[rs485].sensor"
        assert done.returncode == 1
        assert f"{place}[0]: mill-2 level reads 200: 211.1 L" in done.stdout
        assert f"warning: {place}[0]: mill-2 level gave 200" in done.stdout
        errors = done.stderr.splitlines()
        assert len(errors) == 2
        assert errors[0].startswith(f"{place}[1]: mill-2 temperature reads 235: no temperature of a fluid")
        assert "a scale 0.1 (tenths)" in errors[0]
        assert errors[1].startswith(f"{place}[2]: mill-2 brix gives no reading: unit 3 answers with exception 2")


def test_all_well_is_exit_code_0(tmp_path: Path) -> None:
    with wired_slave(tmp_path) as (path, slave):
        slave.set_input(0, 2000)
        site = site_with(tmp_path, bus_piece(path, 'signal = "level"\nregister = 0\nscale = 0.1'))
        done = call("check", str(site), "--live", "--seconds", "4")
        assert (done.returncode, done.stderr) == (0, "")


def test_a_port_that_is_away_or_held_by_the_agent_is_a_fault(plug: Plug, tmp_path: Path) -> None:
    site = site_with(tmp_path, bus_piece(plug.path, 'signal = "level"\nregister = 0'))
    with listening(load_site(site).bus[0]) as agent:
        wait_for(lambda: agent.bus.health.port_open, "the agent to have the port")
        done = call("check", str(site), "--live", "--seconds", "0.5")
        assert done.returncode == 1
        assert "does the agent run? end it first" in done.stderr
    plug.unplug()
    done = call("check", str(site), "--live", "--seconds", "0.5")
    assert done.returncode == 1
    assert "cannot be opened" in done.stderr


CURVE = Curve((0.0, 120.5, 380.0), (0.0, 118.0, 421.0))


class _Sump:
    curve = CURVE


def said(sensor: Sensor, *values: float) -> str:
    found = list(judged("here", sensor, list(values), "silent", {"mill-2": _Sump()}))  # type: ignore[dict-item]
    return " / ".join(("FAULT " if one.is_fault else "odd " if one.is_odd else "") + one.text for one in found)


@pytest.mark.parametrize(
    ("signal", "values", "words"),
    [
        ("level", [200.0, 201.0], "level reads 201: 212.0 L"),
        ("level", [], "FAULT mill-2 level gives no reading: silent"),
        ("level", [2000.0], "FAULT mill-2 level reads 2000: outside the level curve, 0 to 380"),
        ("level", [2000.0], "a scale 0.1 (tenths)"),
        ("level", [380.0], "an end of the level curve"),
        ("level", [-5.0], "outside the level curve"),
        ("level", [150.0] * 5, "odd mill-2 level gave 150 5 times"),
        ("temperature", [24.5], "reads 24.5 °C"),
        ("temperature", [75.0], "in °F?"),
        ("temperature", [245.0], "FAULT"),
        ("brix", [4.75], "reads 4.75 Brix"),
        ("brix", [475.0], "a scale 0.01 (hundredths)"),
        ("running", [1.0] * 5, "reads 1: it runs"),
        ("running", [7.0], "neither 0 nor 1"),
    ],
)
def test_what_readings_say(signal: str, values: list[float], words: str) -> None:
    assert words in said(Sensor(sump="mill-2", signal=signal), *values)  # type: ignore[arg-type]


@pytest.mark.parametrize(("kind", "value"), [("uint16", 6553.5), ("int16", 3276.7), ("int16", -3276.8)])
def test_the_end_of_a_register_is_no_measurement(kind: str, value: float) -> None:
    table: dict[str, Any] = {"sump": "mill-2", "signal": "level", "unit": 1, "register": 0, "scale": 0.1, "type": kind}
    assert "the end of the register" in said(ModbusSensor(**table), value)
    assert "the end of the register" not in said(ModbusSensor(**table), 200.0)
