"""The site file: sound ones are taken, and every fault of the others is found in one go, with its place."""

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.core.measures import Measures
from agent.errors import SiteFault
from agent.site import Site, check_site, load_site

SOUND = """\
[site]
name = "Harrow Lane Gearworks"
timezone = "Europe/Vienna"
units = "litre"

[[sump]]
id = "mill-2"
name = "Mill 2"
full_l = 340.0
low_l  = 240.0
high_l = 360.0

[sump.fluid]
name = "General semi-synthetic"
target_pct = 7.0
low_pct = 6.0
high_pct = 8.4
refractometer_factor = 1.5

[sump.makeup]
usual_pct = 2.5
leanest_pct = 1.5
richest_pct = 14.0

[sump.level]
curve = [[0.0, 0.0], [120.5, 118.0], [310.0, 340.0], [380.0, 421.0]]
"""

BUSES = """
[[bus]]
id = "rs485"
driver = "modbus_rtu"
port = "/dev/null"

[[bus.sensor]]
sump = "mill-2"
signal = "level"
unit = 1
register = 4
scale = 0.001
loop = { at_4_ma = 0.0, at_20_ma = 400.0 }

[[bus]]
id = "line"
driver = "ascii_line"
port = "/dev/zero"

[[bus.sensor]]
sump = "mill-2"
signal = "brix"
pattern = 'B=(?P<value>[0-9.]+)'
"""


@pytest.fixture
def write(tmp_path):
    def to_file(text: str | bytes) -> Path:
        path = tmp_path / "site.toml"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return to_file


def faults(path: Path) -> list[str]:
    """The faults, without the file's name that each begins with; and `load_site` must tell the same ones."""
    found, _ = check_site(path)
    with pytest.raises(SiteFault) as refused:
        load_site(path)
    assert list(refused.value.faults) == found
    assert all(fault.startswith(f"{path}: ") and "\n" not in fault for fault in found)
    return [fault.removeprefix(f"{path}: ") for fault in found]


def changed(old: str, new: str, text: str = SOUND + BUSES) -> str:
    assert text.count(old) >= 1, old
    return text.replace(old, new, 1)


def test_a_sound_file_says_what_it_says(write):
    site = load_site(write(SOUND + BUSES))
    sump = site.spec().sumps["mill-2"]
    assert (sump.full_l, sump.low_l, sump.high_l) == (340.0, 240.0, 360.0)
    assert (sump.target_pct, sump.low_pct, sump.high_pct, sump.refractometer_factor) == (7.0, 6.0, 8.4, 1.5)
    assert (sump.usual_pct, sump.leanest_pct, sump.richest_pct) == (2.5, 1.5, 14.0)
    assert (sump.curve.raw, sump.curve.litres) == ((0.0, 120.5, 310.0, 380.0), (0.0, 118.0, 340.0, 421.0))
    assert (site.slug, site.simulated) == ("harrow-lane-gearworks", False)
    modbus, line = site.bus
    assert (modbus.driver, modbus.sensor[0].address, modbus.sensor[0].loop.at_20_ma) == ("modbus_rtu", 4, 400.0)
    assert (line.sensor[0].terminator, line.timeout_s) == ("\r\n", 0.5)
    assert check_site(write(SOUND + BUSES)) == ([], [])


def test_a_file_without_anything_optional_is_sound(write):
    assert check_site(write(SOUND)) == ([], [])


def test_a_sensor_that_looks_down_is_sound(write):
    down = changed("[[0.0, 0.0], [120.5, 118.0], [310.0, 340.0], [380.0, 421.0]]", "[[40, 421], [300, 12]]")
    assert load_site(write(down)).spec().sumps["mill-2"].curve.litres == (421.0, 12.0)


def test_marks_and_mixes_may_meet_where_they_may(write):
    """Equal marks and mixes are in order; only the band and the low mark must stand apart."""
    text = changed("high_l = 360.0", "high_l = 340.0", changed("leanest_pct = 1.5", "leanest_pct = 2.5"))
    assert check_site(write(text)) == ([], [])
    text = changed("usual_pct = 2.5", "usual_pct = 14.0")
    assert check_site(write(text)) == ([], [])


