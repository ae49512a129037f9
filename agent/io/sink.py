"""The one forwarding loop: rows of the journal after a bookmark, sent in order, acknowledged, never lost.

    journal ─▶ rows after the cursor ─▶ Outlet.deliver ─▶ cursor ─▶ (confirmed) ─▶ acknowledged(name, seq)

The journal is the queue; an `Outlet` (mqtt.py, timeseries.py) only knows how to send. Delivery is at least once:
after a lost connection, a restart of ours or a restart of the far end, rows after the bookmark go out again, with
the same time stamps, so that a re-send is the same point.

Both modules make a sink by
    make(site, journal_path, bookmark_seq, acknowledged, on_status, dead_letter) -> Sink
where all three callables are called from the sink's thread and must only enqueue, in the order called:
    acknowledged(name, seq)               every row up to `seq` is safe at the far end: move bookmark `name`
    on_status(name, status)               `connected` or `text` has changed; `status` as in `Sink.status`
    dead_letter(seq, name, reason, body)  the far end refuses this part of row `seq` for good, in these words; comes
                                          before the acknowledgement of `seq`. After a crash it may come twice
`bookmark_seq` is what the journal holds for `name` ("mqtt", "timeseries"), 0 at first.
"""

from __future__ import annotations

import random
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, TypedDict

from agent.errors import NetworkError
from agent.io.chain import LogRow
from agent.io.journal import JournalReader

BATCH_ROWS = 200  # about half an hour of 10 s blocks: bounds memory while a backlog drains
STUCK_S = 60.0  # every wait in an outlet ends long before: a thread that has not come round since hangs, and it is said
STUCK_FOR_GOOD_S = 900.0  # then the agent ends, and the service manager starts it anew
JITTER = 0.3  # agents that lost the same broker do not all come back in the same moment
CLOCK_SLACK_S = 2.0  # a far end's start time may be told anew by this much when its clock is set


class Status(TypedDict):
    """What a person wants to know of a sink. `failed`: the thread has ended by a bug and the agent should too."""

    connected: bool
    behind_rows: int  # rows of the journal not yet sent; the confirmed tail does not count
    text: str
    failed: bool


class Sink(Protocol):
    """A thread that forwards the journal to one place."""

    name: str

    def start(self) -> None:
        """Begin; returns at once, whether or not the far end answers."""

    def stop(self, deadline_s: float) -> None:
        """End within the deadline. What was not acknowledged is sent again after the next start."""

    def status(self) -> Status:
        """From any thread, without waiting."""

    def wake(self) -> None:
        """There are new rows: look at once instead of at the next poll. From any thread, without waiting."""


class CredentialsError(NetworkError):
    """The far end does not know us, or forbids this: a person must act, so keep everything and say so."""


class BusyError(NetworkError):
    """The far end asks for patience, of `wait_s` seconds."""

    def __init__(self, text: str, wait_s: float) -> None:
        super().__init__(text)
        self.wait_s = wait_s


@dataclass(frozen=True, slots=True)
class Refusal:
    """A part of row `seq` that will never be taken: why, in the far end's words, and what it was."""

    seq: int
    reason: str
    body: str


def readable(row: LogRow) -> str:
    """A row that cannot be read as what it should be, for the dead letters."""
    return row.body.hex() if row.kind == "block" else row.body.decode("utf-8", "backslashreplace")


class Outlet(Protocol):
    """How rows reach one kind of far end. Used by one thread; whatever may come back is raised as NetworkError."""

    name: str
    confirm_s: float  # how long after its acknowledgement the far end may still lose a row when it is killed

    def open(self) -> None:
        """Connect anew, or do nothing where there is no connection to hold. Reads secrets afresh."""

    def deliver(self, rows: Sequence[LogRow]) -> Iterator[tuple[int, list[Refusal]]]:
        """Send in order; yields (seq, refusals since the last yield) once all up to seq is acknowledged or refused."""

    def started(self) -> float | None:
        """When the far end's process started, by its own clock, epoch s; None where it does not tell."""

    def tend(self, reader: JournalReader, timeout_s: float) -> None:
        """Look after what is not a row (live values, keep-alive) for up to `timeout_s`, less when woken."""

    def wake(self) -> None:
        """End `tend` soon. From any thread."""

    def close(self) -> None:
        """Say good-bye where that is possible at once, and let go."""


