"""`sumpside charge` as a person or a program calls it."""

import json
import re
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.charge_words import CAUTIONS, LITRES_PER_GALLON, as_json, as_text, measured, request, rounded_pct
from agent.core.charge import CannotBe, Request, plan


def call(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "agent", "charge", *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=60)


def planned(*words: str) -> dict:
    done = call(*words, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    return json.loads(done.stdout)


def asked(**options: str) -> Request:
    usual = dict.fromkeys(["volume_l", "volume", "target", "bucket_l", "bucket"])
    return request(**usual | {"percent_of": "mix", "richest": "15", "lean": "1.5", "unit": "litre"} | options)


def test_json_holds_everything_in_litres():
    row = planned("--volume-l", "340", "--target", "7")
    assert row["total_water_l"] == pytest.approx(316.2)
    assert row["total_concentrate_l"] == pytest.approx(23.8)
    assert row["strength_pct"] == pytest.approx(7.0, abs=1e-9)
    assert row["strength_per_100_water"] == pytest.approx(100 * 7 / 93, abs=1e-9)
    assert sum(b["count"] * (b["water_l"] + b["concentrate_l"]) for b in row["batches"]) == pytest.approx(340.0)
    assert all(b["water_l"] + b["concentrate_l"] <= 12.0 + 1e-9 for b in row["batches"])
    assert all(isinstance(step, str) for step in row["steps"] + row["cautions"])


def test_text_tells_order_amounts_and_cautions():
    done = call("--volume-l", "340", "--target", "7")
    assert (done.returncode, done.stderr) == (0, "")
    text = done.stdout
    assert "340 L at 7 % of the mix (7.53 parts per 100 parts of water)" in text
    assert text.index("of water first") < text.index("then stir in") < text.index("lean mix at 1.5 %")
    assert all(caution in text for caution in CAUTIONS)
    assert "30 minutes" in text


def test_parts_per_100_of_water_are_read_as_such():
    assert asked(volume_l="100", target="5", percent_of="water").target_pct == pytest.approx(100 / 21, abs=1e-12)


def test_unit_is_of_the_text_and_of_what_is_given_without_l():
    row = planned("--volume", "90", "--bucket", "3", "--unit", "us_gallon", "--target", "5")
    poured = sum(b["count"] * (b["water_l"] + b["concentrate_l"]) for b in row["batches"])
    assert poured == pytest.approx(90 * LITRES_PER_GALLON)
    assert max(b["water_l"] + b["concentrate_l"] for b in row["batches"]) == pytest.approx(3 * LITRES_PER_GALLON)
    assert all(re.search(r"\bgal\b|fl oz", step) for step in row["steps"][1:-1])
    assert asked(volume_l="100", target="5", unit="us_gallon").volume_l == 100.0
    assert asked(volume_l="100", target="5", unit="us_gallon").bucket_l == 12.0


def test_plain_water_fills_up_only_when_asked_for():
    assert planned("--volume-l", "100", "--target", "5")["batches"][-1]["concentrate_l"] > 0
    row = planned("--volume-l", "100", "--target", "5", "--lean", "0")
    assert row["batches"][-1]["concentrate_l"] == 0.0
    assert "plain water, as asked for" in row["steps"][-2]


@pytest.mark.parametrize(
    "words",
    [
        "--volume-l 100 --target 16",
        "--volume-l 100 --target 1.5",
        "--volume-l 0 --target 7",
        "--volume-l -5 --target 7",
        "--volume-l nan --target 7",
        "--volume-l inf --target 7",
        "--volume-l much --target 7",
        "--volume-l 100",
        "--target 7",
        "",
        "--volume-l 100 --target -7 --percent-of water",
        "--volume-l 100 --target 7 --percent-of oil",
        "--volume-l 100 --target 7 --unit pint",
        "--volume-l 100 --volume 100 --target 7",
        "--volume-l 100 --target 7 --bucket-l 0",
        "--volume-l 100 --target 7 --bucket-l nan",
        "--volume-l 100 --target 7 --richest inf",
        "--volume-l 100 --target 7 --lean -1",
        "--volume-l 100 --target 7 --no-such-option",
        "--volume-l 1e300 --target 7",
        "--volume-l 100 --target",
    ],
)
def test_a_plan_that_cannot_be_is_refused(words):
    done = call(*words.split())
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1
    assert done.stderr.endswith("\n")


@given(st.text(max_size=8))
def test_any_text_for_a_number_is_read_or_refused(text):
    try:
        assert asked(volume_l=text, target="5").volume_l == float(text)
    except CannotBe as refused:
        assert "\n" not in str(refused)


# ── what a person can measure ──────────────────────────────────────────────────────────────────────────────


@given(st.floats(1e-3, 1e6), st.sampled_from(["litre", "us_gallon"]))
def test_a_measure_is_what_its_words_say_and_near_what_was_meant(litres, unit):
    words, rounded = measured(litres, unit)
    per = {"L": 1.0, "mL": 1e-3, "gal": LITRES_PER_GALLON, "fl": LITRES_PER_GALLON / 128}
    said = sum(float(number) * per[name] for number, name in re.findall(r"([\d.]+) (mL|L|gal|fl)", words))
    assert said == pytest.approx(rounded, rel=1e-9)
    assert abs(rounded - litres) <= max(0.05 * litres, 0.002)


@pytest.mark.parametrize(
    ("litres", "unit", "words"),
    [
        (0.0123, "litre", "12 mL"),
        (0.18, "litre", "180 mL"),
        (0.9951, "litre", "1.00 L"),
        (1.738, "litre", "1.75 L"),
        (10.26, "litre", "10.3 L"),
        (99.96, "litre", "100.0 L"),
        (340.4, "litre", "340 L"),
        (LITRES_PER_GALLON, "us_gallon", "1 gal"),
        (LITRES_PER_GALLON * 2.25, "us_gallon", "2 gal 32 fl oz"),
        (LITRES_PER_GALLON * 90, "us_gallon", "90.0 gal"),
        (LITRES_PER_GALLON / 128 * 7.4, "us_gallon", "7.5 fl oz"),
        (LITRES_PER_GALLON / 128 * 0.42, "us_gallon", "0.4 fl oz"),
    ],
)
def test_measures_as_they_stand_on_jugs(litres, unit, words):
    assert measured(litres, unit)[0] == words


@pytest.mark.parametrize("unit", ["litre", "us_gallon"])
@given(st.floats(20.0, 2000.0), st.floats(3.0, 10.0))
def test_the_rounded_measures_still_come_near_the_target(unit, volume, target):
    planned_charge = plan(Request(volume, target))
    assert rounded_pct(planned_charge, unit) == pytest.approx(target, rel=0.05)
    assert f"{rounded_pct(planned_charge, unit):.3g} %" in as_text(planned_charge, unit)
    assert json.loads(as_json(planned_charge, unit))["strength_pct"] == pytest.approx(target, abs=1e-9)
