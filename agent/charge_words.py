"""A planned charge for people: what they type read in, what they can measure written out."""

from __future__ import annotations

import json
from dataclasses import replace

from agent.core.charge import Batch, CannotBe, Plan, Request
from agent.core.fluid import mix_pct, parts_per_100_water

LITRES_PER_GALLON = 3.785411784  # US liquid gallon, by definition
OUNCES_PER_GALLON = 128
UNITS = {"litre": 1.0, "us_gallon": LITRES_PER_GALLON}

CAUTIONS = (
    "Read this concentrate's safety data sheet first; it and the supplier decide on the strength that is allowed.",
    "Gloves and eye protection for concentrate.",
    "Machine stopped and locked out before anyone reaches into sump or conveyor.",
    "Concentrate goes into water and is stirred in: never water into concentrate, never neat concentrate into a sump.",
    "Sump cleaned and rinsed before the fill: what is left behind spoils or foams the new charge.",
    "No water jets into the sump; wipe up spills at once.",
    "A hose on the makeup line needs back-flow protection by the local plumbing code.",
    "Fines of magnesium, titanium or cobalt need rules of their own: ask the supplier before filling.",
    "Additives, mixing two fluids and disposal are the supplier's and the licensed person's business.",
)


# ── in ─────────────────────────────────────────────────────────────────────────────────────────────────────


def request(
    volume_l: str | None,
    volume: str | None,
    target: str | None,
    percent_of: str,
    bucket_l: str | None,
    bucket: str | None,
    richest: str,
    lean: str,
    unit: str,
) -> Request:
    """What the options ask for, in litres and % of the mix. Raises CannotBe."""
    if unit not in UNITS:
        raise CannotBe(f"--unit must be litre or us_gallon, not {unit!r}")
    if percent_of not in ("mix", "water"):
        raise CannotBe(f"--percent-of must be mix or water, not {percent_of!r}")
    wanted = _number("--target", target)
    asked = Request(
        volume_l=_litres("--volume", volume_l, volume, unit),
        target_pct=mix_pct(wanted) if percent_of == "water" and wanted > 0.0 else wanted,
        richest_pct=_number("--richest", richest),
        lean_pct=_number("--lean", lean),
    )
    if bucket_l is None and bucket is None:
        return asked
    return replace(asked, bucket_l=_litres("--bucket", bucket_l, bucket, unit))


def _litres(option: str, in_litres: str | None, in_unit: str | None, unit: str) -> float:
    if in_litres is not None and in_unit is not None:
        raise CannotBe(f"give {option}-l or {option}, not both")
    if in_unit is not None:
        return _number(option, in_unit) * UNITS[unit]
    return _number(f"{option}-l", in_litres)


def _number(option: str, text: str | None) -> float:
    if text is None:
        raise CannotBe(f"{option} is missing")
    try:
        value = float(text)
    except ValueError:
        raise CannotBe(f"{option} must be a number, not {text!r}") from None
    if value - value != 0.0:  # NaN or infinite
        raise CannotBe(f"{option} must be a finite number, not {text!r}")
    return value


# ── measures ───────────────────────────────────────────────────────────────────────────────────────────────


def measured(litres: float, unit: str) -> tuple[str, float]:
    """An amount as a person can measure it, in words, and how many litres that is."""
    if unit == "us_gallon":
        return _in_gallons(litres)
    if litres < 0.995:
        step_ml = 10 if litres >= 0.0995 else 1
        ml = round(litres * 1000.0 / step_ml) * step_ml
        return f"{ml} mL", ml / 1000.0
    step, places = (0.05, 2) if litres < 5.0 else (0.1, 1) if litres < 100.0 else (1.0, 0)
    rounded = round(round(litres / step) * step, places)
    return f"{rounded:.{places}f} L", rounded


def _in_gallons(litres: float) -> tuple[str, float]:
    ounces = litres / LITRES_PER_GALLON * OUNCES_PER_GALLON
    if ounces < 9.75:
        rounded = round(ounces * 2.0) / 2.0 if ounces >= 5.0 else round(ounces, 1)
        return f"{rounded:g} fl oz", rounded / OUNCES_PER_GALLON * LITRES_PER_GALLON
    if ounces >= 20 * OUNCES_PER_GALLON:
        gallons = round(ounces / OUNCES_PER_GALLON, 1)
        return f"{gallons:.1f} gal", gallons * LITRES_PER_GALLON
    gallons, rest = divmod(round(ounces), OUNCES_PER_GALLON)
    words = [f"{gallons} gal"] * bool(gallons) + [f"{rest} fl oz"] * bool(rest)
    return " ".join(words), round(ounces) / OUNCES_PER_GALLON * LITRES_PER_GALLON


