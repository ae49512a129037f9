"""What if so much of such a mix went in, or was drained: where the sump would land. Nothing is decided here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from starlette.exceptions import HTTPException
from starlette.responses import Response

from agent.core.fluid import concentrate_in
from agent.core.spec import SumpSpec
from agent.core.what_if import HORIZON_DAYS, P05, WhatIf, from_belief
from dashboards import sump_map
from dashboards.cards import PLAIN_WATER_PCT, mix
from dashboards.desk import Ask
from dashboards.language import _
from dashboards.render import page
from dashboards.show import AN_HOUR_S, Show, Unreadable, chance, number, pct, span, trim
from dashboards.sump_map import SumpMap

MAP_SIZE = (350.0, 260.0)
DRAIN_SHARE = 0.3  # of what is in the sump: the most that the slider drains
LEAST_ROOM_SHARE = 0.1  # of full: the slider goes so far even where the sump is full
PCT_STEP = 0.05
DAY_H = 24.0


@dataclass(frozen=True, slots=True)
class Asked:
    """What the sliders stand on, and how far they go. Volumes in the unit of people's eyes."""

    volume: float
    makeup_pct: float
    least: float
    most: float
    step: float


@dataclass(frozen=True, slots=True)
class Answer:
    """What would become of the sump, in words and as a map."""

    lines: tuple[tuple[str, str], ...]
    warnings: tuple[str, ...]
    picture: SumpMap


async def show(ask: Ask) -> Response:
    """The whole page, or its answer alone for a page that has the sliders already (`part`)."""
    spec = ask.sump()
    if spec is None:
        raise HTTPException(404, _("There is no such sump here."))
    belief = ask.belief(spec.id)
    name = "what_if_answer.html" if ask.request.query_params.get("part") else "what_if.html"
    try:
        asked = question(ask, spec, belief)
        found = answer(spec, belief, asked, ask.show) if belief and asked else None
    except Unreadable as why:
        asked = question(ask, spec, belief, typed=False)
        return page(ask, name, 422, spec=spec, asked=asked, answer=None, problem=str(why))
    return page(ask, name, spec=spec, asked=asked, answer=found)


def standing(ask: Ask, spec: SumpSpec, belief: dict[str, Any] | None) -> dict[str, Any]:
    """What the sliders and their answer show before anybody has moved them: `asked`, `answer`."""
    asked = question(ask, spec, belief, typed=False)
    return {"asked": asked, "answer": answer(spec, belief, asked, ask.show) if belief and asked else None}


def question(ask: Ask, spec: SumpSpec, belief: dict[str, Any] | None, typed: bool = True) -> Asked | None:
    """What was asked, else what the open instruction would do, else a fill with the usual mix. Raises Unreadable."""
    if belief is None:
        return None
    show = ask.show
    step = 0.1 if show.units == "us_gallon" else 1.0
    ends_l = -DRAIN_SHARE * belief["volume_l"], max(spec.high_l - belief["volume_l"], LEAST_ROOM_SHARE * spec.full_l)
    least, most = (round(show.in_unit(end_l) / step) * step for end_l in ends_l)
    volume_l, makeup_pct = _usual(ask, spec, belief)
    volume = min(max(round(show.in_unit(volume_l) / step) * step, least), most)
    if typed:
        volume, makeup_pct = _typed(ask, spec, volume, makeup_pct)
    return Asked(volume, makeup_pct, least, most, step)


def _typed(ask: Ask, spec: SumpSpec, volume: float, makeup_pct: float) -> tuple[float, float]:
    """What stands in the address; litres as `volume_l`, the person's own unit as `volume`. Raises Unreadable."""
    given, show = ask.request.query_params, ask.show
    high = show.in_unit(spec.high_l)
    if given.get("volume_l"):
        volume = show.in_unit(number(given["volume_l"], _("Volume, {unit}", unit="L"), -spec.high_l, spec.high_l))
    elif given.get("volume"):
        volume = number(given["volume"], _("Volume, {unit}", unit=show.volume_unit), -high, high)
    if given.get("makeup_pct"):
        makeup_pct = number(given["makeup_pct"], _("Mix, %"), 0.0, 100.0)
    if abs(makeup_pct - spec.usual_pct) < PCT_STEP / 2:
        makeup_pct = spec.usual_pct  # what the proportioner is set to comes at its real ratio
    return volume, makeup_pct


