"""Strength: what a refractometer reads of a known mix. Strengths are % by volume of the mix, readings Brix."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.line import Array, CannotFit, LineFit, Value, around, fit_line
from calibration.quantile import Z95

FEWEST = 3
BRIX_SD = 0.15  # one hand reading by one person, clean fluid (trade: 0.1-0.2)
ODD_PULL = 3.0  # a point this many standard errors off is named
OFF_PULL = 2.0  # an intercept this many standard errors off is said
WATER_DENSITY = 0.9982  # kg/L at 20 °C (CRC Handbook)
BRIX_PER_INDEX = 1.0 / 0.00143  # sucrose near 0 Brix at 589 nm: n(1 Brix) - n(0) (ICUMSA table)
REFERENCE_C = 20.0
# Refractive index of water at 589.3 nm against air (CRC Handbook), by °C.
_WATER_C = (0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 50.0)
_WATER_N = (1.33395, 1.33388, 1.33369, 1.33339, 1.33299, 1.33250, 1.33194, 1.33131, 1.33061, 1.32985, 1.32904)
COMPENSATED_LEFT = 0.01  # Brix per K that sucrose compensation leaves on an emulsion (trade: -0.2 at 40 °C)
TEMPERATURE_SHARE_SD = 0.15  # 1 sd of a correction, as a share of it: no cutting fluid is water
COLDEST_C, HOTTEST_C = 0.0, 50.0


@dataclass(frozen=True, slots=True)
class Mixes:
    """Known mixes: strengths (n,) in % by volume, and their covariance (n, n) in %²."""

    pct: Array
    cov: Array


@dataclass(frozen=True, slots=True)
class Factor:
    """A product's refractometer factor: strength % = factor × (Brix - zero)."""

    factor: Value
    zero_brix: float  # what water read, taken off
    intercept_brix: Value | None  # what the line itself says water would read; None where it cannot be told
    fit: LineFit
    remarks: tuple[str, ...]


def by_volume(concentrate: Sequence[float], water: Sequence[float], sd: float) -> Mixes:
    """Mixes of measured volumes, each mixed apart. Any one unit of volume for all; `sd` of one measure in it.

    c = 100·C/(C + W); dc = 100·(W·dC - C·dW)/(C + W)².
    """
    c, w = np.asarray(concentrate, float), np.asarray(water, float)
    _need_positive(c, w)
    total2 = (c + w) ** 2
    own = (100.0 * sd) ** 2 * (w**2 + c**2) / total2**2
    return Mixes(100.0 * c / (c + w), np.diag(own))


def by_weight(
    concentrate_g: Sequence[float], water_g: Sequence[float], sd_g: float, density: float, density_sd: float = 0.005
) -> Mixes:
    """Weighed mixes, g; density of the concentrate in kg/L with its sd, which all mixes share."""
    if not 0.5 <= density <= 2.0:
        raise CannotFit(f"density {density:g} kg/L is no concentrate's; see its data sheet")
    c, w = np.asarray(concentrate_g, float) / density, np.asarray(water_g, float) / WATER_DENSITY
    _need_positive(c, w)
    total2 = (c + w) ** 2
    own = (100.0 * sd_g) ** 2 * ((w / density) ** 2 + (c / WATER_DENSITY) ** 2) / total2**2
    shared = 100.0 * c * w / total2 * density_sd / density
    return Mixes(100.0 * c / (c + w), np.diag(own) + np.outer(shared, shared))


def by_dilution(concentrate: float, water: Sequence[float], sd: float) -> Mixes:
    """One sample thinned step by step: `water` is what was added before each reading; errors add up along the way."""
    steps = np.asarray(water, float)
    _need_positive(np.asarray([concentrate]), steps)
    total = np.cumsum(steps)
    size2 = (concentrate + total) ** 2
    d_c = 100.0 * total / size2
    d_w = -100.0 * concentrate / size2
    lower = np.tril(np.ones((len(steps), len(steps))))
    jacobian = np.column_stack([d_c, d_w[:, None] * lower])
    return Mixes(100.0 * concentrate / (concentrate + total), sd**2 * jacobian @ jacobian.T)


def by_titration(pct: Sequence[float], sd_pct: float = 0.2) -> Mixes:
    """Strengths that titration found; one titration's sd (trade: 0.2 points and more)."""
    c = np.asarray(pct, float)
    return Mixes(c, np.eye(len(c)) * sd_pct**2)


