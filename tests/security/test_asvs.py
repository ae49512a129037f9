"""The list of OWASP ASVS 5.0, level 1, is whole, and what it claims can be looked up."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

TESTS = Path(__file__).resolve().parents[1]
# Items of level 1 by section; 70 in all.
SECTIONS = {
    "1.2": 5, "1.3": 2, "1.5": 1, "2.1": 1, "2.2": 2, "2.3": 1, "3.2": 2, "3.3": 1, "3.4": 2, "3.5": 3, "4.1": 1,
    "4.4": 1, "5.2": 2, "5.3": 2, "6.1": 1, "6.2": 8, "6.3": 2, "6.4": 2, "7.2": 4, "7.4": 2, "8.1": 1, "8.2": 2,
    "8.3": 1, "9.1": 3, "9.2": 1, "10.4": 5, "11.3": 2, "11.4": 1, "12.1": 1, "12.2": 2, "13.4": 1, "14.2": 1,
    "14.3": 1, "15.1": 1, "15.2": 1, "15.3": 1,
}  # fmt: skip


def flat(tree: dict[str, Any], prefix: str = "") -> dict[str, dict[str, Any]]:
    """TOML reads [1.2.3] as three levels; back to one key an item."""
    if "status" in tree:
        return {prefix: tree}
    found: dict[str, dict[str, Any]] = {}
    for key, inner in tree.items():
        found |= flat(inner, f"{prefix}.{key}" if prefix else key)
    return found


ITEMS = flat(tomllib.loads((Path(__file__).with_name("asvs.toml")).read_text(encoding="utf-8")))


def test_every_item_of_level_1_is_there_and_no_other() -> None:
    wanted = {f"{section}.{i + 1}" for section, count in SECTIONS.items() for i in range(count)}
    assert len(wanted) == 70
    assert set(ITEMS) == wanted


@pytest.mark.parametrize("id", ITEMS)
def test_an_item_passes_by_tests_that_exist_or_says_why_not(id: str) -> None:
    item = ITEMS[id]
    if item["status"] != "passes":
        assert item["status"] in ("not applicable", "open")
        assert item["why"] and "tests" not in item
        return
    assert item["tests"]
    for named in item["tests"]:
        path, name = named.split("::")
        source = (TESTS / path).read_text(encoding="utf-8")
        assert re.search(r"^def test_" if name == "*" else rf"^def {name}\(", source, re.MULTILINE), named


def test_nothing_is_open() -> None:
    assert {id for id, item in ITEMS.items() if item["status"] == "open"} == set()
