"""What an instruction's card says: how much of what, in which order, with which care, and what comes of it."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot

from agent.core.fluid import parts_per_100_water
from agent.core.handling import HAND_SD_BRIX
from agent.core.measures import buckets, setting_for
from dashboards.instructions import Instruction
from dashboards.language import N_, _, decimal
from dashboards.show import NINE_IN_TEN_SD, Show, chance, pct, trim

CIRCULATE_MIN = 30  # before a reading tells anything, see the trade notes on correcting
LARGEST_SHARE = 0.2  # of what is in the sump: more than this goes in by several pours
PLAIN_WATER_PCT = 0.005
TITRATION = "titration"  # an instruction's method, where a refractometer would not settle it

SHEET = N_("Strength limits, additives, mixing two fluids, disposal, health: the supplier's sheet decides.")
WITH_CONCENTRATE = (
    N_("Gloves and eye protection; the concentrate's safety data sheet at hand."),
    N_("Concentrate into water, stirred. Never water into concentrate, never neat into a sump."),
)
AT_THE_SUMP = (
    N_("Machine stopped and locked out before you reach into sump or conveyor."),
    N_("Wipe up spills, no water jet into the sump. Fines of magnesium, titanium or cobalt: ask first."),
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
    title = _("After it, the sump should read") if changes else _("As it stands now")
    return Card(_what(one, show), _amounts(one, show), _steps(one, show), title, _after(one, show), _cautions(one))


def mix(makeup_pct: float) -> str:
    """A mix both ways people say it; the first is what every number here means."""
    if makeup_pct < PLAIN_WATER_PCT:
        return _("plain water")
    parts = trim(parts_per_100_water(makeup_pct))
    return _("{pct} % of the mix ({parts} per 100 of water)", pct=trim(makeup_pct), parts=parts)


def mix_name(one: Instruction) -> str:
    makeup_pct = one.advice.get("makeup_pct")
    if makeup_pct is None:
        return _("mix")
    if makeup_pct < PLAIN_WATER_PCT:
        return _("plain water")
    given = trim(makeup_pct)
    return _("the usual {pct} % mix", pct=given) if one.is_usual else _("{pct} % mix", pct=given)


def _what(one: Instruction, show: Show) -> str:
    advice = one.advice
    if one.kind in ("top_off", "strengthen", "thin"):
        return _("Add {volume} of {mix}", volume=show.pour(advice["volume_l"]), mix=mix_name(one))
    if one.kind == "drain_part":
        return _("Drain {volume}, then wait for the next instruction", volume=show.pour(advice["volume_l"]))
    if one.kind == "read_strength" and advice.get("method") == TITRATION:
        return _("Titrate a sample with the kit and enter the strength; without a kit, dip the refractometer")
    if one.kind == "read_strength":
        return _("Take a sample, dip the refractometer, enter what it reads")
    if one.kind == "ask":
        return _("Something went in that nobody entered. What was it?")
    return _("Have a look at this sump and say what you found")


def _amounts(one: Instruction, show: Show) -> tuple[tuple[str, str, str], ...]:
    advice = one.advice
    if one.kind == "drain_part":
        return ((_("Drain"), show.pour(advice["volume_l"]), _("to licensed waste")),)
    if not one.adds:
        return ()
    water, concentrate = show.pour(advice["water_l"]), show.pour(advice["concentrate_l"])
    amounts = [(_("Water"), water, ""), (_("Concentrate"), concentrate, "")]
    spec, makeup_pct = one.spec, advice["makeup_pct"]
    if one.is_usual:
        usual = (f"{trim(makeup_pct)} %", _("its usual setting"))
        return (*amounts, (_("or the proportioner at"), *usual))
    if setting_for(makeup_pct, spec.usual_pct, spec.measures) is not None:
        back = _("then back to {setting} %", setting=trim(spec.usual_pct))
        amounts.append((_("or the proportioner at"), f"{trim(makeup_pct)} %", back))
    return (*amounts, *_by_the_bucket(one, show))


def _by_the_bucket(one: Instruction, show: Show) -> list[tuple[str, str, str]]:
    """The same by the marks of bucket and jug."""
    volume_l, makeup_pct = one.advice["volume_l"], one.advice["makeup_pct"]
    if makeup_pct < PLAIN_WATER_PCT or volume_l <= 0.0:
        return []
    made = buckets(volume_l, makeup_pct, one.spec.measures)
    name = N_("{count} × bucket to the {mark} mark")
    return [
        (_(name, count=b.count, mark=show.pour(b.volume_l)), show.jug(b.concentrate_l), _("of it concentrate"))
        for b in made
    ]


def _steps(one: Instruction, show: Show) -> tuple[str, ...]:
    if one.kind == "read_strength" and one.advice.get("method") == TITRATION:
        return (
            _("Take the sample from moving fluid, not from the surface."),
            _("Follow the kit's own sheet; gloves and eye protection for its reagents."),
        )
    if one.kind == "read_strength":
        return (
            _("Wipe the prism, set it to zero with clean water."),
            _("Take the sample from moving fluid, not from the surface."),
            _("Read the line, note the Brix, clean the prism."),
        )
    if one.kind == "drain_part":
        return (
            _("Machine off and locked out."),
            _("Drain into a marked container."),
            _("Enter what was drained."),
        )
    return _pouring(one, show) if one.adds else ()


def _pouring(one: Instruction, show: Show) -> tuple[str, ...]:
    volume, high_l = show.pour(one.advice["volume_l"]), one.spec.high_l
    many = one.advice["volume_l"] > LARGEST_SHARE * one.spec.full_l
    slowly = _("in several pours, some minutes apart") if many else _("slowly")
    if one.is_usual:
        setting = trim(one.advice["makeup_pct"])
        first: tuple[str, ...] = (
            _("Proportioner at {setting} %, or mix by hand: water first, concentrate into it.", setting=setting),
        )
    elif one.advice["makeup_pct"] < PLAIN_WATER_PCT:
        first = (_("Plain water, because a person decided it."),)
    else:
        first = (
            _("Measure {volume} of water into clean containers.", volume=show.pour(one.advice["water_l"])),
            _("Stir {volume} of concentrate into the water.", volume=show.pour(one.advice["concentrate_l"])),
        )
    return (
        *first,
        _(
            "Put {volume} into the sump {slowly}, near the return. Never above the high mark, {high}.",
            volume=volume,
            slowly=slowly,
            high=show.volume(high_l),
        ),  # fmt: skip
        _("Let it circulate for {minutes} min before any reading.", minutes=CIRCULATE_MIN),
    )


def _after(one: Instruction, show: Show) -> tuple[str, ...]:
    advice, spec = one.advice, one.spec
    said = []
    volume_l, volume_sd = advice.get("expected_volume_l"), advice.get("expected_volume_sd")
    if volume_l is not None:
        shown = show.volume(volume_l) if volume_sd is None else show.volume_pm(volume_l, volume_sd)
        said.append(_("Level {volume}", volume=shown))
    strength = advice.get("expected_strength_pct")
    if strength is not None:
        sd, factor = advice.get("expected_strength_sd") or 0.0, spec.refractometer_factor
        said.append(_("Strength {pct} ± {half}", pct=pct(strength), half=_half(sd)))
        brix, half = decimal(strength / factor, 1), _half(hypot(sd / factor, HAND_SD_BRIX))
        said.append(_("Refractometer {brix} Brix ± {half}, as one person reads it", brix=brix, half=half))
    if advice.get("chance_in_band") is not None:
        low, high, bet = trim(spec.low_pct), trim(spec.high_pct), chance(advice["chance_in_band"])
        said.append(_("Chance of being in the band {low} to {high} %: {chance}", low=low, high=high, chance=bet))
    return tuple(said)


def _half(sd: float) -> str:
    """Nine times in ten within; never shown as nothing."""
    return decimal(max(NINE_IN_TEN_SD * sd, 0.05), 1)


def _cautions(one: Instruction) -> tuple[str, ...]:
    if one.adds and (one.advice.get("makeup_pct") or 0.0) >= PLAIN_WATER_PCT:
        return tuple(_(line) for line in (*WITH_CONCENTRATE, *AT_THE_SUMP))
    return tuple(_(line) for line in AT_THE_SUMP) if one.kind != "ask" else ()
