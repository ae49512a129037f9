"""Numbers and times as people read them: a unit with every number, the site's zone with every time.

Everything is stored in litres and epoch seconds; only here they become text, and only here text becomes litres.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from agent.core.what_if import P05
from dashboards import language
from dashboards.language import ENGLISH, N_, _, decimal, localised

L_PER_US_GALLON = 3.785411784  # by definition, 231 cubic inches
FL_OZ_PER_US_GALLON = 128.0
ML_PER_L = 1000.0
NINE_IN_TEN_SD = P05  # half width of a 90 % interval in standard deviations of a normal
NOTHING = "–"
NO_BREAK = "\u00a0"  # a space that no line ends at
FAHRENHEIT = "fahrenheit"
A_MINUTE_S, AN_HOUR_S, A_DAY_S = 60.0, 3600.0, 86400.0


class Unreadable(ValueError):
    """What a person typed is no number or time we can use; the text says which and why."""


@dataclass(frozen=True, slots=True)
class Show:
    """How one reads numbers: `units` is "litre" or "us_gallon", `zone` an IANA time zone, `degrees` "celsius" or
    "fahrenheit"; of the site, or as a person prefers it."""

    units: str
    zone: ZoneInfo
    degrees: str = "celsius"
    language: str = ENGLISH

    @property
    def volume_unit(self) -> str:
        return "gal" if self.units == "us_gallon" else "L"

    def in_unit(self, volume_l: float) -> float:
        """Litres to the unit of people's eyes."""
        return volume_l / L_PER_US_GALLON if self.units == "us_gallon" else volume_l

    def to_litres(self, shown: float) -> float:
        return shown * L_PER_US_GALLON if self.units == "us_gallon" else shown

    def volume(self, volume_l: float | None, digits: int | None = None) -> str:
        """A volume with its unit; whole units from 100 up, tenths below, unless `digits` says."""
        if volume_l is None:
            return NOTHING
        shown = self.in_unit(volume_l)
        places = (0 if abs(shown) >= 100 else 1) if digits is None else digits
        return f"{decimal(shown, places)} {self.volume_unit}"

    def volume_pm(self, volume_l: float, volume_sd: float) -> str:
        """A volume estimate with its 90 % half width, as "287 L ± 6"."""
        half = self.in_unit(NINE_IN_TEN_SD * volume_sd)
        places = 0 if half >= 2 else 1
        return f"{decimal(self.in_unit(volume_l), places)} {self.volume_unit} ± {decimal(half, places)}"

    def countdown(self, volume_l: float, volume_sd: float | None) -> str:
        """A volume read from afar, such as "12 ± 2 L", on one line: whole from 10 up, its 90 % half width alike."""
        places = 0 if self.in_unit(volume_l) >= 10 else 1
        if volume_sd is None:
            return self.volume(volume_l, places)
        half = self.in_unit(NINE_IN_TEN_SD * volume_sd)
        half = max(half, 10.0**-places)  # never surer than the figure beside it
        whole = f"{decimal(self.in_unit(volume_l), places)} ± {decimal(half, places)} {self.volume_unit}"
        return whole.replace(" ", NO_BREAK)

    def half(self, volume_sd: float) -> str:
        """What belongs behind a ±: the 90 % half width of a volume, with its unit."""
        half = self.in_unit(NINE_IN_TEN_SD * volume_sd)
        return f"{decimal(half, 0 if half >= 2 else 1)} {self.volume_unit}"

    def sum_pm(self, volume_l: float, volume_sd: float) -> str:
        """A sum of estimates; one of none is nothing, and sure."""
        return self.volume_pm(volume_l, volume_sd) if volume_sd > 0.0 else self.volume(volume_l)

    def pour(self, volume_l: float | None) -> str:
        """A volume to be measured out by hand: tenths below 20, fluid ounces below one gallon."""
        if volume_l is None:
            return NOTHING
        shown = self.in_unit(volume_l)
        if self.units == "us_gallon" and shown < 1.0:
            return f"{decimal(shown * FL_OZ_PER_US_GALLON, 0)} fl oz"
        return f"{decimal(shown, 1 if shown < 20 else 0)} {self.volume_unit}"

    def jug(self, volume_l: float) -> str:
        """A small volume by a jug's marks: mL below a litre, fluid ounces below a gallon."""
        if self.units != "us_gallon" and volume_l < 1.0:
            return f"{decimal(volume_l * ML_PER_L, 0)} mL"
        return self.pour(volume_l)

    def field(self, volume_l: float | None) -> str:
        """A volume as the value of an input field: the site's unit, no unit text."""
        return "" if volume_l is None else decimal(self.in_unit(volume_l), 1)

    # -- temperatures --

    @property
    def degree_unit(self) -> str:
        return "°F" if self.degrees == FAHRENHEIT else "°C"

    def in_degrees(self, celsius: float) -> float:
        """°C to the unit of people's eyes."""
        return celsius * 9.0 / 5.0 + 32.0 if self.degrees == FAHRENHEIT else celsius

    def to_celsius(self, shown: float) -> float:
        return (shown - 32.0) * 5.0 / 9.0 if self.degrees == FAHRENHEIT else shown

    def temperature(self, celsius: float | None, digits: int = 1) -> str:
        """A temperature with its unit."""
        return NOTHING if celsius is None else f"{decimal(self.in_degrees(celsius), digits)} {self.degree_unit}"

    # -- times --

    def clock(self, time_s: float | None, now_s: float) -> str:
        """Time of day in the site's zone, with the day when it is another day than `now_s`."""
        if time_s is None:
            return NOTHING
        then, now = self.moment(time_s), self.moment(now_s)
        if then.date() == now.date():
            return hour_of(then)
        if then.year == now.year:
            return f"{language.day(then)} {hour_of(then)}"
        return f"{then:%Y-%m-%d} {hour_of(then)}"

    def date(self, time_s: float | None) -> str:
        """A day with its year, in the site's zone."""
        return NOTHING if time_s is None else language.long_day(self.moment(time_s))

    def moment(self, time_s: float) -> datetime:
        return datetime.fromtimestamp(time_s, self.zone)

    def moment_field(self, time_s: float) -> str:
        """A time as the value of a datetime-local field."""
        return self.moment(time_s).strftime("%Y-%m-%dT%H:%M")

    def latest_field(self, now_s: float) -> str:
        """The latest time that may be typed for what has been by `now_s`: in the hour that autumn has twice, the second
        time round, those of the first are ahead by the clock alone."""
        return max(self.moment_field(now_s + A_MINUTE_S * m) for m in range(-60, 2))

    def read_moment(self, text: str, now_s: float) -> float:
        """Epoch s of a datetime-local text in the site's zone; of the two that autumn has of an hour, the later one
        unless it is ahead of `now_s`: most is said soon after."""
        try:
            typed = datetime.fromisoformat(text).replace(tzinfo=self.zone)
        except ValueError as why:
            raise Unreadable(_("“{text}” is not a date and time.", text=text[:40])) from why
        later_s = typed.replace(fold=1).timestamp() if _twice(typed) else float("inf")
        return later_s if later_s <= now_s + A_MINUTE_S else typed.timestamp()


