"""Which calibration is in force: settings stand on one another, and going back takes one away."""

from __future__ import annotations

from typing import Any

import pytest

from calibration.document import Document, NotOurs
from calibration.force import go_back, settings, use

A = Document("factor", "mill-2", 1_750_340_000.0, "Petra", {"factor": {"value": 1.6, "sd": 0.02}})
B = Document("factor", "mill-2", 1_750_440_000.0, "Goran", {"factor": {"value": 1.7, "sd": 0.02}})


def said(*bodies: dict[str, Any]) -> list[dict[str, Any]]:
    """Words in the order the agent took them."""
    return [{**body, "time": 10.0 * i, "by": "Petra"} for i, body in enumerate(bodies)]


def test_the_newest_setting_is_in_force_with_its_file_and_name() -> None:
    stack = settings(said(use(A, "a.toml"), use(B, "b.toml")), "refractometer_factor")
    assert [(s.value, s.file, s.by) for s in stack] == [(1.6, "a.toml", "Petra"), (1.7, "b.toml", "Petra")]
    assert settings(said(use(A, "a.toml")), "curve") == []


def test_going_back_twice_goes_two_steps_and_a_third_time_is_refused() -> None:
    words = [use(A, "a.toml"), use(B, "b.toml")]
    first = go_back(settings(said(*words), "refractometer_factor"), "refractometer_factor", 1.5)
    assert (first["value"], first["file"], first["note"]) == (1.6, "a.toml", "back to a.toml")
    words.append(first)
    assert [s.value for s in settings(said(*words), "refractometer_factor")] == [1.6]
    second = go_back(settings(said(*words), "refractometer_factor"), "refractometer_factor", 1.5)
    assert (second["value"], second["note"]) == (1.5, "back to the site file")
    words.append(second)
    with pytest.raises(NotOurs, match="nothing to go back to"):
        go_back(settings(said(*words), "refractometer_factor"), "refractometer_factor", 1.5)


def test_after_going_back_a_new_choice_stands_on_what_was_gone_back_to() -> None:
    words = [use(A, "a.toml"), use(B, "b.toml")]
    words.append(go_back(settings(said(*words), "refractometer_factor"), "refractometer_factor", 1.5))
    words.append(use(B, "b2.toml"))
    assert [s.file for s in settings(said(*words), "refractometer_factor")] == ["a.toml", "b2.toml"]


def test_refused_words_set_nothing_and_a_plain_setting_counts() -> None:
    refused = {**use(A, "a.toml"), "refused": "nobody is cook"}
    typed = {"signal": "setting", "field": "refractometer_factor", "value": 1.9}
    assert [(s.value, s.file) for s in settings(said(refused, typed), "refractometer_factor")] == [(1.9, "")]


def test_what_sets_nothing_cannot_be_used() -> None:
    with pytest.raises(NotOurs, match="sets nothing"):
        use(Document("hold_up", "mill-2", 1.0, "Petra", {"held_l": {"value": 30.0}}), "h.toml")
    with pytest.raises(NotOurs, match="sets nothing"):
        use(Document("dip", "mill-2", 1.0, "Petra", {"off": {"value": 0.1}}), "d.toml")  # the stick agreed
