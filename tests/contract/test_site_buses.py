"""Buses of the site file: every driver's keys, sound ones taken, and what is wrong said with its place."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from agent.errors import SiteFault
from agent.site import check_site, load_site
from tests.contract.test_site_file import SOUND

BUSES = r"""
[mqtt]
host = "broker.hall"

[[bus]]
id = "gauge"
driver = "ascii_line"
port = "/dev/null"
[[bus.sensor]]
sump = "mill-2"
signal = "level"
pattern = 'L (?P<value>\d+\.\d) (?P<unit>[a-z]+)\*(?P<check>..)'
units = { mm = 1.0, cm = 10.0 }
checksum = "xor"

[[bus]]
id = "net"
driver = "modbus_tcp"
host = "gateway.hall"
[[bus.sensor]]
sump = "mill-2"
signal = "metered"
unit = 0
register = 10
type = "uint32"
scale = 0.1
meter = { most_l_per_min = 40.0 }

[[bus]]
id = "hall"
driver = "mqtt"
host = "broker.hall"
[[bus.sensor]]
sump = "mill-2"
signal = "temperature"
topic = "hall/mill-2"
pointer = "/t~1C"
time_pointer = "/at"
stale_s = 120.0

[[bus]]
id = "adc"
driver = "i2c_adc"
port = "/dev/zero"
[[bus.sensor]]
sump = "mill-2"
signal = "brix"
address = 0x48
input = "0-1"
range_v = 4.096
shunt_ohm = 150.0
loop = { at_4_ma = 0.0, at_20_ma = 15.0 }

