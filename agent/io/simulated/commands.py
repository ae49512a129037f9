"""What may be ordered from the simulated plant: one line in, one answer out. The same words in the demo's terminal."""

from __future__ import annotations

from collections.abc import Callable

from agent.io.simulated.plant import Plant

HELP = """pour SUMP LITRES PCT   pour a mix, set at PCT % (the proportioner gives what it really gives)
drain SUMP LITRES      take mix out
work SUMP TIMES        multiply a machine's losses while its pump runs
dip SUMP               read a hand refractometer, Brix
state                  the truth: litres, strength, pump
help                   this list"""


class NotUnderstood(ValueError):
    """A line that is no order; the text says what is."""


def answer(plant: Plant, line: str) -> str:
    """Carry out one line. Raises NotUnderstood; the plant is unchanged then."""
    word, *rest = line.split()
    try:
        make, count = ORDERS[word]
    except KeyError:
        raise NotUnderstood(f"no such order: {word!r}. Type help.") from None
    if len(rest) != count:
        raise NotUnderstood(f"{word} takes {count} words after it, not {len(rest)}. Type help.")
    try:
        return make(plant, rest)
    except ValueError as error:
        raise NotUnderstood(f"{word}: {error}") from error


def _pour(plant: Plant, rest: list[str]) -> str:
    sump, litres, pct = rest[0], float(rest[1]), float(rest[2])
    takes_s = plant.pour(sump, litres, pct)
    return f"{sump}: pouring {litres:g} L set at {pct:g} %, takes {takes_s / 60.0:.0f} min of the plant's time"


def _drain(plant: Plant, rest: list[str]) -> str:
    sump, litres = rest[0], float(rest[1])
    takes_s = plant.drain(sump, litres)
    return f"{sump}: draining {litres:g} L, takes {takes_s / 60.0:.0f} min of the plant's time"


def _work(plant: Plant, rest: list[str]) -> str:
    plant.work(rest[0], float(rest[1]))
    return f"{rest[0]}: works {float(rest[1]):g} times as hard"


def _dip(plant: Plant, rest: list[str]) -> str:
    return f"{rest[0]}: reads {plant.hand_brix(rest[0]):.1f} Brix"


def _state(plant: Plant, _: list[str]) -> str:
    return "\n".join(
        f"{sump}: {now['volume_l']:.1f} L at {now['strength_pct']:.2f} %, pump {'runs' if now['running'] else 'rests'}"
        for sump, now in plant.state()["sumps"].items()
    )


ORDERS: dict[str, tuple[Callable[[Plant, list[str]], str], int]] = {
    "pour": (_pour, 3),
    "drain": (_drain, 2),
    "work": (_work, 2),
    "dip": (_dip, 1),
    "state": (_state, 0),
    "help": (lambda _plant, _rest: HELP, 0),
}
