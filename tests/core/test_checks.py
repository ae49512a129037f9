"""Companion readings: where good ends, as the trade says."""

from __future__ import annotations

import pytest

from agent.core.checks import ACT, CHECKS, GOOD, LOOK, grade


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("tramp_oil", 0.9, GOOD), ("tramp_oil", 1.0, LOOK), ("tramp_oil", 2.0, LOOK), ("tramp_oil", 2.1, ACT),
        ("dip_slide", 9_999, GOOD), ("dip_slide", 1e4, LOOK), ("dip_slide", 999_999, LOOK), ("dip_slide", 1e6, ACT),
        ("nitrite", 9.9, GOOD), ("nitrite", 10, LOOK), ("nitrite", 20, LOOK), ("nitrite", 20.1, ACT),
        ("nitrate", 24, GOOD), ("nitrate", 50.5, ACT),
        ("hardness", 299, GOOD), ("hardness", 300, LOOK), ("hardness", 450, LOOK), ("hardness", 451, ACT),
        ("ph", 8.5, GOOD), ("ph", 9.5, GOOD), ("ph", 8.4, LOOK), ("ph", 9.6, LOOK), ("ph", 7.9, ACT), ("ph", 9.9, ACT),
    ],
)  # fmt: skip
def test_where_good_ends(name: str, value: float, said: str) -> None:
    assert grade(name, value) == said


@pytest.mark.parametrize(("value", "said"), [(9.0, GOOD), (8.9, GOOD), (8.8, LOOK), (8.7, LOOK), (8.6, ACT)])
def test_a_ph_is_judged_against_the_first_fill_too(value: float, said: str) -> None:
    assert grade("ph", value, first_fill=9.2) == said


def test_what_has_no_limit_gets_no_grade() -> None:
    assert grade("conductivity", 3.0) is None
    assert all(check.least < check.most for check in CHECKS.values())
