"""Numbers and times as people read and write them."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards import show
from dashboards.show import Show, Unreadable

VIENNA = ZoneInfo("Europe/Vienna")
LITRES, GALLONS = Show("litre", VIENNA), Show("us_gallon", VIENNA)
T0 = 1_750_340_000.0  # Thu 2025-06-19 15:33:20 in Vienna


def test_every_volume_has_its_unit() -> None:
    assert LITRES.volume(287.4) == "287 L" and LITRES.volume(42.34) == "42.3 L"
    assert GALLONS.volume(378.5411784) == "100 gal"
    assert LITRES.volume_pm(287.4, 3.6) == "287 L ± 6"
    assert LITRES.volume_pm(87.43, 0.5) == "87.4 L ± 0.8"


def test_what_is_poured_is_shown_as_it_is_measured() -> None:
    assert LITRES.pour(2.125) == "2.1 L" and LITRES.pour(83.2) == "83 L"
    assert GALLONS.pour(2.0) == "68 fl oz" and GALLONS.pour(40.0) == "10.6 gal"


@given(st.floats(0.01, 10_000))
def test_a_volume_survives_the_way_to_the_eye_and_back(volume_l: float) -> None:
    for site in (LITRES, GALLONS):
        assert site.to_litres(site.in_unit(volume_l)) == pytest.approx(volume_l, rel=1e-12)


def test_times_are_those_of_the_site() -> None:
    assert LITRES.clock(T0, T0) == "15:33"
    assert LITRES.clock(T0 - 86_400, T0) == "Wed 18 Jun 15:33"
    assert LITRES.clock(T0 - 400 * 86_400, T0) == "2024-05-15 15:33"
    assert LITRES.clock(None, T0) == "–"


def test_the_hour_that_autumn_has_twice_is_told_apart_and_spring_s_missing_one_is_no_time_of_day() -> None:
    """The zone turned back at 01:00 UTC on 26 October 2025 and forward at 01:00 UTC on 30 March."""
    back, forward = 1_761_440_400.0, 1_743_296_400.0
    told = [LITRES.clock(back + s, back) for s in (-3601, -3600, -60, 0, 3599, 3600)]
    assert told == ["01:59", "02:00 CEST", "02:59 CEST", "02:00 CET", "02:59 CET", "03:00"]
    assert [LITRES.clock(forward + s, forward) for s in (-60, 0)] == ["01:59", "03:00"]
    assert (
        LITRES.read_moment("2025-03-30T02:30", forward + 7200.0) == forward + 1800.0
    )  # nobody's clock showed it: half an hour on


@given(st.integers(1_700_000_000, 1_800_000_000))
def test_a_time_survives_the_field_it_is_typed_in(time_s: int) -> None:
    """To the minute, when it is typed at once; in the hour that autumn has twice, too."""
    read = LITRES.read_moment(LITRES.moment_field(time_s), float(time_s))
    assert abs(read - time_s) < 60


@pytest.mark.parametrize(
    ("typed", "now", "meant"),
    [
        ("02:50", -300.0, -600.0),  # 02:55 the first time
        ("02:50", 600.0, -600.0),  # 02:10 the second time: 02:50 has been once
        ("02:05", 600.0, 300.0),
        ("02:05", 30_000.0, 300.0),
        ("01:50", 600.0, -4200.0),
    ],
)
def test_of_an_hour_that_was_twice_the_latest_that_has_been_is_meant(typed: str, now: float, meant: float) -> None:
    back = 1_761_440_400.0
    assert LITRES.read_moment(f"2025-10-26T{typed}", back + now) == back + meant
    assert f"2025-10-26T{typed}" <= LITRES.latest_field(back + now)  # the field lets it be typed
    assert LITRES.latest_field(back + 4000.0) == "2025-10-26T03:07"


@pytest.mark.parametrize("text", ["", "yesterday", "2025-13-01T10:00", "10:00"])
def test_what_is_no_time_is_said_to_be_none(text: str) -> None:
    with pytest.raises(Unreadable, match="not a date"):
        LITRES.read_moment(text, T0)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (-5, "0 s ago"),
        (0.4, "0 s ago"),
        (119, "119 s ago"),
        (121, "2 min ago"),
        (7300, "2 h ago"),
        (3e5, "3 days ago"),
        (None, "never"),
    ],
)
def test_ages(seconds: float | None, words: str) -> None:
    assert show.age(seconds) == words


def test_a_stretch_of_time_names_its_unit_once_where_it_can() -> None:
    assert show.between("21 h", "44 h") == "21 to 44 h"
    assert show.between("90 min", "5 h") == "90 min to 5 h"


@pytest.mark.parametrize(("value", "words"), [(0.97, "97 in 100"), (1.0, "99 in 100"), (0.0, "1 in 100"), (None, "–")])
def test_a_chance_is_never_a_certainty(value: float | None, words: str) -> None:
    assert show.chance(value) == words


@pytest.mark.parametrize(("text", "value"), [("4.7", 4.7), (" 4,7 ", 4.7), ("4", 4.0)])
def test_numbers_are_read_with_comma_or_point(text: str, value: float) -> None:
    assert show.number(text, "Reading, Brix", 0, 40) == value


@pytest.mark.parametrize("text", ["", "x", "4.7.1", "nan", "inf", "1e9", "-1", "4_7" * 30])
def test_what_is_no_sensible_number_is_refused_by_name(text: str) -> None:
    with pytest.raises(Unreadable, match="Reading, Brix"):
        show.number(text, "Reading, Brix", 0, 40)
