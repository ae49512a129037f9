"""A card says how to measure: by bucket and jug, by the proportioner's other settings, by titration."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

from agent.core.curve import Curve
from agent.core.measures import Measures
from agent.core.spec import SumpSpec
from dashboards.cards import card
from dashboards.instructions import Instruction, foreseen
from dashboards.show import Show

SPEC = SumpSpec(
    "mill-2", "Mill 2", 340.0, 240.0, 360.0, 7.0, 6.0, 8.4, 1.5, 2.5, 1.5, 14.0, Curve((0.0, 421.0), (0.0, 421.0))
)
METRIC, US = (Show(units, ZoneInfo("UTC")) for units in ("litre", "us_gallon"))


def told(spec: SumpSpec = SPEC, **advice: Any) -> Instruction:
    values = {"kind": "strengthen", "volume_l": 28.0, "makeup_pct": 5.0, "water_l": 26.6, "concentrate_l": 1.4}
    return Instruction("mill-2/advice1", spec, "approved", values | advice, (), None, None, None)


def test_a_mix_by_hand_is_told_by_the_marks_of_the_bucket() -> None:
    rows = card(told(), METRIC).amounts
    assert ("2 × bucket to the 10.0 L mark", "500 mL", "of it concentrate") in rows
    assert ("1 × bucket to the 8.0 L mark", "400 mL", "of it concentrate") in rows
    assert any(name == "1 × bucket to the 2.1 gal mark" for name, _, _ in card(told(), US).amounts)


def test_another_setting_of_the_proportioner_is_offered_where_it_has_one() -> None:
    scaled = replace(SPEC, measures=Measures(settings_pct=(2.5, 5.0)))
    assert ("or the proportioner at", "5 %", "then back to 2.5 %") in card(told(scaled), METRIC).amounts
    assert not any(name == "or the proportioner at" for name, _, _ in card(told(), METRIC).amounts)


def test_a_titration_is_asked_for_as_one() -> None:
    by_kit = card(told(kind="read_strength", method="titration", volume_l=None, makeup_pct=None), METRIC)
    assert by_kit.what.startswith("Titrate") and any("kit" in step for step in by_kit.steps)
    dipped = card(told(kind="read_strength", volume_l=None, makeup_pct=None), METRIC)
    assert "refractometer" in dipped.what and not any("kit" in step for step in dipped.steps)


def test_all_that_a_sump_should_read_says_how_sure_that_is() -> None:
    """The level: what is believed now to 2 L, and a pour of 28 L true to a tenth of it, nine times in ten."""
    belief = {"volume_sd": 2.0}
    one = told(expected_volume_l=340.0, expected_strength_pct=6.9, expected_strength_sd=0.3)
    level, strength, brix = card(foreseen(one, belief), METRIC).after
    assert (level, strength) == ("Level 340 L ± 6", "Strength 6.9 % ± 0.5")
    assert brix == "Refractometer 4.6 Brix ± 0.5, as one person reads it"  # 0.2 Brix of the strength, 0.2 of the eye
    assert card(foreseen(one, belief), US).after[0] == "Level 89.8 gal ± 1.5"
