"""What the agent does about its clock: rows of an unknown time are marked, and put right when time comes.

The record clock runs evenly (`SteadyClock`); a step of the computer's clock moves nothing. Only where the time was not
known at the start are the rows since then moved, once, and the core is taken back to the snapshot before them and
given the same records at their right times.
"""

from __future__ import annotations

from typing import Any, Final

from agent.core.outputs import Output
from agent.engine import Engine
from agent.io.clock import STEP_S, Clock, SteadyClock, Stepped, TimeCame
from agent.io.intake import Reading
from agent.io.journal import Journal
from agent.outbox import Outbox

UNKNOWN: Final = "the computer does not know the time yet: rows are marked, and put right when it does"


class Timekeeper:
    """Stands between the clock and the main loop. A clock that is not steady (a simulated works') is left alone."""

    def __init__(self, clock: Clock, journal: Journal, engine: Engine) -> None:
        self._clock, self._journal, self._engine = clock, journal, engine
        self._step_s = 0.0  # by which the computer's clock is off since it was set
        self._shift_s = 0.0  # of what was stamped before this moment and not taken yet
        if isinstance(clock, SteadyClock):
            clock.begin(journal.newest_time())
            self._begin(clock)

    def _begin(self, clock: SteadyClock) -> None:
        if self._journal.unsure_from:  # an earlier run never learned the time: its rows stay as they are
            self._journal.settle(0.0)
        if not clock.sure:
            self._journal.begin_unsure()

    @property
    def text(self) -> str | None:
        """What is wrong with the time, for people; None where nothing is."""
        if isinstance(self._clock, SteadyClock) and not self._clock.sure:
            return UNKNOWN
        if self._step_s:
            return f"the computer's clock was set by {self._step_s:+.0f} s: records keep their own, even time"
        return None

    def look(self, outbox: Outbox) -> tuple[list[Output], list[dict[str, Any]]]:
        """Once a tick, before readings are taken: what the core now says anew, and notes for the journal.

        While the disk takes nothing, time waits too: what is not written cannot be put right.
        """
        self._shift_s = 0.0
        if not isinstance(self._clock, SteadyClock) or outbox.fault:
            return [], []
        match self._clock.look():
            case TimeCame(shift_s):
                return self._settle(outbox, shift_s)
            case Stepped(step_s, followed):
                self._step_s = 0.0 if followed else step_s
                return [], [{"event": "clock", "step_s": round(step_s, 3), "followed": followed}]
        return [], []

    def _settle(self, outbox: Outbox, shift_s: float) -> tuple[list[Output], list[dict[str, Any]]]:
        outbox.flush(last=True)
        first_seq, last_seq = self._journal.unsure_from, self._journal.last_seq
        moves = abs(shift_s) > STEP_S
        self._journal.settle(shift_s if moves else 0.0)
        said = self._engine.rebuild(first_seq, shift_s, self._clock.time()) if moves else []
        self._shift_s = shift_s if moves else 0.0
        note = {"event": "clock", "first_seq": first_seq, "last_seq": last_seq, "shift_s": round(shift_s, 3)}
        return said, [note]

    def right(self, reading: Reading) -> Reading:
        """A reading that was stamped just before the time came, at its right time."""
        if not self._shift_s:
            return reading
        now, moved = self._clock.time(), reading.time + self._shift_s
        if abs(reading.time - now) <= abs(moved - now):
            return reading
        return Reading(moved, reading.sump, reading.signal, reading.value, reading.simulated)
