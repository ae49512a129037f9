"""How a fault of the site file is placed and worded: `KEY PATH: what is wrong and what to do`."""

from __future__ import annotations

import re
import tomllib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel, ValidationError

Tables = Mapping[tuple[str, ...], type[BaseModel]]  # section names (a bus by its driver) → what stands there
Location = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong: where (a key path, or a line of the file) and what, with what to do."""

    where: str
    text: str

    def __str__(self) -> str:
        return f"{self.where}: {self.text}"


class UnreadableToml(Exception):
    """A file that is no TOML at all, with the one fault that says so."""

    def __init__(self, fault: Fault) -> None:
        super().__init__(str(fault))
        self.fault = fault


def read_toml(path: Path) -> dict[str, Any]:
    """The tables of a TOML file. Raises UnreadableToml, with the line where there is one."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except (OSError, ValueError) as error:
        raise UnreadableToml(_unread(error)) from error
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        raise UnreadableToml(Fault("file", "is nested too deeply; write it as the manual shows")) from error
    except ValueError as error:
        raise UnreadableToml(_not_toml(str(error), text)) from error


def _unread(error: OSError | ValueError) -> Fault:
    if isinstance(error, UnicodeDecodeError):
        line = error.object.count(b"\n", 0, error.start) + 1
        return Fault(f"line {line}", "is not UTF-8; save the file as UTF-8 text")
    why = (getattr(error, "strerror", None) or str(error)).lower()
    return Fault("file", f"{why}; name a file that can be read")


def _not_toml(message: str, text: str) -> Fault:
    found = re.search(r" \(at (?:line (\d+), column (\d+)|end of document)\)", message)
    words = message[: found.start()] if found else message
    words = words[:1].lower() + words[1:]
    if found and found[1]:
        return Fault(f"line {found[1]}, column {found[2]}", f"is not TOML: {words}; correct this line")
    last = len(text.rstrip().splitlines()) or 1
    return Fault(f"line {last}", f"is not TOML: {words} at the end of the file; correct it from here upwards")


# ── key paths ──────────────────────────────────────────────────────────────────────────────────────────────


def key_path(raw: object, location: Location) -> str:
    """`sump[mill-2].fluid.low_pct`: list items by id where they have one of their own, else by index."""
    text, here = "", raw
    for step in location:
        if isinstance(step, int):
            text += f"[{_label(here, step)}]"
            here = here[step] if isinstance(here, list) and step < len(here) else None
        else:
            name = step if re.fullmatch(r"[\w-]+", step) else repr(step)
            text += f".{name}" if text else name
            here = here.get(step) if isinstance(here, dict) else None
    return text


def _label(items: object, index: int) -> str:
    if not isinstance(items, list) or index >= len(items):
        return str(index)
    ids = [item.get("id") if isinstance(item, dict) else None for item in items]
    own = ids[index]
    usable = isinstance(own, str) and re.fullmatch(SLUG, own) and not own.isdigit() and ids.count(own) == 1
    return str(own) if usable else str(index)


def _without_tags(location: Location) -> Location:
    """pydantic names the driver of a bus or a valve inside the location; the file does not."""
    if location[:1] == ("bus",) and len(location) > 2:
        return location[:2] + location[3:]
    if location[:1] == ("sump",) and location[2:3] == ("dosing",) and len(location) > 3:
        return location[:3] + location[4:]
    return location


def _section(location: Location) -> tuple[str, ...]:
    return tuple(step for step in location if isinstance(step, str))


# ── words ──────────────────────────────────────────────────────────────────────────────────────────────────


def faults_of(error: ValidationError, raw: Mapping[str, Any], tables: Tables) -> list[Fault]:
    """pydantic's errors in the words of this file, each with its key path."""
    details = error.errors(include_url=False)
    wrong = [d for d in details if d["type"] == "extra_forbidden"]
    meant = {d["loc"]: _meant(d["loc"], tables) for d in wrong}
    replaced = {loc[:-1] + (guess,) for loc, guess in meant.items() if guess}
    faults = []
    for detail in details:
        if detail["type"] == "missing" and detail["loc"] in replaced:
            continue  # the misspelt key is the one fault, not two
        where = key_path(raw, _without_tags(detail["loc"]))
        faults.append(Fault(where, _words(detail, meant, tables)))
    return faults


def _meant(location: Location, tables: Tables) -> str | None:
    known = _known(location, tables)
    close = get_close_matches(str(location[-1]).lower(), known, n=1, cutoff=0.6)
    return close[0] if close else None


def _known(location: Location, tables: Tables) -> list[str]:
    model = tables.get(_section(location[:-1]))
    return [field.alias or name for name, field in model.model_fields.items()] if model else []


def _words(detail: Any, meant: Mapping[Location, str | None], tables: Tables) -> str:
    kind, context = detail["type"], detail.get("ctx", {})
    if kind == "extra_forbidden":
        guess = meant[detail["loc"]]
        known = ", ".join(_known(detail["loc"], tables))
        return f"no such key; did you mean {guess}?" if guess else f"no such key; here may stand {known}"
    if kind == "missing":
        return "is missing; add it"
    if kind in _TEMPLATES:
        how = _PATTERNS.get(context.get("pattern", ""), "it does not fit the pattern; correct it")
        return _TEMPLATES[kind].format(got=shown(detail["input"]), how=how, **context)
    return f"{detail['msg'].lower()}, not {shown(detail['input'])}"


SLUG: Final = r"^[a-z0-9-]+$"
WEB_ADDRESS: Final = r"^https?://[^\s/]+"
TIME_OF_DAY: Final = r"^([01]\d|2[0-3]):[0-5]\d$"
_PATTERNS: Final = {
    SLUG: "use a-z, 0-9 and - only",
    WEB_ADDRESS: "write an address like http://host:8428",
    TIME_OF_DAY: "write a time of day like 22:00",
}
_TEMPLATES: Final = {
    "float_type": "must be a number, not {got}",
    "int_type": "must be a whole number, not {got}",
    "int_from_float": "must be a whole number, not {got}",
    "string_type": "must be text in quotes, not {got}",
    "bool_type": "must be true or false, not {got}",
    "list_type": "must be a list of tables, not {got}; write its heading in two brackets, [[...]]",
    "model_type": "must be a table, not {got}; write its keys below a heading of its own",
    "model_attributes_type": "must be a table, not {got}; write its keys below a heading of its own",
    "finite_number": "must be a finite number, not {got}",
    "greater_than": "must be above {gt:g}, not {got}",
    "greater_than_equal": "must be {ge:g} or more, not {got}",
    "less_than": "must be below {lt:g}, not {got}",
    "less_than_equal": "must be {le:g} or less, not {got}",
    "literal_error": "must be {expected}, not {got}",
    "too_short": "is empty; give at least {min_length}",
    "string_too_short": "is empty; fill it in",
    "string_too_long": "is too long; use at most {max_length} characters",
    "string_pattern_mismatch": "is {got}; {how}",
    "union_tag_not_found": 'has no driver; add driver = "modbus_rtu" or another: the manual lists them',
    "union_tag_invalid": "has driver {tag!r}; it must be one of {expected_tags}",
}


def shown(value: object) -> str:
    """A value of the file, short enough for one line."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    text = repr(value)
    return text if len(text) <= 40 else text[:37] + "..."


def slug_of(name: str) -> str:
    """A name as it may stand in topics and tags."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "site"


def repeated(values: Sequence[object]) -> list[object]:
    """The values that stand more than once, in order of first sight."""
    counts = Counter(value for value in values if isinstance(value, str))
    return [value for value, count in counts.items() if count > 1]
