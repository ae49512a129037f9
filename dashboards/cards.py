"""What an instruction's card says: how much of what, in which order, with which care, and what comes of it."""

from __future__ import annotations

from dataclasses import dataclass

from agent.core.fluid import parts_per_100_water
from dashboards.instructions import Instruction
from dashboards.show import NINE_IN_TEN_SD, Show, chance, pct, trim

CIRCULATE_MIN = 30  # before a reading tells anything, see the trade notes on correcting
LARGEST_SHARE = 0.2  # of what is in the sump: more than this goes in by several pours
PLAIN_WATER_PCT = 0.005

SHEET = "Strength limits, additives, mixing two fluids, disposal, health: the supplier's sheet decides."
WITH_CONCENTRATE = (
    "Gloves and eye protection; the concentrate's safety data sheet at hand.",
    "Concentrate into water, stirred. Never water into concentrate, never neat into a sump.",
)
AT_THE_SUMP = (
    "Machine stopped and locked out before you reach into sump or conveyor.",
    "Wipe up spills, no water jet into the sump. Fines of magnesium, titanium or cobalt: ask first.",
)


@dataclass(frozen=True, slots=True)
class Card:
    what: str
    amounts: tuple[tuple[str, str, str], ...]  # (name, amount with unit, a remark)
    steps: tuple[str, ...]
    after_title: str
    after: tuple[str, ...]
    cautions: tuple[str, ...]


def card(one: Instruction, show: Show) -> Card:
    changes = one.adds or one.kind == "drain_part"
    title = "After it, the sump should read" if changes else "As it stands now"
    return Card(_what(one, show), _amounts(one, show), _steps(one, show), title, _after(one, show), _cautions(one))


def mix(makeup_pct: float) -> str:
    """A mix both ways people say it; the first is what every number here means."""
    if makeup_pct < PLAIN_WATER_PCT:
        return "plain water"
    return f"{trim(makeup_pct)} % of the mix ({trim(parts_per_100_water(makeup_pct))} per 100 of water)"


def mix_name(one: Instruction) -> str:
    makeup_pct = one.advice.get("makeup_pct")
    if makeup_pct is None:
        return "mix"
    if makeup_pct < PLAIN_WATER_PCT:
        return "plain water"
    return f"the usual {trim(makeup_pct)} % mix" if one.is_usual else f"{trim(makeup_pct)} % mix"


def _what(one: Instruction, show: Show) -> str:
    advice = one.advice
    if one.kind in ("top_off", "strengthen", "thin"):
        return f"Add {show.pour(advice['volume_l'])} of {mix_name(one)}"
    if one.kind == "drain_part":
        return f"Drain {show.pour(advice['volume_l'])}, then wait for the next instruction"
    if one.kind == "read_strength":
        return "Take a sample, dip the refractometer, enter what it reads"
    if one.kind == "ask":
        return "Something went in that nobody entered. What was it?"
    return "Have a look at this sump and say what you found"


def _amounts(one: Instruction, show: Show) -> tuple[tuple[str, str, str], ...]:
    advice = one.advice
    if one.kind == "drain_part":
        return (("Drain", show.pour(advice["volume_l"]), "to licensed waste"),)
    if not one.adds:
        return ()
    amounts = [("Water", show.pour(advice["water_l"]), ""), ("Concentrate", show.pour(advice["concentrate_l"]), "")]
    if one.is_usual:
        usual = (f"{trim(advice['makeup_pct'])} %", "its usual setting")
        return (*amounts, ("or the proportioner at", *usual))
    return tuple(amounts)


def _steps(one: Instruction, show: Show) -> tuple[str, ...]:
    if one.kind == "read_strength":
        return (
            "Wipe the prism, set it to zero with clean water.",
            "Take the sample from moving fluid, not from the surface.",
            "Read the line, note the Brix, clean the prism.",
        )
    if one.kind == "drain_part":
        return ("Machine off and locked out.", "Drain into a marked container.", "Enter what was drained.")
    return _pouring(one, show) if one.adds else ()


def _pouring(one: Instruction, show: Show) -> tuple[str, ...]:
    volume, high_l = show.pour(one.advice["volume_l"]), one.spec.high_l
    many = one.advice["volume_l"] > LARGEST_SHARE * one.spec.full_l
    slowly = "in several pours, some minutes apart" if many else "slowly"
    if one.is_usual:
        setting = trim(one.advice["makeup_pct"])
        first: tuple[str, ...] = (f"Proportioner at {setting} %, or mix by hand: water first, concentrate into it.",)
    elif one.advice["makeup_pct"] < PLAIN_WATER_PCT:
        first = ("Plain water, because a person decided it.",)
    else:
        first = (
            f"Measure {show.pour(one.advice['water_l'])} of water into clean containers.",
            f"Stir {show.pour(one.advice['concentrate_l'])} of concentrate into the water.",
        )
    return (
        *first,
        f"Put {volume} into the sump {slowly}, near the return. Never above the high mark, {show.volume(high_l)}.",
        f"Let it circulate for {CIRCULATE_MIN} min before any reading.",
    )


def _after(one: Instruction, show: Show) -> tuple[str, ...]:
    advice, spec = one.advice, one.spec
    said = []
    if advice.get("expected_volume_l") is not None:
        said.append(f"Level {show.volume(advice['expected_volume_l'])}")
    strength = advice.get("expected_strength_pct")
    if strength is not None:
        half = NINE_IN_TEN_SD * (advice.get("expected_strength_sd") or 0.0)
        said.append(f"Strength {pct(strength)} ± {max(half, 0.05):.1f}")
        said.append(f"Refractometer {strength / spec.refractometer_factor:.1f} Brix")
    if advice.get("chance_in_band") is not None:
        band = f"{trim(spec.low_pct)} to {trim(spec.high_pct)} %"
        said.append(f"Chance of being in the band {band}: {chance(advice['chance_in_band'])}")
    return tuple(said)


def _cautions(one: Instruction) -> tuple[str, ...]:
    if one.adds and (one.advice.get("makeup_pct") or 0.0) >= PLAIN_WATER_PCT:
        return (*WITH_CONCENTRATE, *AT_THE_SUMP)
    return AT_THE_SUMP if one.kind != "ask" else ()
