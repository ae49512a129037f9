"""The agent: start, tick, stop; the one place where things are wired.

Threads: one a bus, one a sink. The main thread owns the core's state and the journal. A tick: readings into the
core, what it says to the journal, people's words, beliefs, a commit when due, the live file, a word to systemd.
"""

from __future__ import annotations

import fcntl
import os
import signal
import sqlite3
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from agent.alerts import RESTORED_ROWS, Alerts, watched_signals
from agent.bus_watch import BusWatch
from agent.core.outputs import Advice, Belief, Finding, Output
from agent.core.review import OPEN
from agent.engine import HEARING, VERSION, Engine
from agent.io import clock as clocks
from agent.io import inbox, journal, systemd
from agent.io.clock import Clock, SteadyClock
from agent.io.drivers import DriverLacks, thread_for
from agent.io.inbox import InboxReader, Word
from agent.io.intake import Reading
from agent.io.journal import JournalReader, Sample
from agent.io.live import EXPLAIN_NAME, EXPLAIN_PERIOD_S, LEAST_PERIOD_S, LiveFile
from agent.io.reserve import FILE_NAME as RESERVE
from agent.io.reserve import Reserve
from agent.opening import CannotStart, foreign, mark_suspect, open_journal
from agent.outbox import STORES, Outbox
from agent.picture import Picture, asked, status_line
from agent.publishers import Publishers
from agent.records import Record, sensed
from agent.reviews import Reviews, Row
from agent.site import Site, load_site
from agent.timekeeping import Timekeeper
from agent.words import heard

if TYPE_CHECKING:
    from agent.doses import Doses

TICK_S: Final = 0.2  # a level change is seen, judged and posted well within 2 s
SNAPSHOT_EVERY_S: Final = 1800.0  # a restart replays up to 43,000 records, some 0.4 s; each costs the card 0.15 MB
AGAIN_S: Final = 60.0  # after one that the disk did not take
LAG_S: Final = 2.0  # a belief is written this long after its time: readings on their way still count
RUNNING_REPEAT_S: Final = 600.0  # the pump's state goes to the core on change, and this often, so that a gap shows
STATUS_EVERY_S: Final = 10.0
BUS_STOP_S: Final = 1.5  # all buses together; with the sinks' share a stop stays within 5 s
SINK_STOP_S: Final = 1.5
CLOSINGS_BACK_S: Final = 400 * 86_400.0  # a shutdown is told a year ahead at most
LATE_ROWS: Final = 2_000  # more than a day's findings, words or proofs
INBOX: Final = "inbox"  # the bookmark's name


class BusFailed(Exception):
    """A bus's thread has ended by a bug: the process should, too, and be started anew."""


def run(
    site_path: str | os.PathLike[str],
    state_dir: str | None = None,
    inbox_dir: str | None = None,
    runtime_dir: str | None = None,
    *,
    clock_speed: float = 1.0,
    clock_start: float | None = None,
) -> int:
    """Run until SIGTERM or SIGINT. 0: ended as asked; 1: could not start, said on stderr. Raises SiteFault."""
    site = load_site(site_path)
    kept = site.agent
    state, words, runtime = (
        Path(given) if given else site.resolve(usual)
        for given, usual in (
            (state_dir, kept.state_dir),
            (inbox_dir, kept.inbox_dir),
            (runtime_dir, kept.runtime_dir),
        )
    )
    try:
        clock = _clock(site, clock_speed, clock_start)
        state.mkdir(parents=True, exist_ok=True)
        with _only_one(state / "agent.lock"):
            config = sha256(Path(site_path).read_bytes()).hexdigest()
            _until_told(Agent(site, config, state / journal.FILE_NAME, words / inbox.FILE_NAME, runtime, clock))
    except PermissionError as why:
        print(f"sumpside: {foreign(why)}", file=sys.stderr)
        return 1
    except (CannotStart, DriverLacks, OSError) as why:
        print(f"sumpside: {why}", file=sys.stderr)
        return 1
    return 0


