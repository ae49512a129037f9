"""The guided level routine at the command line: asks for pours, waits for the level, warns, fits, keeps the file."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from pathlib import Path

from agent.calibrate import Bench
from agent.errors import Misused
from calibration import session as routine
from calibration.document import Document
from calibration.level import fit_level
from calibration.line import CannotFit
from calibration.session import Session, steps_of
from calibration.settle import Moving, Settled
from calibration.shape import Shape, compare

LOOK_EVERY_S = 0.5  # the journal takes a block of samples every ten seconds or so
HELP = "litres poured (drained: with a minus), undo, leave N WHY, done or stop"
LEAVE = re.compile(r"leave\s+(\d+)(?:\s+(.*))?", re.IGNORECASE)


def guide(
    bench: Bench, session: Session, ask: Callable[[str], str], say: Callable[[str], None], patience_s: float
) -> Session | None:
    """Runs the routine until `done` (the session) or `stop` (None; it is kept and can be taken up again).

    `ask` gives a line that a person typed, `say` shows one. `patience_s`: real seconds to wait for a level to settle.
    """
    while True:
        bench.files.keep_draft(session.sump, routine.to_row(session))  # before the wait, too: it may end in a refusal
        if session.waiting_l is not None:
            session = _wait(bench, session, say, patience_s)
            continue
        answer = ask(f"step {len(session.steps)}: {HELP}").strip()
        if answer.lower() == "done" and _can_end(session, say):
            return session
        if answer.lower() == "stop":
            return None
        session = _next(bench, session, answer, say)


def _can_end(session: Session, say: Callable[[str], None]) -> bool:
    """Whether there is a curve to end with: else the routine goes on, to mend what it says."""
    try:
        routine.curve(session)
    except CannotFit as why:
        say(f"no curve yet: {why}")
        return False
    return True


def _next(bench: Bench, session: Session, answer: str, say: Callable[[str], None]) -> Session:
    if answer.lower() == "done":
        return session
    if answer.lower() == "undo":
        say("forgotten; what was poured is in the sump: say it with the next step")
        return routine.undo(session)
    if leave := LEAVE.fullmatch(answer):
        return _left_out(session, int(leave[1]), leave[2] or "", say)
    try:
        return routine.pour(session, float(answer.replace(",", ".")), bench.now())
    except CannotFit as why:
        say(str(why))
    except ValueError:
        say(f"{answer!r} is none of: {HELP}")
    return session


def _left_out(session: Session, number: int, why: str, say: Callable[[str], None]) -> Session:
    try:
        session = routine.leave_out(session, number, why)
    except CannotFit as refusal:
        say(str(refusal))
        return session
    step = session.steps[number]
    say(f"step {number}, reading {step.raw:.2f}, is {'left out; what was poured counts' if step.left_out else 'back'}")
    return session


def _wait(bench: Bench, session: Session, say: Callable[[str], None], patience_s: float) -> Session:
    """Until the level has settled. Raises Misused when patience ends: then the sensor's line wants looking at."""
    told, deadline = "", time.monotonic() + patience_s
    while time.monotonic() < deadline:
        after, found, warning = routine.take(session, bench.readings(session.sump, "level", session.since))
        if isinstance(found, Settled):
            say(f"settled at {found.raw:.2f} (spread {found.spread:.2f}, {found.readings} readings)")
            if warning:
                say(f"WARNING: {warning}")
            return after
        reason = found.reason.partition(",")[0]
        if reason != told and not reason[:1].isdigit():
            say(f"{reason} ...")
        told = reason
        time.sleep(LOOK_EVERY_S)
    last = found.reason if isinstance(found, Moving) else ""
    raise Misused(f"calibrate: the level did not settle in {patience_s:.0f} s: {last}; the routine is kept")


def finish(bench: Bench, session: Session, note: str) -> tuple[Path, Document]:
    """The curve into its file; the routine is over. Raises CannotFit, OSError."""
    serial = bench.site.serial_of(session.sump, "level")
    document = routine.document(session, bench.now(), serial, bench.site.simulated, note)
    path = bench.keep(document)
    bench.files.drop_draft(session.sump)
    return path, document


def told(document: Document, full_l: float, high_l: float) -> list[str]:
    """A curve in lines of text: residuals, leave-one-out, interval, and what lacks."""
    lines = [f"{'step':>4} {'reading':>9} {'litres':>8} {'residual':>11} {'by others':>11}"]
    for number, row in enumerate(document.measured):
        if row["left_out"]:
            lines.append(f"{number:4d} {row['raw']:9.2f}   not in the fit: {row['left_out']}")
            continue
        lines.append(
            f"{number:4d} {row['raw']:9.2f} {row['litres']:8.1f} {row['residual_l']:+11.2f}"
            f" {row['leave_one_out_l']:+11.2f}" + (f"   {row['said']}" if row["said"] else "")
        )
    fit = document.fit
    lines.append(
        f"leave-one-out error {fit['rms_leave_one_out_l']:.2f} L rms; 90 % interval at most "
        f"±{fit['widest_half_interval_l']:.1f} L; from reading {fit['raw_low']:g} to {fit['raw_high']:g}, not beyond"
    )
    top = max(p[1] for p in document.points)
    if top < high_l:
        lines.append(f"WARNING: the curve ends at {top:.0f} L, below the highest mark of {high_l:g} L: pour on")
    return [*lines, *(f"WARNING: {remark}" for remark in document.remarks)]


def shape_of(dimensions: str) -> Shape:
    """The shape given as "length,width[,slope[,ledge height,ledge area mm²]]". Raises Misused, CannotFit."""
    numbers = dimensions.split(",")
    try:
        if len(numbers) not in (2, 3, 5):
            raise ValueError(f"{len(numbers)} numbers")
        return Shape(*(float(part) for part in numbers))
    except ValueError as why:
        raise Misused(f"--shape: give length,width[,slope[,ledge height,ledge area in mm2]] in mm: {why}") from why


def beside_shape(session_curve: Document, shape: Shape, floor_raw: float, mm_per_raw: float) -> str:
    """The comparison of a curve with a shape. Raises CannotFit."""
    return compare(fit_level(*steps_of(session_curve)), shape, floor_raw, mm_per_raw).text
