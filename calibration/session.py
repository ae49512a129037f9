"""The guided level routine as a value: what was poured and read so far, and what comes next. Time is an argument.

begin → the first level settles → (poured or drained so much → it settles) … → document. The command line and the
page keep the same session; its text form is what both store between two steps.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

import numpy as np

from calibration.document import Document
from calibration.level import LevelCurve, fit_level, judge_last, odd_points
from calibration.line import CannotFit
from calibration.pours import Anchor, PourError, Step, error_of
from calibration.settle import WINDOW_S, Moving, Settled, settled

MOST_LITRES = 20_000.0  # a pour of more is a unit mistaken
MOST_STEPS = 60
MOST_REASON = 200  # characters


@dataclass(frozen=True, slots=True)
class Session:
    """One routine. `waiting_l`: what was poured (drained: negative) and is settling since `since`; None: asked for."""

    sump: str
    by: str
    begun: float  # epoch s
    poured_with: str = "pail"  # of pours.ERRORS
    start_l: float = 0.0  # in the sump at the first reading; with until_empty: at the last
    start_sd_l: float = 0.2
    until_empty: bool = False  # drained until nothing is left: the end is what is known
    window_s: float = WINDOW_S
    steps: tuple[Step, ...] = ()
    waiting_l: float | None = 0.0
    since: float = 0.0

    @property
    def error(self) -> PourError:
        return error_of(self.poured_with)

    @property
    def anchor(self) -> Anchor:
        return Anchor(len(self.steps) - 1 if self.until_empty else 0, self.start_l, self.start_sd_l)


def begin(
    sump: str,
    by: str,
    now: float,
    poured_with: str = "pail",
    start_l: float = 0.0,
    start_sd_l: float = 0.2,
    until_empty: bool = False,
    window_s: float = WINDOW_S,
) -> Session:
    """A new routine, waiting for its first level. Raises CannotFit where it could not end well."""
    error_of(poured_with)
    if not by.strip():
        raise CannotFit("a calibration carries the name of the person who does it")
    if not (0.0 <= start_l <= MOST_LITRES and 0.0 < start_sd_l <= MOST_LITRES and window_s > 0.0):
        raise CannotFit("what is in the sump must be 0 L or more, its error above 0 L")
    return Session(sump, by, now, poured_with, start_l, start_sd_l, until_empty, window_s, since=now)  # fmt: skip


def pour(session: Session, litres: float, now: float) -> Session:
    """So much went in (drained: negative) and settles from now on. Raises CannotFit."""
    if session.waiting_l is not None:
        raise CannotFit("the last step is still settling")
    if litres == 0.0 or not abs(litres) <= MOST_LITRES:
        raise CannotFit(f"{litres:g} L is no step; give the litres poured, with a minus those drained")
    if len(session.steps) >= MOST_STEPS:
        raise CannotFit(f"{MOST_STEPS} steps are enough for any sump; finish here")
    return replace(session, waiting_l=litres, since=now)


def take(session: Session, readings: Sequence[tuple[float, float]]) -> tuple[Session, Settled | Moving, str | None]:
    """Looks whether the level has settled (readings: epoch s, raw): the session with its step, and a warning if odd."""
    if session.waiting_l is None:
        return session, Moving("waiting for the next step", 0.0), None
    found = settled(readings, session.since, session.window_s)
    if isinstance(found, Moving):
        return session, found, None
    step = Step(session.waiting_l, found.raw, found.se, found.spread, found.end)
    steps = (*session.steps, step)
    warning = judge_last(steps, replace(session, steps=steps).anchor, session.error)
    return replace(session, steps=(*session.steps, replace(step, said=warning or "")), waiting_l=None), found, warning


def undo(session: Session) -> Session:
    """Forget the step that is settling, else the last one taken. What was poured then is in the sump all the same:
    the next step must say both."""
    if session.waiting_l is not None and session.steps:
        return replace(session, waiting_l=None)
    if len(session.steps) > 1:
        return replace(session, steps=session.steps[:-1], waiting_l=None)
    return replace(session, steps=(), waiting_l=0.0)


def leave_out(session: Session, number: int, why: str) -> Session:
    """The reading of a step (0: the first) stays out of the fit, with the reason in the file; once more: it is back.
    What was poured then counts all the same. Raises CannotFit."""
    if not 0 <= number < len(session.steps):
        raise CannotFit(f"there is no step {number}: they are counted from 0")
    step = session.steps[number]
    if not step.left_out and not why.strip():
        raise CannotFit("say why the step is left out: the reason is kept with the curve")
    changed = replace(step, left_out="" if step.left_out else why.strip()[:MOST_REASON])
    return replace(session, steps=(*session.steps[:number], changed, *session.steps[number + 1 :]))


def curve(session: Session) -> LevelCurve:
    """The curve as far as it goes. Raises CannotFit."""
    return fit_level(session.steps, session.anchor, session.error)


def document(session: Session, now: float, serial: str, simulated: bool = False, note: str = "") -> Document:
    """The finished curve with all it was made from. Raises CannotFit."""
    return as_document(
        session.sump, session.by, now, session.steps, session.anchor, session.poured_with, serial, simulated, note
    )


def as_document(
    sump: str, by: str, now: float, steps: Sequence[Step], anchor: Anchor, poured_with: str, serial: str,
    simulated: bool = False, note: str = "",
) -> Document:  # fmt: skip
    """Steps as the document of their curve. Raises CannotFit."""
    error = error_of(poured_with)
    made = fit_level(steps, anchor, error)
    points = made.file_points()
    intervals = [_interval(made, raw) for raw, _ in points]
    fit: dict[str, Any] = {
        "raw_low": made.raw_low, "raw_high": made.raw_high, "rms_leave_one_out_l": made.rms_loo_l(),
        "widest_half_interval_l": max(high - litres for _, litres, _, high in intervals),
        "interval_widened_by": made.inflated, "interval": intervals,
    }  # fmt: skip
    remarks = [f"step to reading {made.points.raw[i]:g} does not fit the others" for i in odd_points(made)]
    method = {
        "poured_with": poured_with, **asdict(error), "known_step": anchor.step,
        "known_l": anchor.volume_l, "known_sd_l": anchor.sd_l,
    }  # fmt: skip
    return Document(
        "curve", sump, now, by, fit, tuple(_measured(made, steps)), tuple((p[0], p[1]) for p in points), serial, "L",
        note, simulated, remarks=tuple(remarks), method=method,
    )  # fmt: skip


def _interval(made: LevelCurve, raw: float) -> list[float]:
    """[raw, litres, low, high] of the 90 % interval; rounding may have put an end's reading a hair outside."""
    at = made.litres_at(min(max(raw, made.raw_low), made.raw_high))
    return [raw, round(at.value, 3), round(at.low, 3), round(at.high, 3)]


