"""What people measure with: the bucket and its marks, the proportioner's settings, litres or US gallons and ounces.

An amount that nobody can measure is no instruction. These functions turn litres and percent into what is poured,
bucket by bucket; nothing here decides what is poured.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import floor

L_PER_US_GALLON = 3.785411784  # by definition, 231 cubic inches
FL_OZ_PER_US_GALLON = 128.0
BUCKET_L, BUCKET_MARK_L = 10.0, 0.5  # a common bucket, where the site file names none
JUG_STEPS_L = ((0.2, 0.01), (1.0, 0.05), (5.0, 0.1), (float("inf"), 0.5))  # a jug reads so finely up to so much
CIRCULATE_MIN = 30  # before a reading tells anything
SAME_PCT = 1e-9


@dataclass(frozen=True, slots=True)
class Measures:
    """One sump's bucket (litres it takes, litres between its marks) and the settings that its proportioner has, in %
    by volume of the mix, rising; empty where it has none that are known."""

    bucket_l: float = BUCKET_L
    bucket_mark_l: float = BUCKET_MARK_L
    settings_pct: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Bucket:
    """So many equal buckets: water up to a mark, then concentrate into it."""

    count: int
    water_l: float
    concentrate_l: float

    @property
    def volume_l(self) -> float:
        """Litres in one of them."""
        return self.water_l + self.concentrate_l


def buckets(volume_l: float, makeup_pct: float, measures: Measures) -> tuple[Bucket, ...]:
    """A mix of so many litres at so many % as full buckets and a last one, to the marks of bucket and jug.

    The last one is filled to the nearest mark; the whole is off by half a mark at most. Raises ValueError for a
    volume that is not above 0, or a strength that is no percentage of a mix.
    """
    if not volume_l > 0.0 or not 0.0 <= makeup_pct < 100.0:
        raise ValueError("nothing that could be mixed")
    full = floor(volume_l / measures.bucket_l + 1e-9)
    marks = round((volume_l - full * measures.bucket_l) / measures.bucket_mark_l)
    last_l = min(marks * measures.bucket_mark_l, measures.bucket_l)
    if full and last_l > measures.bucket_l - 1e-9:
        full, last_l = full + 1, 0.0
    if not full and last_l <= 0.0:
        last_l = measures.bucket_mark_l
    made = [(full, measures.bucket_l), (1, last_l)]
    return tuple(_bucket(count, litres, makeup_pct) for count, litres in made if count and litres > 0.0)


def _bucket(count: int, litres: float, makeup_pct: float) -> Bucket:
    concentrate_l = jug_l(litres * makeup_pct / 100.0)
    return Bucket(count, litres - concentrate_l, concentrate_l)


def jug_l(volume_l: float) -> float:
    """The nearest volume that a measuring jug shows: 10 mL at the finest, half litres above 5 L."""
    step = next(step for upto, step in JUG_STEPS_L if volume_l < upto)
    return round(round(volume_l / step) * step, 6)


def setting_for(makeup_pct: float, usual_pct: float, measures: Measures) -> float | None:
    """The proportioner's setting that gives a mix by its scale; None where it is mixed by hand."""
    for setting in (usual_pct, *measures.settings_pct):
        if abs(setting - makeup_pct) < SAME_PCT and setting > 0.0:
            return setting
    return None


def truer_setting(wanted_pct: float, ratio: float, measures: Measures) -> float | None:
    """The setting that really comes nearest to `wanted_pct`, with `ratio` of real strength to set; None without any."""
    if not measures.settings_pct:
        return None
    return min(measures.settings_pct, key=lambda setting: abs(setting * ratio - wanted_pct))


def amount(volume_l: float, units: str = "litre") -> str:
    """A volume to be measured out by hand. `units` "litre": mL below one litre; "us_gallon": gallons and ounces."""
    if units == "us_gallon":
        ounces = round(volume_l / L_PER_US_GALLON * FL_OZ_PER_US_GALLON)
        gallons, rest = divmod(ounces, int(FL_OZ_PER_US_GALLON))
        parts = [f"{gallons} gal"] * (gallons > 0) + [f"{rest} fl oz"] * (rest > 0 or gallons == 0)
        return " ".join(parts)
    if volume_l < 0.9995:
        return f"{round(volume_l * 1000.0)} mL"
    return f"{volume_l:.2f}".rstrip("0").rstrip(".") + " L"


def in_words(volume_l: float, makeup_pct: float, usual_pct: float, measures: Measures, units: str = "litre") -> str:
    """How to measure an addition, in one line."""
    setting = setting_for(makeup_pct, usual_pct, measures)
    if setting is not None:
        return f"{amount(volume_l, units)} from the proportioner, set to {setting:g} %"
    told = []
    for one in buckets(volume_l, makeup_pct, measures):
        many = f"{one.count} buckets, each" if one.count > 1 else "one bucket"
        mark, neat = amount(one.volume_l, units), amount(one.concentrate_l, units)
        told.append(f"{many} up to the {mark} mark, {neat} of it concentrate stirred into the water")
    return "; ".join(told)
