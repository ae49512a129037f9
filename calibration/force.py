"""Which calibration is in force: people's settings in the journal, newest last; going back is one step."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from calibration.document import Document, NotOurs

FIELDS = ("curve", "refractometer_factor")
SITE_FILE = "the site file"


@dataclass(frozen=True, slots=True)
class Setting:
    """One value that came into force, by whom and from which file (empty: typed)."""

    time: float  # epoch s
    by: str
    value: Any
    file: str = ""
    digest: str = ""


def settings(words: Iterable[Mapping[str, Any]], field: str) -> list[Setting]:
    """One sump's settings of a field that stand on one another, oldest first; the last one is in force, and under it
    lies what going back returns to. `words`: rows of contract.md in the order they were taken; a setting that says
    `back` takes the top away. What a person takes back by `void` stands on: so it does in the core."""
    stack: list[Setting] = []
    for word in words:
        if word.get("refused"):
            continue
        if word.get("signal") != "setting" or word.get("field") != field:
            continue
        if word.get("back"):
            stack = stack[:-1]
            continue
        stack.append(
            Setting(float(word["time"]), str(word.get("by") or ""), word["value"], str(word.get("file") or ""),
                    str(word.get("digest") or ""))
        )  # fmt: skip
    return stack


def use(document: Document, file: str) -> dict[str, Any]:
    """The body of the word (contract: `setting`) that puts a document in force; NotOurs where it sets nothing."""
    found = document.setting
    if found is None:
        raise NotOurs(f"a calibration of kind {document.kind} sets nothing in the journal; it is kept as a record")
    name, value = found
    return {
        "signal": "setting", "field": name, "value": value, "file": file, "digest": document.digest,
        "note": f"calibration {file}",
    }  # fmt: skip


def go_back(stack: list[Setting], field: str, site_value: Any) -> dict[str, Any]:
    """The body of the word that puts the one before in force again (at the bottom: what the site file says).

    Raises NotOurs where nothing was ever set.
    """
    if not stack:
        raise NotOurs(f"no {field} was set in the journal: {SITE_FILE} is in force, and there is nothing to go back to")
    before = stack[-2] if len(stack) > 1 else None
    file = before.file or "an earlier setting" if before else SITE_FILE
    return {
        "signal": "setting", "field": field, "value": before.value if before else site_value, "back": True,
        "file": before.file if before else "", "note": f"back to {file}",
    }  # fmt: skip