def factor(
    mixes: Mixes, brix: Sequence[float], brix_sd: float = BRIX_SD, zero: tuple[float, float] | None = None
) -> Factor:
    """Fits strength = factor × (Brix - zero) through zero. Raises CannotFit.

    `zero` is (what water read, sd of that): taken off every reading, its error shared by all. Without it the
    refractometer is taken to read 0 on water. Whether the line itself goes through zero is tested beside it.
    """
    b = np.asarray(brix, float)
    if len(b) != len(mixes.pct) or len(b) < FEWEST:
        raise CannotFit(f"{len(b)} readings of {len(mixes.pct)} mixes; take {FEWEST} mixes or more, each read once")
    offset, offset_sd = zero or (0.0, 0.0)
    cov_b = np.eye(len(b)) * brix_sd**2 + np.full((len(b), len(b)), offset_sd**2)
    fit = fit_line(mixes.pct, (b - offset)[:, None], mixes.cov, cov_b)
    if fit.coefficients[0].value <= 0.0:
        raise CannotFit("stronger mixes read lower; see that readings and mixes are in the same order")
    intercept = _intercept(mixes, b - offset, cov_b)
    return Factor(fit.coefficients[0], offset, intercept, fit, _remarks(fit, intercept))


def zero_check(water_brix: Sequence[float], brix_sd: float = BRIX_SD, temperature_c: float | None = None) -> Value:
    """What a refractometer reads on water, Brix: the mean of the readings, its sd and 90 % interval.

    With a temperature, the part that is water's own index at that temperature is taken off first.
    """
    b = np.asarray(water_brix, float)
    if len(b) == 0:
        raise CannotFit("read water at least once")
    own, own_sd = (0.0, 0.0) if temperature_c is None else water_brix_at(temperature_c)
    sd = float(np.hypot(brix_sd / np.sqrt(len(b)), own_sd))
    return around(float(b.mean()) - own, sd, Z95)


def water_brix_at(temperature_c: float) -> tuple[float, float]:
    """(Brix, sd) that an uncompensated refractometer, zeroed at 20 °C, reads on water at a temperature.

    Brix = (n(t) - n(20 °C)) / (dn/dBrix). Raises CannotFit outside 0-50 °C.
    """
    if not COLDEST_C <= temperature_c <= HOTTEST_C:
        raise CannotFit(f"{temperature_c:g} °C lies outside {COLDEST_C:g}-{HOTTEST_C:g} °C; cool or warm the sample")
    index = float(np.interp(temperature_c, _WATER_C, _WATER_N))
    brix = (index - 1.33299) * BRIX_PER_INDEX
    return brix, TEMPERATURE_SHARE_SD * abs(brix)


def at_20_c(brix: float, temperature_c: float, compensated: bool = False) -> tuple[float, float]:
    """(Brix, sd of the correction) that a sample read at a temperature would read at 20 °C.

    An instrument that compensates does so for sucrose; what is left on an emulsion is taken off in proportion.
    """
    shift, sd = water_brix_at(temperature_c)
    if compensated:
        shift = -COMPENSATED_LEFT * (temperature_c - REFERENCE_C)
        sd = abs(shift) / 2.0
    return brix - shift, sd


def _need_positive(concentrate: Array, water: Array) -> None:
    if not (np.all(concentrate > 0.0) and np.all(water >= 0.0)):
        raise CannotFit("every mix needs concentrate above 0 and no negative water")


def _intercept(mixes: Mixes, b: Array, cov_b: Array) -> Value | None:
    """The Brix at which the free line meets strength 0; None where the mixes lie too close together."""
    try:
        fit = fit_line(mixes.pct, np.column_stack([np.ones_like(b), b]), mixes.cov, cov_b, noisy=1)
    except CannotFit:
        return None
    at_zero, slope = fit.coefficients
    brix = -at_zero.value / slope.value
    to_beta = np.array([-1.0 / slope.value, at_zero.value / slope.value**2])
    return around(brix, float(np.sqrt(to_beta @ fit.covariance @ to_beta)), fit.width)


def _remarks(fit: LineFit, intercept: Value | None) -> tuple[str, ...]:
    said = [
        f"reading {i + 1} lies {pull:+.1f} standard errors off the line; read or mix it again"
        for i, pull in enumerate(fit.pulls)
        if abs(pull) > ODD_PULL
    ]
    if intercept is not None and abs(intercept.z()) > OFF_PULL:
        said.append(
            f"the line meets water at {intercept.value:+.2f} Brix, not 0; zero the refractometer and read water"
        )
    return tuple(said)
