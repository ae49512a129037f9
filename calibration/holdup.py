"""Hold-up: litres in circulation while the pump runs, how fast they come back and go out; from a stop and a start."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from calibration.line import Array, CannotFit, Value, around
from calibration.quantile import Z95

FEWEST_BEFORE, FEWEST_AFTER = 5, 12
TAUS_S = np.geomspace(8.0, 900.0, 12)  # where the search begins: pipes empty in seconds, trays in minutes
LOG_TAU_ENDS = (0.0, 12.0)  # ln s: from 1 s to two days; nothing out there is a hold-up
LOG_TAU_SD = 2.0  # prior sd of ln τ, wide: a factor of seven each way
LEAST_PULL = 5.0  # the hold-up must stand so many standard errors out of the noise
LAW_OFF = 2.0  # misfit of the first-order law, in noise sds, from which it is said
REACH_TAUS = 2.5  # the tail must be watched for so many time constants
TURNS = 40
MOST_TO_SEARCH = 240  # readings; the descent then takes all


@dataclass(frozen=True, slots=True)
class HoldUp:
    """Litres held up (L) and the time constants of drain-back after a stop and of filling after a start (s)."""

    held_l: Value
    back_s: Value
    out_s: Value
    noise_l: float
    law_off: float  # rms of what the first-order law leaves, by the noise
    text: str


def fit_hold_up(readings: Sequence[tuple[float, float]], stopped: float, started: float) -> HoldUp:
    """Readings (epoch s, litres by the curve) from before the stop at `stopped` to after the start at `started`.

    Before: y = R. Stopped: y = R + H(1 - e^(-t/τb)). Started again: y = R + h·e^(-t/τo), h what had come back by then.
    Least squares over (R, H, ln τb, ln τo). The errors are widened by the residuals' own correlation (noise of a
    level is not white): n_eff = n(1 - ρ)/(1 + ρ). Raises CannotFit.
    """
    rows = np.array(sorted(readings), float)
    if len(rows) == 0 or not stopped < started:
        raise CannotFit("readings before a stop, between stop and start, and after the start are needed")
    t, y = rows[:, 0], rows[:, 1]
    _check(t, stopped, started)
    model = _model(t, stopped, started)
    stride = -(-len(t) // MOST_TO_SEARCH)
    theta = _search(_model(t[::stride], stopped, started), y[::stride])
    theta, jacobian = _descend(model, y, theta)
    return _told(theta, jacobian, y - model(theta), t, y, stopped, started)


def _check(t: Array, stopped: float, started: float) -> None:
    counts = (t < stopped).sum(), ((t >= stopped) & (t < started)).sum(), (t >= started).sum()
    if counts[0] < FEWEST_BEFORE or min(counts[1:]) < FEWEST_AFTER:
        raise CannotFit(
            f"{counts[0]} readings before the stop, {counts[1]} after it, {counts[2]} after the start; "
            f"{FEWEST_BEFORE}, {FEWEST_AFTER} and {FEWEST_AFTER} are needed"
        )


def _model(t: Array, stopped: float, started: float) -> Callable[[Array], Array]:
    """θ = (R, H, ln τb, ln τo) to litres at every reading."""
    since_stop, since_start = np.clip(t - stopped, 0.0, started - stopped), np.maximum(t - started, 0.0)

    def model(theta: Array) -> Array:
        base, held = theta[:2]
        log_back, log_out = np.clip(theta[2:], *LOG_TAU_ENDS)
        come_back = held * (1.0 - np.exp(-since_stop / np.exp(log_back)))
        return np.asarray(base + come_back * np.exp(-since_start / np.exp(log_out)), float)

    return model


def _search(model: Callable[[Array], Array], y: Array) -> Array:
    """The best of a grid of time constants; R and H follow from them by least squares, for they enter in a line."""
    best, found = np.inf, np.zeros(4)
    for back in np.log(TAUS_S):
        for out in np.log(TAUS_S):
            shape = model(np.array([0.0, 1.0, back, out]))
            columns = np.column_stack([np.ones_like(shape), shape])
            line = np.linalg.lstsq(columns, y, rcond=None)[0]
            left = float(((y - columns @ line) ** 2).sum())
            if left < best:
                best, found = left, np.array([line[0], line[1], back, out])
    return found


def _descend(model: Callable[[Array], Array], y: Array, theta: Array) -> tuple[Array, Array]:
    """Gauss-Newton with halved steps; returns θ and the Jacobian there."""
    jacobian = _jacobian(model, theta)
    for _ in range(TURNS):
        left = y - model(theta)
        step = np.linalg.lstsq(jacobian, left, rcond=None)[0]
        size = 1.0
        while size > 1e-4 and float(((y - model(theta + size * step)) ** 2).sum()) > float((left**2).sum()):
            size /= 2.0
        theta = theta + size * step
        jacobian = _jacobian(model, theta)
        if float(np.abs(size * step).max()) < 1e-8:
            break
    return theta, jacobian


def _jacobian(model: Callable[[Array], Array], theta: Array) -> Array:
    columns = []
    for i in range(len(theta)):
        nudge = np.zeros(len(theta))
        nudge[i] = 1e-5 * max(1.0, abs(float(theta[i])))
        columns.append((model(theta + nudge) - model(theta - nudge)) / (2.0 * nudge[i]))
    return np.column_stack(columns)


def _told(
    theta: Array, jacobian: Array, left: Array, t: Array, y: Array, stopped: float, started: float
) -> HoldUp:  # fmt: skip
    n = len(y)
    rho = min(max(float(left[1:] @ left[:-1]) / float(left @ left + 1e-30), 0.0), 0.95)
    sd = float(np.sqrt((left**2).sum() / (n - 4)))
    prior = np.diag([0.0, 0.0, 1.0, 1.0]) * (sd / LOG_TAU_SD) ** 2  # what turns in no time has no constant to be seen
    information = jacobian.T @ jacobian + prior
    cov = sd**2 * (1.0 + rho) / (1.0 - rho) * np.linalg.inv(information)
    sds = np.sqrt(np.diag(cov))
    held = around(float(theta[1]), float(sds[1]), Z95)
    if held.value <= 0.0 or held.z() < LEAST_PULL:
        raise CannotFit(f"{held.value:.1f} L came back, not to be told from noise; watch a longer stop")
    back, out = (_seconds(float(theta[i]), float(sds[i])) for i in (2, 3))
    noise = float(np.median(np.abs(np.diff(y)))) / 0.6745 / 2.0**0.5 or sd
    return HoldUp(held, back, out, noise, sd / noise, _text(held, back, out, sd / noise, t, stopped, started))


def _seconds(log_s: float, sd: float) -> Value:
    """A time constant whose logarithm has a standard error: the interval is even in the logarithm."""
    s = float(np.exp(log_s))
    return Value(s, s * sd, s * float(np.exp(-Z95 * sd)), s * float(np.exp(Z95 * sd)))


def _text(held: Value, back: Value, out: Value, law_off: float, t: Array, stopped: float, started: float) -> str:
    said = f"{held.value:.1f} L in circulation ({held.low:.1f} to {held.high:.1f})"
    said += f", back in {back.value:.0f} s, out in {out.value:.0f} s (time constants)"
    short = [
        word
        for word, watched, tau in (("stop", started - stopped, back), ("start", float(t[-1]) - started, out))
        if watched < REACH_TAUS * tau.value
    ]
    if short:
        said += f"; the {' and the '.join(short)} was watched too briefly to see the tail"
    if law_off > LAW_OFF:
        said += "; this machine does not follow a first-order law: take the litres, not the seconds"
    return said