def test_what_people_measure_with_is_told_to_the_core(write):
    assert load_site(write(SOUND)).spec().sumps["mill-2"].measures == Measures()
    own = "richest_pct = 14.0\nbucket_l = 12\nbucket_mark_l = 0.25\nproportioner_settings_pct = [1.5, 2.5, 4]\n"
    sump = load_site(write(changed("richest_pct = 14.0\n", own))).spec().sumps["mill-2"]
    assert sump.measures == Measures(12.0, 0.25, (1.5, 2.5, 4.0))


def test_leanest_and_richest_follow_the_target_unless_given(write):
    text = changed("leanest_pct = 1.5\nrichest_pct = 14.0\n", "")
    sump = load_site(write(text)).spec().sumps["mill-2"]
    assert (sump.leanest_pct, sump.richest_pct) == (0.7, 14.0)


CURVE = "curve = [[0.0, 0.0], [120.5, 118.0], [310.0, 340.0], [380.0, 421.0]]"
MAKEUP = "[sump.makeup]\nusual_pct = 2.5\nleanest_pct = 1.5\nrichest_pct = 14.0\n"
FACTOR = "sump[mill-2].fluid.refractometer_factor"
LEVEL = 'sump = "mill-2"\nsignal = "level"'

ONE_FAULT = [
    # what is written, what is written instead, place, words
    ("low_pct = 6.0", "low_ptc = 6.0", "sump[mill-2].fluid.low_ptc", "did you mean low_pct?"),
    ("full_l = 340.0", "ful_l = 340.0", "sump[mill-2].ful_l", "did you mean full_l?"),
    ("[site]", "[sight]", "sight", "did you mean site?"),
    ("[sump.fluid]", "[sump.fluids]", "sump[mill-2].fluids", "did you mean fluid?"),
    ("usual_pct = 2.5", "usual_pct = 2.5\nxyz = 1", "sump[mill-2].makeup.xyz", "no such key"),
    ("low_l  = 240.0", "low_l  = 350.0", "sump[mill-2].low_l", "not below full_l"),
    ("low_l  = 240.0", "low_l  = 340.0", "sump[mill-2].low_l", "not below full_l"),
    ("high_l = 360.0", "high_l = 339.0", "sump[mill-2].high_l", "below full_l"),
    ("high_l = 360.0", "high_l = 500.0", "sump[mill-2].high_l", "outside the level curve, 0-421 L"),
    ("low_pct = 6.0", "low_pct = 7.0", "sump[mill-2].fluid.low_pct", "not below target_pct"),
    ("high_pct = 8.4", "high_pct = 7.0", "sump[mill-2].fluid.high_pct", "not above target_pct"),
    ("leanest_pct = 1.5", "leanest_pct = 2.6", "sump[mill-2].makeup.leanest_pct", "above usual_pct"),
    (
        "richest_pct = 14.0",
        "richest_pct = 14.0\nbucket_l = 8.0\nbucket_mark_l = 9.0",
        "sump[mill-2].makeup.bucket_mark_l",
        "more than the bucket holds",
    ),
    (
        "richest_pct = 14.0",
        "richest_pct = 14.0\nproportioner_settings_pct = [2.0, 3.0, 2.5]",
        "sump[mill-2].makeup.proportioner_settings_pct",
        "do not rise",
    ),
    ("richest_pct = 14.0", "richest_pct = 7.0", "sump[mill-2].makeup.richest_pct", "not above the fluid's target"),
    ("usual_pct = 2.5", "usual_pct = 14.5", "sump[mill-2].makeup.richest_pct", "below usual_pct"),
    ("refractometer_factor = 1.5", "refractometer_factor = 10.1", FACTOR, "10 or less"),
    ("refractometer_factor = 1.5", "refractometer_factor = 0.29", FACTOR, "0.3 or more"),
    ("target_pct = 7.0", 'target_pct = "7"', "sump[mill-2].fluid.target_pct", "must be a number"),
    ("target_pct = 7.0", "target_pct = true", "sump[mill-2].fluid.target_pct", "must be a number"),
    ("target_pct = 7.0", "target_pct = 1979-05-27", "sump[mill-2].fluid.target_pct", "must be a number"),
    ("full_l = 340.0", "full_l = inf", "sump[mill-2].full_l", "finite"),
    ("full_l = 340.0", "full_l = nan", "sump[mill-2].full_l", "finite"),
    ("full_l = 340.0\n", "", "sump[mill-2].full_l", "is missing"),
    (MAKEUP, "", "sump[mill-2].makeup", "is missing"),
    ('id = "mill-2"', 'id = "Mill 2"', "sump[0].id", "use a-z, 0-9 and - only"),
    ('id = "mill-2"\n', "", "sump[0].id", "is missing"),
    ('"Europe/Vienna"', '"Europe/Wien"', "site.timezone", "no time zone"),
    ('"Europe/Vienna"', '"../etc/passwd"', "site.timezone", "no time zone"),
    ('units = "litre"', 'units = "pint"', "site.units", "'litre' or 'us_gallon'"),
    ("[310.0, 340.0]", "[110.0, 340.0]", "sump[mill-2].level.curve[2]", "rising raw"),
    ("[310.0, 340.0]", "[310.0, 118.0]", "sump[mill-2].level.curve[2]", "rise throughout"),
    ("[310.0, 340.0]", "[310.0]", "sump[mill-2].level.curve[2]", "[raw reading, litres]"),
    ("[310.0, 340.0]", '[310.0, "340"]', "sump[mill-2].level.curve[2]", "[raw reading, litres]"),
    (CURVE, "curve = 7", "sump[mill-2].level.curve", "list"),
    (CURVE, "", "sump[mill-2].level.curve", "is missing"),
    (CURVE, 'curve = "away.toml"', "sump[mill-2].level.curve", "away.toml"),
    ('port = "/dev/null"\n', "", "bus[rs485].port", "is missing"),
    ('driver = "modbus_rtu"', 'driver = "modbus"', "bus[rs485]", "'modbus_rtu', 'ascii_line'"),
    ('driver = "modbus_rtu"\n', "", "bus[rs485]", "no driver"),
    ("register = 4", "registr = 4", "bus[rs485].sensor[0].registr", "did you mean register?"),
    ("register = 4", "register = 70000", "bus[rs485].sensor[0].register", "65535 or less"),
    ("unit = 1", "unit = 1.5", "bus[rs485].sensor[0].unit", "whole number"),
    ("scale = 0.001", "scale = 0", "bus[rs485].sensor[0].scale", "every reading the same"),
    ("at_20_ma = 400.0", "at_20_ma = 0.0", "bus[rs485].sensor[0].loop", "same value"),
    ("at_20_ma = 400.0", "at_20ma = 400.0", "bus[rs485].sensor[0].loop.at_20ma", "did you mean at_20_ma?"),
    (LEVEL, 'sump = "mill-9"\nsignal = "level"', "bus[rs485].sensor[0].sump", "known are mill-2"),
    ('signal = "brix"', 'signal = "level"', "bus[line].sensor[0]", "already"),
    ('signal = "brix"', 'signal = "ph"', "bus[line].sensor[0].signal", "must be 'level'"),
    ("(?P<value>[0-9.]+)", "(?P<value>[0-9.]+", "bus[line].sensor[0].pattern", "no regular expression"),
    ("(?P<value>[0-9.]+)", "([0-9.]+)", "bus[line].sensor[0].pattern", "group named value"),
    ('port = "/dev/zero"', 'port = "/dev/null"', "bus[line].port", "the port of bus[rs485] already"),
    ('id = "line"', 'id = "rs485"', "bus[1].id", "the id of bus[0] already"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "place", "words"), ONE_FAULT)