def _until_told(agent: Agent) -> None:
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: agent.ask_to_stop())
    try:
        agent.start()
        while not agent.stopping:
            agent.tick()
            time.sleep(TICK_S)
    except sqlite3.DatabaseError as error:
        if not isinstance(error, sqlite3.OperationalError):
            mark_suspect(agent.journal_path.parent, str(error))
        raise
    finally:
        agent.stop()


def _clock(site: Site, speed: float, start: float | None) -> Clock:
    """Real time; another only where nothing is measured."""
    if (speed != 1.0 or start is not None) and not all(bus.simulated for bus in site.bus):
        raise CannotStart("--clock-speed and --clock-start are for sites whose buses are all simulated")
    return SteadyClock() if speed == 1.0 and start is None else Clock(speed, start)


@contextmanager
def _only_one(path: Path) -> Iterator[None]:
    """Hold the lock that says who writes this journal. Raises CannotStart."""
    with path.open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise CannotStart(f"{path.parent}: another agent writes the journal here; end it first") from None
        yield


class Agent:
    """One site's agent; all methods from the main thread, `ask_to_stop` also from a signal handler."""

    def __init__(
        self, site: Site, config: str, journal_path: Path, inbox_path: Path, runtime: Path, clock: Clock
    ) -> None:
        self.site, self.config, self.clock = site, config, clock
        self.spec = site.spec()
        self.boot = clocks.boot_number(clocks.boot_id())
        self.journal_path = journal_path
        self.reserve = Reserve(journal_path.with_name(RESERVE))
        self.reserve.make_way()
        self.journal, self._broken = open_journal(journal_path, self.boot)
        stores = [name for name in STORES if getattr(site, name) is not None]
        self.outbox = Outbox(self.journal, stores, self.reserve)
        self.engine = Engine(self.journal, self.spec, site.agent.belief_every_s)
        self.times = Timekeeper(clock, self.journal, self.engine)
        self.reader = JournalReader(journal_path)
        self.inbox = InboxReader(inbox_path)
        self.inbox_fault: str | None = None
        self.live_fault: str | None = None
        self.reviews = Reviews(self.spec, site.review.top_off, self.reader.instruction)
        self.buses = [thread_for(bus, clock, site.resolve) for bus in site.bus]
        self.publishers = Publishers(site, journal_path, self.journal.bookmark_of)
        self.live = LiveFile(runtime)
        self.explained = LiveFile(runtime, EXPLAIN_NAME, max(EXPLAIN_PERIOD_S / clock.speed, LEAST_PERIOD_S))
        self.picture = Picture(site.simulated)
        self.watch = BusWatch()
        self.alerts = Alerts(self.spec, watched_signals(site), journal_path.parent, self._steady)
        self.doses = self._make_doses()
        self.closings: list[dict[str, Any]] = []  # days that people closed or opened, oldest first
        self.stopping = False
        self._started_at = clock.time()
        self._read_to = self.journal.bookmark_of(INBOX)
        self._running: dict[str, tuple[float, float]] = {}  # sump → value told to the core, monotonic s
        self._commit_at = self._snapshot_at = self._status_at = clock.monotonic()
        self._first = False  # a signal has been heard for the first time: kept and shown at once
        self._fed = 0
        self._closed = False

    # -- start ----------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Listen first, so that nothing is missed while the past is read; then restore, and say READY."""
        for bus in self.buses:
            bus.start()
        missing = self.engine.restore(self.clock.time())
        late = {kind: self._rows(kind, LATE_ROWS) for kind in ("finding", "word", "review")}
        self._restore_reviews(late)
        self._restore_alerts(late)
        self._restore_calendar()
        if self.doses is not None:
            self.doses.start(self._rows("agent", RESTORED_ROWS), self.clock.time())
        self._note({"event": "start", "version": VERSION, "pid": os.getpid(), "boot_id": clocks.boot_id()})
        self._say(missing)
        self._commit()
        self._snapshot()
        self.publishers.start(self.clock.time)
        self._write_live()
        systemd.notify("READY=1", f"STATUS={self.engine.restored}")

    def _make_doses(self) -> Doses | None:
        """Imported only where a site asks for it."""
        if all(sump.dosing is None for sump in self.site.sump):
            return None
        from agent.doses import doses_of

        return doses_of(self.site, self.reviews, self._believe, self.clock.monotonic)

    def _restore_reviews(self, late: dict[str, list[Row]]) -> None:
        opened = self.reader.open_instructions(states=(*OPEN, "done"))
        waiting = [self.reader.instruction(id) for id in self.reader.waiting_advice()]
        rows = [row for rows in late.values() for row in rows]
        self.reviews.restore([*opened, *(found for found in waiting if found is not None)], rows)

    def _restore_calendar(self) -> None:
        words = self.reader.events("word", t0=self.clock.time() - CLOSINGS_BACK_S, limit=RESTORED_ROWS)
        self.closings = [body for body in (row.data() for row in words) if body.get("signal") == "calendar"]
        self.engine.keep_calendar(self.site.shop_calendar(self.closings))

    def _restore_alerts(self, late: dict[str, list[Row]]) -> None:
        others = [*late["finding"], *late["word"]]
        self.alerts.restore(self._rows("alert", RESTORED_ROWS), others, self.clock.time())

    def _rows(self, kind: str, most: int) -> list[Row]:
        return [Row(row.kind, row.time, row.sump, row.id, row.data()) for row in self.reader.events(kind, limit=most)]

    def _steady(self) -> float:
        """Seconds at the record clock's pace that nobody sets."""
        return self.clock.monotonic() * self.clock.speed

    def _note(self, body: dict[str, Any]) -> None:
        """A row about the agent itself."""
        if body["event"] == "start":
            body |= {"config": self.config, "restored": self.engine.restored, "note": self._broken}
        body["simulated"] = self.site.simulated
        self.outbox.add(Row("agent", self.clock.time(), None, None, body))

    # -- tick -----------------------------------------------------------------------------------------------------

    def tick(self) -> None:
        """One turn of the loop. Raises when a thread has failed or the journal is broken."""
        self._keep_time()
        now, monotonic_s = self.clock.time(), self.clock.monotonic()
        self._take_readings()
        self._say(self.engine.advance(now - LAG_S * self.clock.speed))
        self._enter(self.reviews.due(now))
        self._dose(now)
        self.publishers.collect(self.outbox)
        if self._first or self.outbox.urgent or monotonic_s >= self._commit_at:
            self._commit()
        self._take_words()
        if monotonic_s >= self._snapshot_at:
            self._snapshot()
        self._watch_threads(monotonic_s)
        if self._first or self.live.due(monotonic_s):
            self._first = False
            self._write_live()
        if self.explained.due(monotonic_s):
            self._write_explained()
        self._tell_systemd(monotonic_s)

    def _keep_time(self) -> None:
        said, notes = self.times.look(self.outbox)
        for note in notes:
            self._note(note)
        if said:
            self._say(said)
        if any("shift_s" in note for note in notes):
            self._snapshot()

    def _take_readings(self) -> None:
        readings = [self.times.right(reading) for bus in self.buses for reading in bus.intake.take()]
        for reading in sorted(readings, key=lambda reading: reading.time):
            self._take(reading)

    def _take(self, reading: Reading) -> None:
        """One reading: into the core, the open block, the live picture."""
        value = reading.value if reading.signal != "running" else float(reading.value != 0.0)
        wanted = reading.signal != "running" or self._is_news(reading.sump, value)
        if wanted:
            self._say(self.engine.step(sensed(reading.time, reading.sump, reading.signal, value)))
        flags = self.engine.flags(reading.sump, reading.signal)
        calibrated = self.engine.calibrated(reading.sump, reading.signal, value)
        sample = Sample(reading.time, reading.sump, reading.signal, value, calibrated, flags, reading.simulated)
        if wanted:
            self.journal.add(sample)
        self._first = self.picture.show(sample) or self._first
        if self.doses is not None:
            self.doses.saw(sample)
        self.publishers.sample_now(sample, wanted and not self.journal.unsure_from)

    def _is_news(self, sump: str, running: float) -> bool:
        """The pump's state is sent on change, and now and then."""
        told, at = self._running.get(sump, (None, 0.0))
        monotonic_s = self.clock.monotonic()
        if told == running and monotonic_s - at < RUNNING_REPEAT_S / self.clock.speed:
            return False
        self._running[sump] = (running, monotonic_s)
        return True

    def _dose(self, now: float) -> None:
        """Valves: held or closed; what went in is told like a person's word."""
        rows, words = self.doses.tick(now) if self.doses is not None else ([], [])
        self._enter(rows)
        for word in words:
            decision = self.reviews.decided(word, self._believed_l)
            self._enter(decision.rows)
            if decision.record is not None:
                self._say(self.engine.step(decision.record))

    def _say(self, outputs: list[Output]) -> None:
        """What the core says, on its way to the journal."""
        for output in outputs:
            match output:
                case Belief():
                    self.journal.belief(output.row())
                    self.publishers.belief_now(output.row())
                case Finding():
                    self._enter(self.reviews.found(output))
                case Advice():
                    self._enter(self.reviews.advised(output, self.clock.time()))

    def _enter(self, rows: list[Row]) -> None:
        for row in rows:
            self.outbox.add(row)
            self._absorb(row)

    def _absorb(self, row: Row) -> None:
        """What is in memory follows the rows."""
        self.reviews.absorb(row)
        self.alerts.absorb(row, self.clock.time())
        for more in self.doses.absorb(row, self.clock.time()) if self.doses is not None else ():
            self.outbox.add(more)
        if row.kind == "word" and row.body.get("signal") == "calendar":
            self.closings.append(row.body)
            self.engine.keep_calendar(self.site.shop_calendar(self.closings))

    # -- people's words -------------------------------------------------------------------------------------------

    def _take_words(self) -> None:
        """Words come into the journal with the inbox's bookmark, and only then into the core."""
        try:
            words = self.inbox.after(self._read_to)
            self.inbox_fault = None
        except sqlite3.Error as error:
            self.inbox_fault = f"the inbox cannot be read: {error}"
            return
        for word in words:
            rows, record = self._heard(word)
            if not self.outbox.write_now(rows, INBOX, word.seq, {HEARING: word.token}):
                return
            self._read_to = word.seq
            for row in rows:
                self._absorb(row)
            if record is not None:
                self._say(self.engine.step(record))
            if self.doses is not None:
                self._enter(self.doses.decided(word, rows, self.clock.time()))
            self.outbox.note(HEARING, "")
            if self.doses is not None and self.doses.waits:
                self._commit()

    def _heard(self, word: Word) -> tuple[list[Row], Record | None]:
        """What a word comes to, by its kind."""
        if word.kind == "alert":
            return self.alerts.decided(word), None
        told = self.doses.heard(word, self.clock.time()) if self.doses is not None else []
        return (told, None) if told else heard(word, self.spec, self.reviews, self._believed_l)

    def _believe(self, sump: str) -> Belief:
        return self.engine.belief(sump, self.clock.time())

    def _believed_l(self, sump: str) -> float:
        return self._believe(sump).volume_l

    # -- keeping and showing --------------------------------------------------------------------------------------

    def _commit(self, last: bool = False) -> None:
        self._commit_at = self.clock.monotonic() + self.site.agent.block_s
        if self.outbox.flush(last):
            self.publishers.wake()
            if self.doses is not None:
                self.doses.kept()

    def _snapshot(self) -> None:
        """The state as of all rows; only when no row waits, or it would be told twice after a restart."""
        if self.outbox.urgent and not self.outbox.flush():
            return
        self._snapshot_at = self.clock.monotonic() + SNAPSHOT_EVERY_S
        try:
            self.engine.snapshot(self.clock.time())
        except sqlite3.OperationalError as error:
            self.outbox.no_snapshot(error)
            self._snapshot_at = self.clock.monotonic() + AGAIN_S

    def _watch_threads(self, monotonic_s: float) -> None:
        for bus in self.buses:
            if bus.failed is not None:
                raise BusFailed(f"bus {bus.bus.id}: {bus.failed!r}") from bus.failed
        for body in self.watch.news(self._bus_statuses(), monotonic_s):
            self._note(body)

    def _bus_statuses(self) -> dict[str, dict[str, Any]]:
        return {bus.bus.id: bus.status() for bus in self.buses}

    def _write_live(self) -> None:
        now = self.clock.time()
        about = {
            "version": VERSION,
            "pid": os.getpid(),
            "started": self._started_at,
            "journal_seq": self.journal.last_seq,
            "fault": self.fault,
            "lost_samples": self.outbox.lost_samples,
            "sinks": self.publishers.statuses(),
            "buses": self._bus_statuses(),
        }
        beliefs = {sump: self.engine.belief(sump, now).row() for sump in self.spec.sumps}
        known = list(self.reviews.known.values())
        fillings = {sump: self.engine.filling(sump, now, asked(known, sump)) for sump in self.spec.sumps}
        live = self.picture.body(now, self.boot, about, beliefs, fillings)
        locked = self.doses.locked() if self.doses is not None else {}
        self._enter(self.alerts.look(now, live, known, locked, self.clock.speed, self.times.text))
        if self.doses is not None:
            live["dosing"] = self.doses.shown(now)
        try:
            self.live.write(live | self.alerts.shown(now), self.clock.monotonic())
            self.live_fault = None
        except OSError as error:  # the journal goes on without it
            self.live_fault = f"the live file cannot be written: {error}"

    def _write_explained(self) -> None:
        """The beliefs in words, for the page of a sump; a folder that takes nothing is the live file's to tell of."""
        now = self.clock.time()
        texts = {sump: self.engine.explain(sump, now) for sump in self.spec.sumps}
        doubts = {sump: self.engine.doubts(sump) for sump in self.spec.sumps}
        with suppress(OSError):
            self.explained.write({"time": now, "sumps": texts, "doubts": doubts}, self.clock.monotonic())

    @property
    def fault(self) -> str | None:
        """What keeps the agent from its files, if anything does."""
        return self.outbox.fault or self.inbox_fault or self.live_fault or self.times.text

    def _tell_systemd(self, monotonic_s: float) -> None:
        """The watchdog is fed by commits, never by time; a full disk is no reason to be restarted, it is said."""
        if self.outbox.commits > self._fed or self.outbox.full:
            self._fed = self.outbox.commits
            systemd.notify("WATCHDOG=1")
        if monotonic_s >= self._status_at:
            self._status_at = monotonic_s + STATUS_EVERY_S
            status = status_line(self._bus_statuses(), self.publishers.statuses(), self.fault)
            systemd.notify(f"STATUS={status}")

    # -- stop -----------------------------------------------------------------------------------------------------

    def ask_to_stop(self) -> None:
        """Noticed within a tick."""
        self.stopping = True

    def stop(self) -> None:
        """End within 5 s with everything written; also after a start that failed half-way."""
        if self._closed:
            return
        self._closed = True
        systemd.notify("STOPPING=1")
        if self.doses is not None:
            self.doses.stop()
        self._stop_buses()
        try:
            self._take_readings()
            self._note({"event": "stop"})
            self._commit()
            self.publishers.stop(SINK_STOP_S)
            self.publishers.collect(self.outbox)
            self._commit(last=True)
            self._snapshot()
        finally:
            self.reader.close()
            self.inbox.close()
            self.journal.close()
            self.reserve.leave()

    def _stop_buses(self) -> None:
        deadline = time.monotonic() + BUS_STOP_S
        for bus in self.buses:
            bus.stop()
        for bus in self.buses:
            bus.join(max(0.0, deadline - time.monotonic()))