@dataclass(frozen=True, slots=True)
class Pace:
    """How patient a forwarder is, in seconds."""

    poll_s: float = 1.0  # blocks commit once a minute or so: a look at the journal costs less than a wake-up
    first_retry_s: float = 0.5
    last_retry_s: float = 5.0  # a fresh row is there within 10 s of the end of a fault
    credentials_retry_s: float = 6.0  # a fresh row within 10 s of a mended password; too seldom to be locked out


class Forwarder:
    """The loop; a `Sink` over an `Outlet`."""

    def __init__(
        self,
        outlet: Outlet,
        journal_path: Path | str,
        bookmark_seq: int,
        acknowledged: Callable[[str, int], None],
        on_status: Callable[[str, Status], None],
        dead_letter: Callable[[int, str, str, str], None],
        pace: Pace | None = None,
    ) -> None:
        self.name = outlet.name
        self._outlet = outlet
        self._reader = JournalReader(journal_path)
        self._acknowledged = acknowledged
        self._on_status = on_status
        self._dead_letter = dead_letter
        self._pace = pace or Pace()
        self._tail = Tail(bookmark_seq, outlet.confirm_s)
        self._told: set[int] = set()  # dead-lettered rows that a rewind may send again
        self._last_seq = bookmark_seq
        self._connected = False
        self._text = "not started"
        self._failed = False
        self._stop = threading.Event()
        self._beat = time.monotonic()  # when the thread last came round
        self._thread = threading.Thread(target=self._run, name=f"sink-{self.name}", daemon=True)

    # -- from other threads -------------------------------------------------------------------------------------

    def start(self) -> None:
        """See `Sink`."""
        self._thread.start()

    def stop(self, deadline_s: float) -> None:
        """See `Sink`. A far end that hangs is left behind: the thread is a daemon and owns nothing that lasts."""
        self._stop.set()
        self._outlet.wake()
        if self._thread.ident is not None:
            self._thread.join(deadline_s)

    def status(self) -> Status:
        """See `Sink`."""
        behind = max(0, self._last_seq - self._tail.cursor)
        stuck_s = time.monotonic() - self._beat
        if not self._failed and self._thread.is_alive() and stuck_s > STUCK_S:
            text = f"stuck for {stuck_s:.0f} s: {self._text}"
            return Status(connected=False, behind_rows=behind, text=text, failed=stuck_s > STUCK_FOR_GOOD_S)
        return Status(connected=self._connected, behind_rows=behind, text=self._text, failed=self._failed)

    def wake(self) -> None:
        """See `Sink`."""
        self._outlet.wake()

    # -- the thread ---------------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            retry_s = self._pace.first_retry_s
            while not self._stop.is_set():
                retry_s = self._until_it_fails(retry_s)
        except BaseException as bug:
            self._failed = True
            self._say(False, f"ended by a bug: {bug!r}")
            raise  # printed by the thread's own hook
        finally:
            self._outlet.close()
            self._reader.close()

    def _until_it_fails(self, retry_s: float) -> float:
        """Connect and forward until something fails; wait; returns how long to wait after the next failure."""
        before = self._tail.cursor
        try:
            self._connect()
            while not self._stop.is_set():
                self._forward()
            self._send(self._rows())  # what was committed on the way out
            return retry_s
        except CredentialsError as error:
            return self._wait(self._pace.credentials_retry_s, f"credentials: {error}", retry_s)
        except BusyError as error:
            return self._wait(min(error.wait_s, self._pace.credentials_retry_s), str(error), retry_s)
        except NetworkError as error:
            wait_s = self._pace.first_retry_s if self._tail.cursor > before else retry_s
            return self._wait(wait_s, str(error), min(2 * wait_s, self._pace.last_retry_s))
        except (sqlite3.Error, FileNotFoundError) as error:
            return self._wait(self._pace.last_retry_s, f"cannot read the journal: {error}", retry_s)

    def _connect(self) -> None:
        self._outlet.open()
        if self._outlet.confirm_s:
            self._tail.found(self._outlet.started(), time.monotonic())
        self._last_seq = self._reader.last_seq()
        if self._last_seq == self._tail.cursor:
            self._say(True, "up to date")

    def _rows(self) -> list[LogRow]:
        return self._reader.settled_rows_after(self._tail.cursor, BATCH_ROWS)

    def _forward(self) -> None:
        """One batch, or one rest."""
        self._beat = time.monotonic()
        rows = self._rows()
        self._send(rows)
        caught_up = len(rows) < BATCH_ROWS
        self._last_seq = self._tail.cursor if caught_up else self._reader.last_seq()
        self._say(True, "up to date" if caught_up else "sending what has waited")
        self._confirm()
        if not self._stop.is_set():
            self._outlet.tend(self._reader, self._pace.poll_s if caught_up else 0.0)

    def _send(self, rows: list[LogRow]) -> None:
        for seq, refusals in self._outlet.deliver(rows) if rows else ():
            self._beat = time.monotonic()
            self._bury(refusals)
            self._tail.sent(seq, time.monotonic())
            self._confirm()

    def _confirm(self) -> None:
        """Acknowledge what the far end can no longer lose."""
        now = time.monotonic()
        if self._outlet.confirm_s and self._tail.due(now):
            self._tail.found(self._outlet.started(), now)
        seq = self._tail.confirmed(now)
        if seq is not None:
            self._told = {told for told in self._told if told > seq}
            self._acknowledged(self.name, seq)

    def _bury(self, refusals: list[Refusal]) -> None:
        for refusal in refusals:
            if refusal.seq not in self._told:
                self._dead_letter(refusal.seq, self.name, refusal.reason, refusal.body)
        self._told.update(refusal.seq for refusal in refusals)

    def _wait(self, wait_s: float, text: str, next_s: float) -> float:
        self._beat = time.monotonic()
        self._outlet.close()
        self._tail.failed()
        self._say(False, text)
        with suppress(sqlite3.Error, FileNotFoundError):  # the count grows old while the journal cannot be read
            self._last_seq = self._reader.last_seq()
        self._stop.wait(wait_s * (1 + random.uniform(-JITTER, JITTER)))
        return next_s

    def _say(self, connected: bool, text: str) -> None:
        changed = (connected, text) != (self._connected, self._text)
        self._connected, self._text = connected, text
        if changed:
            self._on_status(self.name, self.status())


