"""[alerts] and [sump.dosing] in the site file: sound ones are taken, faults have their place and say what to do."""

from __future__ import annotations

from pathlib import Path

import pytest

from agent.site import check_site, load_site
from tests.contract.test_site_file import BUSES, SOUND

ALERTS = '\n[alerts]\nurls_file = "alerts.urls"\nquiet_from = "22:00"\nquiet_to = "06:00"\n'
COIL = """
[sump.dosing]
driver = "modbus_coil"
port = "/dev/ttyUSB9"
unit = 1
coil = 4
rate_l_per_min = 4.0
pct = 2.5
max_dose_l = 20.0
max_hour_l = 30.0
max_day_l = 60.0
margin_l = 5.0
"""
PIN = COIL.replace('driver = "modbus_coil"\nport = "/dev/ttyUSB9"\nunit = 1\ncoil = 4', 'driver = "gpio"\nline = 17')


def checked(folder: Path, text: str) -> tuple[list[str], list[str]]:
    """Faults and warnings without the file's name."""
    path = folder / "site.toml"
    path.write_text(text)
    faults, warnings = check_site(path)
    return [line.removeprefix(f"{path}: ") for line in faults], [line.removeprefix(f"{path}: ") for line in warnings]


def test_both_are_off_unless_they_are_there(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SOUND + BUSES)
    site = load_site(tmp_path / "site.toml")
    assert site.alerts is None and site.sump[0].dosing is None


@pytest.mark.parametrize("dosing", [COIL, PIN], ids=["coil", "pin"])
def test_sound_ones_are_taken(tmp_path: Path, dosing: str) -> None:
    (tmp_path / "alerts.urls").touch(0o600)
    assert checked(tmp_path, SOUND + dosing + BUSES + ALERTS) == ([], [])
    site = load_site(tmp_path / "site.toml")
    assert site.alerts is not None and site.alerts.severities == ["act now", "act soon"]
    assert site.sump[0].dosing is not None and site.sump[0].dosing.max_hour_l == 30.0


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ("quiet_to", "quiet_two", "alerts.quiet_two: no such key; did you mean quiet_to?"),
        ('quiet_to = "06:00"\n', "", "alerts.quiet_from: stands alone; give both quiet_from and quiet_to, or neither"),
        ('"06:00"', '"6 am"', "alerts.quiet_to: is '6 am'; write a time of day like 22:00"),
        ('"06:00"', '"24:00"', "alerts.quiet_to: is '24:00'; write a time of day like 22:00"),
        ('urls_file = "alerts.urls"', "", "alerts.urls_file: is missing; add it"),
        ("coil = 4", "", "sump[mill-2].dosing.coil: is missing; add it"),
        ("unit = 1\ncoil", "unit = 0\ncoil", "sump[mill-2].dosing.unit: must be 1 or more, not 0"),
        ("margin_l = 5.0", "margin_l = 0.0", "sump[mill-2].dosing.margin_l: must be above 0, not 0.0"),
        ("pct = 2.5\nmax", "pct = 0.0\nmax", "sump[mill-2].dosing.pct: must be above 0, not 0.0"),
        ("max_day_l", "max_dey_l", "sump[mill-2].dosing.max_dey_l: no such key; did you mean max_day_l?"),
        (
            "max_hour_l = 30.0",
            "max_hour_l = 19.0",
            "sump[mill-2].dosing.max_dose_l: 20 L is above max_hour_l, 19 L; put max_dose_l <= max_hour_l <= max_day_l",
        ),
        (
            "pct = 2.5\nmax",
            "pct = 1.0\nmax",
            "sump[mill-2].dosing.pct: 1 % lies outside the mixes allowed here: leanest_pct is 1.5 %",
        ),
        (
            "/dev/ttyUSB9",
            "/dev/null",
            "sump[mill-2].dosing.port: '/dev/null' is the port of bus[0] already; give the valve one of its own",
        ),
        (
            'signal = "level"',
            'signal = "temperature"',
            "sump[mill-2].dosing: this sump has no level sensor; nothing is dosed blind",
        ),
        ('"modbus_coil"', '"hydraulic"', "sump[mill-2].dosing: has driver 'hydraulic'; it must be one of "),
    ],
)
def test_a_fault_has_its_place(tmp_path: Path, old: str, new: str, fault: str) -> None:
    (tmp_path / "alerts.urls").touch(0o600)
    text = SOUND + COIL + BUSES + ALERTS
    assert old in text
    faults, _ = checked(tmp_path, text.replace(old, new, 1))
    assert any(line.startswith(fault) for line in faults), faults


def test_a_file_of_addresses_that_is_away_or_open_to_others_is_a_warning(tmp_path: Path) -> None:
    assert checked(tmp_path, SOUND + BUSES + ALERTS) == (
        [],
        ["alerts.urls_file: 'alerts.urls' is not there on this machine now"],
    )
    (tmp_path / "alerts.urls").touch(0o640)
    (warning,) = checked(tmp_path, SOUND + BUSES + ALERTS)[1]
    assert "chmod 600" in warning


@pytest.mark.parametrize("rubbish", ["dosing = 7", "dosing = []", "dosing = {}", 'dosing = { port = 5, pct = "x" }'])
def test_rubbish_is_a_fault_and_no_crash(tmp_path: Path, rubbish: str) -> None:
    faults, _ = checked(tmp_path, SOUND.replace("high_l = 360.0", f"high_l = 360.0\n{rubbish}") + BUSES)
    assert faults