def percent(value: float) -> str:
    """A strength with three figures, as `7.25 %`."""
    return f"{value:.3g} %"


# ── out ────────────────────────────────────────────────────────────────────────────────────────────────────


def steps(plan: Plan, unit: str) -> list[str]:
    """What to do, in order, in rounded measures."""
    richer = [batch for batch in plan.batches if batch.kind != "lean"]
    lean = [batch for batch in plan.batches if batch.kind == "lean"]
    told = ["Have the sump empty, cleaned and rinsed, and the bucket clean."]
    told += [_mix_words(batch, unit) for batch in richer]
    if lean:
        told.append(_lean_words(lean, plan.request.lean_pct, unit))
    told.append(
        "Circulate for at least 30 minutes, then read the strength: "
        f"{_both(plan.strength_pct)} is meant. Write down these first-fill values."
    )
    return told


def _both(pct: float) -> str:
    return f"{percent(pct)} of the mix ({parts_per_100_water(pct):.3g} parts per 100 parts of water)"


def _mix_words(batch: Batch, unit: str) -> str:
    recipe = f"{measured(batch.water_l, unit)[0]} of water first, then stir in"
    recipe += f" {measured(batch.concentrate_l, unit)[0]} of concentrate"
    times = "Mix one batch" if batch.count == 1 else f"Mix {batch.count} batches, each"
    return f"{times} at {percent(batch.pct)}: {recipe}. Pour {_it(batch)} slowly into the sump, near the return."


def _it(batch: Batch) -> str:
    return "it" if batch.count == 1 else "each"


def _lean_words(lean: list[Batch], lean_pct: float, unit: str) -> str:
    total, _ = measured(sum(batch.count * batch.volume_l for batch in lean), unit)
    if lean_pct == 0.0:
        return f"Fill up with {total} of plain water, as asked for."
    buckets = " and ".join(_bucket_words(batch, unit) for batch in lean)
    how = f"from a proportioner set to {percent(lean_pct)}, or {buckets}"
    return f"Fill up with {total} of lean mix at {percent(lean_pct)}: {how}."


def _bucket_words(batch: Batch, unit: str) -> str:
    many = "one bucket" if batch.count == 1 else f"{batch.count} buckets, each"
    water, concentrate = measured(batch.water_l, unit)[0], measured(batch.concentrate_l, unit)[0]
    return f"{many} of {water} of water with {concentrate} of concentrate stirred in"


def rounded_pct(plan: Plan, unit: str) -> float:
    """What the whole comes to, % of the mix, when the rounded measures are poured."""
    water = sum(batch.count * measured(batch.water_l, unit)[1] for batch in plan.batches)
    concentrate = sum(batch.count * measured(batch.concentrate_l, unit)[1] for batch in plan.batches)
    return 100.0 * concentrate / (water + concentrate) if water + concentrate else 0.0


def as_text(plan: Plan, unit: str) -> str:
    """The plan to read at the machine."""
    volume, _ = measured(plan.request.volume_l, unit)
    water, concentrate = measured(plan.total_water_l, unit)[0], measured(plan.total_concentrate_l, unit)[0]
    lines = [
        f"New charge: {volume} at {_both(plan.strength_pct)}",
        f"In all: {water} of water, {concentrate} of concentrate",
        "",
    ]
    lines += [f"{number}. {step}" for number, step in enumerate(steps(plan, unit), 1)]
    lines += [f"Poured in these rounded measures it comes to {percent(rounded_pct(plan, unit))}.", "", "Cautions"]
    return "\n".join(lines + [f"- {caution}" for caution in CAUTIONS])


def as_json(plan: Plan, unit: str) -> str:
    """The plan as one JSON object: litres and per cent unrounded; `steps` and `cautions` are lists of text."""
    batches = [
        {"water_l": b.water_l, "concentrate_l": b.concentrate_l, "count": b.count, "kind": b.kind} for b in plan.batches
    ]
    row = {
        "total_water_l": plan.total_water_l,
        "total_concentrate_l": plan.total_concentrate_l,
        "batches": batches,
        "strength_pct": plan.strength_pct,
        "strength_per_100_water": plan.strength_per_100_water,
        "steps": steps(plan, unit),
        "cautions": list(CAUTIONS),
    }
    return json.dumps(row, ensure_ascii=False)