class Tail:
    """What was sent and may still be lost: a killed store takes its last seconds with it, acknowledged or not.

    A row is confirmed once the far end, asked `confirm_s` or more after it was sent, is still the same process.
    Where the far end does not tell when it started, any failed connection counts as a restart.
    """

    def __init__(self, bookmark_seq: int, confirm_s: float) -> None:
        self.cursor = bookmark_seq  # sent up to here
        self._bookmark = bookmark_seq  # confirmed up to here
        self._confirm_s = confirm_s
        self._sent: deque[tuple[float, int]] = deque()  # (monotonic s, seq), after the bookmark
        self._started: float | None = None
        self._tells = True  # whether start times can be believed
        self._suspect = False  # a connection failed since we last heard a start time
        self._checked_at = float("-inf")

    def sent(self, seq: int, now: float) -> None:
        """The far end has acknowledged all up to `seq`."""
        self.cursor = seq
        self._sent.append((now, seq))

    def due(self, now: float) -> bool:
        """Whether to ask the far end when it started: something is ripe, and the last answer is old."""
        return self._ripe(now) and now - self._checked_at >= self._confirm_s

    def failed(self) -> None:
        """The connection broke; the far end may have been killed."""
        self._suspect = True

    def found(self, started: float | None, now: float) -> None:
        """The far end, asked at `now`, says when it started; rewinds to the bookmark where that shows a restart."""
        restarted = self._restarted(started)
        self._started, self._suspect, self._checked_at = started, False, now
        if restarted:
            self._sent.clear()
            self.cursor = self._bookmark

    def confirmed(self, now: float) -> int | None:
        """The newest row that can no longer be lost, once: it was old enough when the far end was last asked."""
        asked_at = min(now, self._checked_at) if self._confirm_s else now
        seq = None
        while self._ripe(asked_at):
            seq = self._sent.popleft()[1]
        self._bookmark = self._bookmark if seq is None else seq
        return seq

    def _ripe(self, now: float) -> bool:
        return bool(self._sent) and now - self._sent[0][0] >= self._confirm_s

    def _restarted(self, started: float | None) -> bool:
        if started is None or self._started is None or not self._tells:
            return self._suspect
        if started < self._started - CLOCK_SLACK_S:
            self._tells = False  # several processes answer in turn (a cluster behind one name)
            return self._suspect
        return started > self._started