[[bus]]
id = "pins"
driver = "gpio"
[[bus.sensor]]
sump = "mill-2"
signal = "running"
pin = 17
"""


@pytest.fixture
def site(tmp_path: Path) -> Any:
    def written(*changes: tuple[str, str]) -> Path:
        text = SOUND + BUSES
        for old, new in changes:
            assert old in text, old
            text = text.replace(old, new, 1)
        path = tmp_path / "site.toml"
        path.write_text(text)
        return path

    return written


def test_every_driver_has_its_keys_and_its_defaults(site: Any) -> None:
    path = site()
    assert check_site(path) == ([], [])
    gauge, net, hall, adc, pins = load_site(path).bus
    assert gauge.sensor[0].units == {"mm": 1.0, "cm": 10.0}
    assert (net.port, net.sensor[0].unit, net.sensor[0].wraps_at) == (502, 0, 2.0**32)
    assert (hall.port, hall.tls, hall.sensor[0].retained, hall.patience_s(hall.sensor[0])) == (
        1883,
        False,
        False,
        120.0,
    )
    assert (adc.sensor[0].rate_sps, adc.sensor[0].input) == (16, "0-1")
    assert (pins.sensor[0].pull, pins.sensor[0].active) == ("up", "low")


METER = "meter = { most_l_per_min = 40.0 }"

ONE_FAULT = [
    ('topic = "hall/mill-2"', 'topic = "hall/+/level"', "bus[hall].sensor[0].topic", "name the one of this sensor"),
    ('topic = "hall/mill-2"', 'topic = "hall/#"', "bus[hall].sensor[0].topic", "name the one of this sensor"),
    ('topic = "hall/mill-2"', 'topic = "sumpside/harrow-lane-gearworks/mill-2/now/level"', "bus[hall].sensor[0].topic",
     "published by this site itself"),
    ('topic = "hall/mill-2"', 'topic = ""', "bus[hall].sensor[0].topic", "is empty"),
    ('topic = "hall/mill-2"\n', "", "bus[hall].sensor[0].topic", "is missing"),
    ('pointer = "/t~1C"', 'pointer = "t"', "bus[hall].sensor[0].pointer", "begins with /, as in /level/mm"),
    ('pointer = "/t~1C"', 'pointer = "/t~2C"', "bus[hall].sensor[0].pointer", "neither ~0 nor ~1"),
    ('time_pointer = "/at"', 'time_pointer = "at"', "bus[hall].sensor[0].time_pointer", "is no JSON pointer"),
    ("stale_s = 120.0", "stale_s = 0.0", "bus[hall].sensor[0].stale_s", "above 0"),
    ('host = "gateway.hall"', 'hots = "gateway.hall"', "bus[net].hots", "did you mean host?"),
    ('host = "gateway.hall"', 'host = "gateway.hall"\nport = 70000', "bus[net].port", "65535 or less"),
    ("unit = 0", "unit = 256", "bus[net].sensor[0].unit", "255 or less"),
    ("range_v = 4.096", "range_v = 5.0", "bus[adc].sensor[0].range_v", "it has 6.144, 4.096, 2.048"),
    ("range_v = 4.096", "range_v = 2.048", "bus[adc].sensor[0].range_v", "21 mA through 150 ohm is 3.15 V"),
    ("shunt_ohm = 150.0\n", "", "bus[adc].sensor[0].shunt_ohm", "resistor"),
    ("address = 0x48", "address = 3", "bus[adc].sensor[0].address", "8 or more"),
    ('input = "0-1"', 'input = "0-2"', "bus[adc].sensor[0].input", "must be '0'"),
    ("pin = 17", "pin = 99", "bus[pins].sensor[0].pin", "53 or less"),
    ('signal = "running"\npin', 'signal = "ph"\npin', "bus[pins].sensor[0].signal", "must be 'level'"),
    (METER, 'meter = { kind = "flow", wraps_at = 9 }', "bus[net].sensor[0].meter.wraps_at", "a flow does not run over"),
    (METER, METER + "\nloop = { at_4_ma = 0.0, at_20_ma = 9.0 }", "bus[net].sensor[0].meter", "add kind = 'flow'"),
    (METER, 'meter = { kinds = "flow" }', "bus[net].sensor[0].meter.kinds", "did you mean kind?"),
    ('signal = "running"\npin', 'signal = "running"\nmeter = {}\npin', "bus[pins].sensor[0].meter", "metered"),
    ('checksum = "xor"', 'checksum = "none"', "bus[gauge].sensor[0].checksum", "write 'xor' or 'sum'"),
    ('checksum = "xor"', 'checksum = "crc"', "bus[gauge].sensor[0].checksum", "must be 'none'"),
    (r"\*(?P<check>..)", "", "bus[gauge].sensor[0].pattern", "no group named check"),
    (" (?P<unit>[a-z]+)", "", "bus[gauge].sensor[0].pattern", "no group named unit"),
    ("units = { mm = 1.0, cm = 10.0 }\n", "", "bus[gauge].sensor[0].units", "by what each unit is multiplied"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "place", "words"), ONE_FAULT)
def test_one_fault_is_told_once_at_its_place(site: Any, old: str, new: str, place: str, words: str) -> None:
    path = site((old, new))
    (told,), _ = check_site(path)
    assert told.startswith(f"{path}: {place}: ") and words in told
    with pytest.raises(SiteFault):
        load_site(path)


def test_a_flow_must_be_looked_at_often_enough(site: Any) -> None:
    path = site(
        (METER, 'meter = { kind = "flow" }'), ('host = "gateway.hall"', 'host = "gateway.hall"\nperiod_s = 60.0')
    )
    (told,), _ = check_site(path)
    assert "bus[net].period_s: 60 s is too long to sum up a flow" in told


def test_a_pin_has_no_flow(site: Any) -> None:
    flow = ('signal = "running"\npin = 17', 'signal = "metered"\npin = 17\nmeter = { kind = "flow" }')
    (told,), _ = check_site(site(('signal = "metered"\nunit', 'signal = "running"\nunit'), (METER, ""), flow))
    assert "bus[pins].sensor[0].meter.kind: a pin counts pulses" in told


def test_one_network_device_and_one_pin_have_one_place(site: Any) -> None:
    twin = '\n[[bus]]\nid = "net2"\ndriver = "modbus_tcp"\nhost = "gateway.hall"\n[[bus]]\nid = "pins"'
    (told,), _ = check_site(site(('\n[[bus]]\nid = "pins"', twin)))
    assert "bus[net2].host: 'gateway.hall' is asked by another bus already" in told
    more = 'pin = 17\n[[bus.sensor]]\nsump = "mill-2"\nsignal = "metered"\npin = 17'
    path = site(("pin = 17", more), ('signal = "metered"\nunit', 'signal = "running"\nunit'))
    told = check_site(path)[0]
    assert any("bus[pins].sensor[1].pin: 17 has another sensor already" in fault for fault in told)


def test_a_package_that_a_driver_needs_and_is_not_there_is_named(site: Any, tmp_path: Path) -> None:
    """The agent says which extra to install; a site without such a bus does not need it."""
    script = (
        "import sys\n"
        "sys.modules['smbus2'] = None\n"
        "from agent.service import run\n"
        "sys.exit(run(sys.argv[1], *sys.argv[2:5]))\n"
    )
    folders = [str(tmp_path / name) for name in ("state", "inbox", "run")]
    command = [sys.executable, "-c", script, str(site()), *folders]
    done = subprocess.run(command, capture_output=True, text=True, timeout=100)
    assert done.returncode == 1
    assert "bus[adc]: driver i2c_adc needs smbus2: pip install 'sumpside[i2c]'" in done.stderr


def test_a_driver_is_imported_only_where_a_bus_needs_it() -> None:
    script = (
        "import sys, agent.service, agent.io.drivers\n"
        "heavy = {'smbus2', 'gpiod', 'serial', 'agent.io.modbus', 'agent.io.mqtt_bus'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=100)
    assert done.returncode == 0, done.stderr