def test_one_fault_is_one_line_with_its_place(write, old, new, place, words):
    told = faults(write(changed(old, new)))
    assert len(told) == 1, told
    assert told[0].startswith(f"{place}: ")
    assert words in told[0]


def test_all_of_them_together_are_all_told(write):
    """Every fault that can stand beside the others, in one file: types and orders, sections and sensors."""
    text = SOUND + BUSES
    for old, new in [
        ("low_pct = 6.0", "low_ptc = 6.0"),
        ("low_l  = 240.0", "low_l  = 350.0"),
        ("high_pct = 8.4", 'high_pct = "8.4"'),
        ("leanest_pct = 1.5", "leanest_pct = 2.6"),
        ("[310.0, 340.0]", "[110.0, 340.0]"),
        ('"Europe/Vienna"', '"Europe/Wien"'),
        ('port = "/dev/null"\n', ""),
        ("register = 4", "registr = 4"),
        ('signal = "brix"', 'signal = "level"'),
        ("(?P<value>[0-9.]+)", "(?P<value>"),
    ]:
        text = changed(old, new, text)
    twin = SOUND[SOUND.index("[[sump]]") :]
    told = faults(write(text.replace("[[bus]]", twin + "\n[[bus]]", 1)))
    places = [fault.split(": ")[0] for fault in told]
    for place in (
        "sump[0].fluid.low_ptc",
        "sump[0].low_l",
        "sump[0].fluid.high_pct",
        "sump[0].makeup.leanest_pct",
        "sump[0].level.curve[2]",
        "site.timezone",
        "bus[rs485].port",
        "bus[rs485].sensor[0].registr",
        "bus[line].sensor[0]",
        "bus[line].sensor[0].pattern",
        "sump[1].id",
    ):
        assert places.count(place) == 1, (place, told)
    assert len(told) == 11