def _measured(made: LevelCurve, steps: Sequence[Step]) -> list[dict[str, Any]]:
    """The steps as they were taken; what the fit says of each, but of those left out."""
    kept = [k for k, step in enumerate(steps) if not step.left_out]
    place = {kept[at]: i for i, at in enumerate(np.argsort([steps[k].raw for k in kept]))}  # as `fit_points` sorts
    rows: list[dict[str, Any]] = []
    for k, step in enumerate(steps):
        rows.append(asdict(step))
        if (i := place.get(k)) is not None:
            p = made.points
            rows[-1] |= {"litres": float(p.litres[i]), "residual_l": float(made.residuals_l[i]),
                         "leave_one_out_l": float(made.loo_l[i])}  # fmt: skip
    return rows


def steps_of(document: Document) -> tuple[tuple[Step, ...], Anchor, PourError]:
    """What a curve's document was made from. Raises KeyError, TypeError where it does not say."""
    names = {field.name for field in fields(Step)}
    method = document.method
    error = PourError(method["own_l"], method["own_share"], method["common_share"])
    anchor = Anchor(int(method["known_step"]), method["known_l"], method["known_sd_l"])
    steps = (Step(**{name: value for name, value in row.items() if name in names}) for row in document.measured)
    return tuple(steps), anchor, error


def to_row(session: Session) -> dict[str, Any]:
    """The session as plain values, to be kept as JSON."""
    return asdict(session)


def from_row(row: Mapping[str, Any]) -> Session:
    """The session again. Raises KeyError, TypeError, ValueError."""
    steps = tuple(Step(**step) for step in row["steps"])
    return Session(**{**row, "steps": steps})
