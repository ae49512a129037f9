"""A piece of a site file, written for a person to look over: what `sumpside listen` has found."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence

from agent.io.scan import NAMES, Register
from agent.wire.guess import Guess, Number
from agent.wire.outcomes import Fault
from agent.wire.registers import number

LOOK_OVER = "# found by listening: see that sump, signal, scale and unit are right"
PLAUSIBLE = (1e-2, 1e5)  # a level, temperature or strength as a float lies in here
MOST_SHOWN = 40


def quoted(text: str) -> str:
    """Text as TOML: as it stands where that can be, else with escapes."""
    plain = text.isprintable() and "'" not in text
    return f"'{text}'" if plain and "\\" in text else json.dumps(text)


def line_piece(port: str, baud: int, found: Guess, sump: str, signal: str, poll: str) -> str:
    """A bus of lines; the first number becomes a sensor, the others stand ready as comments."""
    head = [LOOK_OVER, "[[bus]]", 'id = "new"', 'driver = "ascii_line"', f"port = {quoted(port)}", f"baud = {baud}"]
    tables = [_line_sensor(found, one, sump, signal, poll) for one in _best_first(found.numbers, signal)]
    return "\n".join([*head, *_one_live(tables), ""])


def _best_first(numbers: Sequence[Number], signal: str) -> list[Number]:
    return sorted(numbers, key=lambda one: (one.signal != signal, not one.unit))


def _line_sensor(found: Guess, one: Number, sump: str, signal: str, poll: str) -> list[str]:
    seen = f"# {one.least:g} to {one.most:g} {one.unit}".rstrip()
    keys = {"sump": sump, "signal": one.signal or signal, "pattern": one.pattern}
    keys |= {"start": found.start.decode("latin-1")} if found.start else {}
    keys |= {"terminator": found.terminator.decode("latin-1")}
    keys |= {"checksum": found.checksum} if found.checksum != "none" else {}
    keys |= {"poll": poll} if poll else {}
    return [seen, "[[bus.sensor]]", *(f"{key} = {quoted(value)}" for key, value in keys.items())]


def register_piece(head: Sequence[str], found: Sequence[Register], sump: str, signal: str) -> str:
    """A Modbus bus; `head` says how it is reached. The first register with something in it becomes a sensor."""
    words = {(one.unit, one.function, one.address): one.word for one in found}
    tables = [_register_sensor(one, words, sump, signal) for one in found if one.word]
    return "\n".join([LOOK_OVER, "[[bus]]", 'id = "new"', *head, *_one_live(tables[:MOST_SHOWN]), ""])


def _register_sensor(one: Register, words: dict[tuple[int, int, int], int], sump: str, signal: str) -> list[str]:
    is_bit = one.function in (1, 2)
    kind = {} if is_bit else {"type": "float32" if _is_float(one, words) else "uint16"}
    keys = {"sump": sump, "signal": "running" if is_bit else signal} | kind
    lines = [f"{key} = {quoted(value)}" for key, value in keys.items()]
    placed = [f"unit = {one.unit}", f'function = "{NAMES[one.function]}"', f"register = {one.address}"]
    return [f"# {meanings(one, words)}", "[[bus.sensor]]", *lines, *placed]


def _is_float(one: Register, words: dict[tuple[int, int, int], int]) -> bool:
    return _as(one, words, "float32") is not None


def _as(one: Register, words: dict[tuple[int, int, int], int], kind: str, order: str = "big") -> float | None:
    """The register and the one after it as a wide number, where that is plausible."""
    second = words.get((one.unit, one.function, one.address + 1))
    value = None if second is None else number([one.word, second], kind, order)
    if value is None or isinstance(value, Fault) or not PLAUSIBLE[0] <= abs(value) <= PLAUSIBLE[1]:
        return None
    return value


def meanings(one: Register, words: dict[tuple[int, int, int], int]) -> str:
    """What a register may hold: as it stands, signed, and with the next one as a float."""
    if one.function in (1, 2):
        return "on" if one.word else "off"
    told = [str(one.word)]
    told += [f"int16 {one.word - 65_536}"] if one.word > 32_767 else []
    for order in ("big", "little"):
        value = _as(one, words, "float32", order)
        told += [] if value is None else [f"float32 {value:.6g} (word_order {order})"]
    return ", ".join(told)


def _one_live(tables: Iterable[list[str]]) -> list[str]:
    """The first table as it is, the others as comments."""
    lines: list[str] = []
    for i, table in enumerate(tables):
        lines += ["", *(table if i == 0 else [line if line.startswith("#") else f"# {line}" for line in table])]
    return lines