def _usual(ask: Ask, spec: SumpSpec, belief: dict[str, Any]) -> tuple[float, float]:
    one = next((i for i in ask.desk.instructions([], spec.id) if i.adds and i.state != "done"), None)
    if one is not None:
        return one.advice["volume_l"], one.advice["makeup_pct"]
    return max(spec.full_l - belief["volume_l"], 0.0), spec.usual_pct


def answer(spec: SumpSpec, belief: dict[str, Any], asked: Asked, show: Show) -> Answer:
    """Where it would land. Raises Unreadable where nothing would be left."""
    volume_l = show.to_litres(asked.volume)
    try:
        found = from_belief(belief, spec, volume_l, asked.makeup_pct)
    except ValueError as why:
        raise Unreadable(_("Nothing would be left in the sump.")) from why
    return Answer(
        _lines(spec, volume_l, asked, found, show),
        _warnings(spec, asked, found, show),
        _map(spec, belief, volume_l, found),
    )


def _lines(spec: SumpSpec, volume_l: float, asked: Asked, found: WhatIf, show: Show) -> tuple[tuple[str, str], ...]:
    band = _("{low} to {high} %", low=trim(spec.low_pct), high=trim(spec.high_pct))
    strength = _(
        "{pct}, nine times in ten {low} to {high} %",
        pct=pct(found.strength_pct),
        low=trim(found.strength_p05, 1),
        high=trim(found.strength_p95, 1),
    )
    lines = [
        (_("It would take"), _takes(volume_l, asked.makeup_pct, show)),
        (_("Level then"), show.volume_pm(found.volume_l, found.volume_sd)),
        (_("Strength then"), strength),
        (_("Chance of the band {band}", band=band), chance(found.chance_in_band)),
        (_("It would hold"), _holds(found)),
    ]
    return tuple(lines)


def _takes(volume_l: float, makeup_pct: float, show: Show) -> str:
    if volume_l < 0:
        return _("drain {volume}", volume=show.pour(-volume_l))
    if volume_l == 0:
        return _("nothing")
    concentrate_l = concentrate_in(volume_l, makeup_pct)
    water, concentrate = show.pour(volume_l - concentrate_l), show.pour(concentrate_l)
    if makeup_pct < PLAIN_WATER_PCT:
        return _("{water} of water", water=water)
    return _(
        "{water} of water and {concentrate} of concentrate: {mix}",
        water=water,
        concentrate=concentrate,
        mix=mix(makeup_pct),
    )


def _holds(found: WhatIf) -> str:
    """How long, and what ends it."""
    if found.days_in_band is None:
        return _("more than {days} days, if nothing else is poured", days=f"{HORIZON_DAYS:.0f}")
    if found.days_in_band <= 0:
        return (
            _("not at all: the level is below its mark")
            if found.ends == "level"
            else _("not at all: the strength is outside its band")
        )
    time = span(found.days_in_band * DAY_H * AN_HOUR_S)
    if found.ends == "level":
        return _("{time}, until the level reaches its low mark", time=time)
    return _("{time}, until the strength leaves its band", time=time)


def _warnings(spec: SumpSpec, asked: Asked, found: WhatIf, show: Show) -> tuple[str, ...]:
    said = []
    if found.volume_l > spec.high_l:
        said.append(_("Above the high mark of {volume}: it would not fit.", volume=show.volume(spec.high_l)))
    if asked.volume > 0 and asked.makeup_pct > spec.richest_pct:
        said.append(_("Richer than the {pct} % that is allowed here.", pct=trim(spec.richest_pct)))
    if asked.volume > 0 and asked.makeup_pct < spec.leanest_pct:
        said.append(
            _(
                "Leaner than the {pct} % that is allowed here; plain water only when a person has decided it.",
                pct=trim(spec.leanest_pct),
            )
        )
    return tuple(said)


def _map(spec: SumpSpec, belief: dict[str, Any], volume_l: float, found: WhatIf) -> SumpMap:
    """The map with the arrow to where it would land."""
    half = (found.strength_p95 - found.strength_p05) / 2
    landing = {
        "volume_l": volume_l, "expected_volume_l": found.volume_l, "expected_strength_pct": found.strength_pct,
        "expected_strength_sd": half / P05,
    }  # fmt: skip
    return sump_map.draw(spec, belief, landing, (), *MAP_SIZE)
