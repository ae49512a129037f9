"""The makeup line: a proportioner against its setting, a flow meter against what came out of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.line import CannotFit, LineFit, Value, around, fit_line
from calibration.quantile import scale_and_width
from calibration.strength import BRIX_SD

OFF_SHARE = 0.05  # a proportioner within this of its setting is left alone (water-driven pumps: ±3-5 %)
FEWEST_RUNS = 2


@dataclass(frozen=True, slots=True)
class Proportioner:
    """What a proportioner gives: strength in % of the mix, and real over set."""

    strength_pct: Value
    ratio: Value
    verdict: str  # right | rich | lean | cannot_tell

    @property
    def text(self) -> str:
        """One sentence for people."""
        r = self.ratio
        words = {
            "right": "agrees with its setting",
            "rich": "mixes richer than set",
            "lean": "mixes leaner than set",
            "cannot_tell": "may or may not be off: take more readings",
        }[self.verdict]
        return f"real over set {r.value:.3f} ({r.low:.3f} to {r.high:.3f}): {words}"


def proportioner(
    brix: Sequence[float],
    setting_pct: float,
    factor: float,
    factor_sd: float = 0.0,
    zero: tuple[float, float] = (0.0, 0.0),
    brix_sd: float = BRIX_SD,
) -> Proportioner:
    """Samples drawn at the proportioner's mouth, read in Brix, against the setting in % of the mix. Raises CannotFit.

    m = f·(b̄ - b0), var m = f²(s²/n + var b0) + (b̄ - b0)²·var f; s is the readings' own spread, with the stated
    one as its prior.
    """
    b = np.asarray(brix, float)
    if len(b) == 0 or setting_pct <= 0.0:
        raise CannotFit("a proportioner is checked by one reading or more, at a setting above 0")
    net = float(b.mean()) - zero[0]
    chi2 = float(((b - b.mean()) ** 2).sum()) / brix_sd**2
    scale, width = scale_and_width(chi2, len(b) - 1)
    var = factor**2 * ((scale * brix_sd) ** 2 / len(b) + zero[1] ** 2) + (net * factor_sd) ** 2
    strength = around(factor * net, float(np.sqrt(var)), width)
    ratio = around(strength.value / setting_pct, strength.sd / setting_pct, width)
    return Proportioner(strength, ratio, _verdict(ratio))


def _verdict(ratio: Value) -> str:
    low, high = 1.0 - OFF_SHARE, 1.0 + OFF_SHARE
    if ratio.low > high or (ratio.low > 1.0 and ratio.value > high):
        return "rich"
    if ratio.high < low or (ratio.high < 1.0 and ratio.value < low):
        return "lean"
    return "right" if low <= ratio.low and ratio.high <= high else "cannot_tell"


def flow_meter(
    metered_l: Sequence[float],
    collected_l: Sequence[float],
    collected_sd_l: float,
    meter_step_l: float = 0.0,
    common_share_sd: float = 0.0,
) -> LineFit:
    """Litres collected and measured against litres (or pulses) metered, run by run: collected = factor × metered.

    `meter_step_l`: the meter's last digit (uniform error, sd = step/√12). `common_share_sd`: the measuring vessel's
    own error as a share. Coefficient 0 is the factor. Raises CannotFit.
    """
    x, y = np.asarray(metered_l, float), np.asarray(collected_l, float)
    if len(x) != len(y) or len(x) < FEWEST_RUNS or np.any(x <= 0.0) or np.any(y <= 0.0):
        raise CannotFit(f"take {FEWEST_RUNS} runs or more, each with litres metered and litres collected above 0")
    cov_y = np.eye(len(y)) * collected_sd_l**2 + np.outer(y, y) * common_share_sd**2
    return fit_line(y, x[:, None], cov_y, np.eye(len(x)) * meter_step_l**2 / 12.0)