def hour_of(moment: datetime) -> str:
    """Its time of day; in the hour that autumn has twice, with the zone's name that tells which of the two."""
    return f"{moment:%H:%M} {moment.tzname()}" if _twice(moment) else f"{moment:%H:%M}"


def _twice(moment: datetime) -> bool:
    """Does the zone's clock show it twice? (One that spring leaves out is shown never, and read by the old offset.)"""
    first, second = (moment.replace(fold=fold).utcoffset() for fold in (0, 1))
    return first is not None and second is not None and first > second


def pct(value: float | None, digits: int = 1) -> str:
    """A strength in % by volume of the mix."""
    return NOTHING if value is None else f"{decimal(value, digits)} %"


def pct_pm(value: float, low: float, high: float) -> str:
    """A strength estimate with its 90 % half width (half of p05 … p95), as "7.1 % ± 0.4"."""
    return f"{decimal(value, 1)} % ± {decimal(max((high - low) / 2, 0.05), 1)}"


def trim(value: float | None, digits: int = 2) -> str:
    """A plain number without idle zeros."""
    if value is None:
        return NOTHING
    text = f"{value:.{digits}f}"
    return localised(text.rstrip("0").rstrip(".") if "." in text else text)


def age(seconds: float | None) -> str:
    """How long ago, in the largest unit that still says something."""
    if seconds is None:
        return _("never")
    seconds = max(0.0, seconds)
    if seconds < 2 * A_MINUTE_S:
        return _("{seconds} s ago", seconds=round(seconds))
    return _("{span} ago", span=_span(seconds, DATIVE))


def span(seconds: float) -> str:
    """A length of time: minutes below two hours, hours below two days, else days."""
    return _span(seconds, PLAIN)


# Some languages bend "days" after "ago" and "in".
PLAIN, DATIVE = N_("{n} days"), N_("(ago, in) {n} days")


def span_in(seconds: float) -> str:
    """The same after "in", "ago", "for"."""
    return _span(seconds, DATIVE)


def _span(seconds: float, days: str) -> str:
    if seconds < 2 * AN_HOUR_S:
        return f"{seconds / A_MINUTE_S:.0f} min"
    if seconds < 2 * A_DAY_S:
        return f"{seconds / AN_HOUR_S:.0f} h"
    return _(days, n=f"{seconds / A_DAY_S:.0f}").removeprefix("(ago, in) ")


def hours(value: float | None) -> str:
    return NOTHING if value is None else span(value * AN_HOUR_S)


def hours_in(value: float | None) -> str:
    return NOTHING if value is None else span_in(value * AN_HOUR_S)


def between(low: str, high: str) -> str:
    """Two lengths of time as a stretch; the unit once where it is the same."""
    same = low.partition(" ")[2] == high.partition(" ")[2]
    return _("{low} to {high}", low=low.partition(" ")[0] if same else low, high=high)


def chance(value: float | None) -> str:
    """A probability as people bet: "97 in 100"; never a certainty."""
    return NOTHING if value is None else _("{n} in 100", n=min(99, max(1, round(100 * value))))


def number(text: str, what: str, low: float, high: float) -> float:
    """A number that a person typed (comma or point); raises `Unreadable` outside `low` … `high`."""
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError as why:
        raise Unreadable(_("{what}: “{text}” is not a number.", what=what, text=text.strip()[:40])) from why
    if not low <= value <= high:
        given = {"value": trim(value), "low": trim(low), "high": trim(high)}
        raise Unreadable(_("{what}: {value} is outside {low} to {high}.", what=what, **given))
    return value
