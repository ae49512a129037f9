"""Who answers on a Modbus wire, and what stands in their registers. Only reading is asked, one question at a time."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from agent.io.modbus import Answer, Missed
from agent.wire.modbus import Question, Refusal, Words

PAUSE_S = 0.02  # between questions: slow slaves and other masters want some air
AT_ONCE = 8  # registers a question; a unit that refuses so many is asked one by one
NAMES = {4: "input", 3: "holding", 2: "discrete", 1: "coil"}
FIRST_ASKED = (4, 3)  # input registers, then holding: one of them every transmitter has

Ask = Callable[[Question], Answer]


@dataclass(frozen=True, slots=True)
class Register:
    """What one register (0-65535) or bit (0, 1) holds."""

    unit: int
    function: int
    address: int
    word: int


def units_that_answer(ask: Ask, units: Iterable[int], tell: Callable[[str], None]) -> Iterator[int]:
    """Units from which anything comes, a refusal too. A refusal of a gateway for a silent unit is none."""
    for unit in units:
        for function in FIRST_ASKED:
            time.sleep(PAUSE_S)
            answer = ask(Question(unit, function, 0, 1))
            if isinstance(answer, Missed):
                break  # a unit that is there answers whatever is asked
            if isinstance(answer, Words) or answer.code not in (10, 11):
                tell(f"unit {unit} answers")
                yield unit
                break


def registers_of(ask: Ask, unit: int, addresses: range) -> Iterator[Register]:
    """Everything that can be read of one unit at these addresses, by all four functions."""
    for function in NAMES:
        for start in range(addresses.start, addresses.stop, AT_ONCE):
            yield from _piece(ask, unit, function, range(start, min(start + AT_ONCE, addresses.stop)))


def _piece(ask: Ask, unit: int, function: int, addresses: range) -> Iterator[Register]:
    time.sleep(PAUSE_S)
    answer = ask(Question(unit, function, addresses.start, len(addresses)))
    if isinstance(answer, Words):
        for address, word in zip(addresses, answer.words, strict=True):
            yield Register(unit, function, address, word)
    elif isinstance(answer, Refusal) and answer.code in (2, 3, 4) and len(addresses) > 1:
        for address in addresses:
            yield from _piece(ask, unit, function, range(address, address + 1))