def test_a_doubled_id_is_told_by_place(write):
    told = faults(write(SOUND + SOUND[SOUND.index("[[sump]]") :]))
    assert told == ["sump[1].id: 'mill-2' is the id of sump[0] already; give each sump an id of its own"]


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        (SOUND.replace("full_l = 340.0", "full_l = "), 9, "not TOML"),
        (SOUND.replace("full_l = 340.0", "full_l 340.0"), 9, "not TOML"),
        (SOUND + "\n[sump.levels", 28, "not TOML"),
        (SOUND + SOUND, None, "not TOML"),
        (SOUND.encode().replace(b"Mill 2", b"M\xfchle 2"), 8, "not UTF-8"),
        ("a = " + "[" * 100_000, None, "nested"),
        ("a = " + "9" * 5000, None, "not TOML"),
    ],
)
def test_what_is_no_toml_names_its_line(write, text, line, words):
    (told,) = faults(write(text))
    assert words in told
    assert line is None or re.match(rf"line {line}\b", told), told


def test_an_empty_file_lacks_its_sections(write):
    assert faults(write("")) == ["site: is missing; add it", "sump: is missing; add it"]
    assert faults(write(SOUND[: SOUND.index("[[sump]]")])) == ["sump: is missing; add it"]
    assert faults(write("sump = []\n" + SOUND[: SOUND.index("[[sump]]")])) == ["sump: is empty; give at least 1"]


def test_a_wrong_shape_is_told_and_hides_nothing(write):
    told = faults(write('site = 5\nsump = "mill"\nbus = {}\nweb = [1]\n'))
    assert [fault.split(": ")[0] for fault in told] == ["site", "sump", "bus", "web"]
    assert "[[...]]" in told[1]


def test_a_file_that_is_not_there_is_a_fault(tmp_path):
    (told,) = faults(tmp_path / "none.toml")
    assert "no such file" in told
    (told,) = faults(tmp_path)
    assert "directory" in told


def test_a_byte_order_mark_is_no_fault(write):
    assert check_site(write("\ufeff" + SOUND)) == ([], [])


LITERALS = [
    "nan", "inf", "-1", "0", "7", "1e308", "true", '""', '"mill-2"', '"a\\nb"', "[]", "{}", "[[1, 2]]", "[1, [2]]",
    "[[0, 0], [1, 1], [1, 2]]", "1979-05-27", "07:32:00", "9" * 400, '"(?P<value>"', '"(?P<\\n>)"', '"\\u0000"',
    '"\\ud7ff"', '{ id = "mill-2" }', '[{ sump = "x", signal = "level" }]',
]  # fmt: skip
KEYS = ["id", "curve", "sump", "port", "pattern", '"a\\nb"', '""', "full_l", "name.x", "bus", "sensor"]


