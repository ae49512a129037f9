"""How wide a 90 % interval is: quantiles of the normal and of Student's distribution, without scipy."""

from __future__ import annotations

Z95 = 1.6448536269514722  # normal quantile at 0.95: half a 90 % interval in standard deviations
BELIEVED_AS = 4.0  # a stated error is believed like one seen in so many readings, until the fit says otherwise


def t95(dof: float) -> float:
    """Student's quantile at 0.95 for `dof` >= 3, by Hill's expansion (Abramowitz and Stegun 26.7.5); within 0.002."""
    z, n = Z95, max(dof, 3.0)
    first = (z**3 + z) / 4.0
    second = (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / 96.0
    third = (3.0 * z**7 + 19.0 * z**5 + 17.0 * z**3 - 15.0 * z) / 384.0
    fourth = (79.0 * z**9 + 776.0 * z**7 + 1482.0 * z**5 - 1920.0 * z**3 - 945.0 * z) / 92160.0
    return z + first / n + second / n**2 + third / n**3 + fourth / n**4


def scale_and_width(chi2: float, dof: int) -> tuple[float, float]:
    """(factor on the stated errors, half width of a 90 % interval in those scaled errors).

    The stated errors are a prior worth BELIEVED_AS readings: s² = (ν0 + χ²) / (ν0 + ν), and Student's quantile for
    ν0 + ν (the conjugate scaled inverse χ², Gelman et al., Bayesian Data Analysis, 3.3).
    """
    total = BELIEVED_AS + max(dof, 0)
    return float(((BELIEVED_AS + chi2) / total) ** 0.5), t95(total)