@given(
    st.lists(st.tuples(st.integers(0, 60), st.sampled_from(KEYS) | st.none(), st.sampled_from(LITERALS)), max_size=6)
)
def test_whatever_stands_in_the_file_faults_are_lines_and_not_a_crash(tmp_path_factory, changes):
    lines = (SOUND + BUSES).splitlines()
    for at, key, literal in changes:
        at %= len(lines)
        own = lines[at].split("=")[0]
        lines[at] = f"{key or own} = {literal}" if "=" in lines[at] else lines[at] + f"\n{key or 'x'} = {literal}"
    path = tmp_path_factory.getbasetemp() / "fuzzed.toml"
    path.write_text("\n".join(lines))
    found, warnings = check_site(path)
    assert all("\n" not in words and words.startswith(f"{path}: ") for words in found + warnings)
    if found:
        with pytest.raises(SiteFault):
            load_site(path)
    else:
        assert load_site(path).spec().sumps


def test_a_strange_sump_is_told_although_another_sump_has_no_id(write):
    text = changed('sump = "mill-2"\nsignal = "brix"', 'sump = "mill-9"\nsignal = "brix"')
    places = [fault.split(": ")[0] for fault in faults(write(changed('id = "mill-2"\n', "", text)))]
    assert places == ["sump[0].id", "bus[rs485].sensor[0].sump", "bus[line].sensor[0].sump"]


# ── curve files ────────────────────────────────────────────────────────────────────────────────────────────

IN_FILE = changed(
    "curve = [[0.0, 0.0], [120.5, 118.0], [310.0, 340.0], [380.0, 421.0]]", 'curve = "curves/m.toml"', SOUND
)


@pytest.fixture
def curve_file(tmp_path):
    (tmp_path / "curves").mkdir()
    return tmp_path / "curves" / "m.toml"


def test_a_curve_may_stand_in_a_file_beside_the_site(write, curve_file):
    curve_file.write_text('who = "Ada"\nwhen = 2025-06-01\npoints = [[0, 0], [100, 90.5], [380, 421]]\n')
    assert load_site(write(IN_FILE)).spec().sumps["mill-2"].curve.litres == (0.0, 90.5, 421.0)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("points = [[0, 0], [100, 90], [90, 421]]", "points[2] has raw 90 after 100"),
        ("points = [[0, 0]]", "at least 2"),
        ("who = 'Ada'", "has no points"),
        ("points = [[", "line 1: is not TOML"),
        ("points = [[0, 0], [380, 300]]", "outside the level curve"),
    ],
)
def test_a_fault_in_the_curve_file_is_told_at_the_key_that_names_it(write, curve_file, text, words):
    curve_file.write_text(text)
    told = faults(write(IN_FILE))
    assert any(words in fault for fault in told)
    assert all(fault.startswith("sump[mill-2].") for fault in told)


# ── warnings ───────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("old", "new", "place"),
    [
        ("refractometer_factor = 1.5", "refractometer_factor = 5.1", "sump[mill-2].fluid.refractometer_factor"),
        ("refractometer_factor = 1.5", "refractometer_factor = 0.5", "sump[mill-2].fluid.refractometer_factor"),
        ('port = "/dev/null"', 'port = "/dev/serial/by-id/none"', "bus[rs485].port"),
        ('timezone = "Europe/Vienna"\n', "", "site.timezone"),
        ("leanest_pct = 1.5", "leanest_pct = 0", "sump[mill-2].makeup.leanest_pct"),
    ],
)
def test_what_is_only_odd_is_a_warning(write, old, new, place):
    path = write(changed(old, new))
    found, (warning,) = check_site(path)
    assert found == []
    assert warning.startswith(f"{path}: {place}: ")
    assert isinstance(load_site(path), Site)


def test_paths_in_the_file_are_beside_the_file(write):
    path = write(SOUND + '[mqtt]\nhost = "broker"\npassword_file = "secret"\n')
    assert load_site(path).resolve("secret") == path.parent / "secret"
    assert "mqtt.password_file" in check_site(path)[1][0]
