"""Alerts out to people's phones and mail: a sink over the journal's rows of kind `alert`, through apprise.

Each address of the URLs file has two lanes, one for alerts to act now upon and one for the rest, which rests in the
quiet hours. A lane is a bookmark: what could not be sent waits in the journal, is sent once when the way is free
again, and an address that is away holds up no other. A crash between a message and its bookmark may repeat it.
"""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from hashlib import sha256
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

from agent.core.alarms import ACT_NOW
from agent.io.chain import LogRow
from agent.io.journal import JournalReader
from agent.io.notify_child import BAD_ADDRESS, DELIVERED, FAILED, NO_LIBRARY
from agent.io.sink import Status
from agent.site import AlertsOut, Site

NAME: Final = "alerts"
BEGUN: Final = "alerts-begun"  # a bookmark that only says: this is not the first time
POLL_S: Final = 1.0
FIRST_RETRY_S, LAST_RETRY_S = 5.0, 300.0
CHILD_S: Final = 60.0  # a mail server that takes longer is as good as away
DIGEST_FROM: Final = 6  # so many at once come as one message
DIGEST_LINES: Final = 40
GIVE_UP_S: Final = 3 * 86_400.0  # an address that refuses one message for so long gets the next
ROWS: Final = 500
TOLD: Final = frozenset({"raise", "return"})  # what comes up; that it is over is on the pages
OTHERS_MAY_READ: Final = 0o077

Send = Callable[[dict[str, str]], int]


class Unusable(Exception):
    """The URLs file, or a line of it, cannot be used: a person must act. Never says what stands in it."""


@dataclass(slots=True)
class Lane:
    """One address, for alerts to act now upon or for the rest."""

    url: str
    urgent: bool
    name: str
    cursor: int
    waiting: int = 0
    retry_s: float = FIRST_RETRY_S
    retry_at: float = 0.0  # monotonic s
    failing_since: float | None = None
    fault: str = ""


def make(
    site: Site,
    journal_path: Path | str,
    bookmark_seq: int,
    acknowledged: Callable[[str, int], None],
    on_status: Callable[[str, Status], None],
    dead_letter: Callable[[int, str, str, str], None],
) -> AlertSink:
    """The sink for [alerts] of the site file; callables as in sink.py. Raises ValueError where there is no [alerts]."""
    if site.alerts is None:
        raise ValueError("the site file has no [alerts]")
    sender = Sender()
    return AlertSink(site, site.alerts, journal_path, bookmark_seq, acknowledged, dead_letter, sender.send)


class AlertSink:
    """See `sink.Sink`. `send` gives one of notify_child's exit codes; `now` is epoch s."""

    name = NAME

    def __init__(
        self,
        site: Site,
        config: AlertsOut,
        journal_path: Path | str,
        bookmark_seq: int,
        acknowledged: Callable[[str, int], None],
        dead_letter: Callable[[int, str, str, str], None],
        send: Send,
        now: Callable[[], float] = time.time,
        first_retry_s: float = FIRST_RETRY_S,
    ) -> None:
        self._config, self._send, self._now, self._first_retry_s = config, send, now, first_retry_s
        self._works = site.site.name if not site.simulated else f"{site.site.name} (simulated)"
        self._names = {sump.id: sump.name or sump.id for sump in site.sump}
        self._zone = ZoneInfo(site.site.timezone)
        self._file = site.resolve(config.urls_file)
        self._reader = JournalReader(journal_path)
        self._acknowledged, self._dead_letter = acknowledged, dead_letter
        self._base = bookmark_seq  # up to here every lane is through
        self._lanes: dict[str, Lane] = {}
        self._status = Status(connected=False, behind_rows=0, text="not started", failed=False)
        self._stop, self._woken = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"sink-{NAME}", daemon=True)
        if not bookmark_seq:
            self._begin()

    def _begin(self) -> None:
        """The first time: what came up before anybody asked to be told is not told."""
        if self._reader.bookmark(BEGUN):
            return
        self._base = self._reader.last_seq()
        self._acknowledged(NAME, self._base)
        self._acknowledged(BEGUN, 1)

    # -- from other threads -------------------------------------------------------------------------------------

    def start(self) -> None:
        """See `sink.Sink`."""
        self._thread.start()

    def stop(self, deadline_s: float) -> None:
        """See `sink.Sink`."""
        self._stop.set()
        self._woken.set()
        if self._thread.ident is not None:
            self._thread.join(deadline_s)

    def status(self) -> Status:
        """See `sink.Sink`. `behind_rows` counts messages that wait, held ones included."""
        return self._status

    def wake(self) -> None:
        """See `sink.Sink`."""
        self._woken.set()

    # -- the thread ---------------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                self._woken.clear()
                self._status = self._turn()
                self._woken.wait(POLL_S)
        except BaseException as bug:
            self._status = Status(connected=False, behind_rows=0, text=f"ended by a bug: {bug!r}", failed=True)
            raise
        finally:
            self._reader.close()

    def _turn(self) -> Status:
        try:
            lanes = self._current(urls_in(self._file))
            quiet = self._is_quiet()
            for lane in lanes:
                self._serve(lane, held=quiet and not lane.urgent)
        except Unusable as why:
            return Status(connected=False, behind_rows=0, text=f"credentials: {why}", failed=False)
        except (sqlite3.Error, FileNotFoundError) as error:
            return Status(connected=False, behind_rows=0, text=f"cannot read the journal: {error}", failed=False)
        self._move_base(lanes)
        return _told(lanes, quiet)

    def _current(self, urls: Sequence[str]) -> list[Lane]:
        """The lanes of the addresses in the file now; a new one begins where all others are through."""
        names = {f"{NAME}-{_tag(url)}-{end}": (url, end == "now") for url in urls for end in ("now", "rest")}
        self._lanes = {name: lane for name, lane in self._lanes.items() if name in names}
        for name, (url, urgent) in names.items():
            if name not in self._lanes:
                cursor = max(self._reader.bookmark(name), self._base)
                self._lanes[name] = Lane(url, urgent, name, cursor, retry_s=self._first_retry_s)
        return list(self._lanes.values())

    def _is_quiet(self) -> bool:
        at = datetime.fromtimestamp(self._now(), self._zone)
        return is_quiet(self._config.quiet_from, self._config.quiet_to, f"{at:%H:%M}")

    def _serve(self, lane: Lane, held: bool) -> None:
        rows = self._reader.rows_of("alert", lane.cursor, ROWS)
        wanted = [row for row in rows if self._is_for(lane, row)]
        lane.waiting = len(wanted)
        if wanted and (held or time.monotonic() < lane.retry_at):
            return
        for batch in [wanted] if len(wanted) >= DIGEST_FROM else [[row] for row in wanted]:
            if self._stop.is_set() or not self._hand_over(lane, batch):
                return
            self._through(lane, batch[-1].seq)
            lane.waiting -= len(batch)
        if rows:
            self._through(lane, rows[-1].seq)

    def _is_for(self, lane: Lane, row: LogRow) -> bool:
        body = row.data()
        severity, told = body.get("severity"), body.get("event") in TOLD and "refused" not in body
        return told and (severity == ACT_NOW) == lane.urgent and severity in self._config.severities

    def _hand_over(self, lane: Lane, rows: list[LogRow]) -> bool:
        """Whether this message is through: sent, or given up."""
        code = self._send({"url": lane.url, **self._message(rows)})
        if code == DELIVERED:
            lane.retry_s, lane.failing_since, lane.fault = self._first_retry_s, None, ""
            return True
        now = time.monotonic()
        lane.fault = FAULTS.get(code, FAULTS[FAILED])
        lane.failing_since = now if lane.failing_since is None else lane.failing_since
        lane.retry_at = now + lane.retry_s
        lane.retry_s = min(2 * lane.retry_s, LAST_RETRY_S)
        if now - lane.failing_since < GIVE_UP_S:
            return False
        lane.failing_since = None
        for row in rows:
            self._dead_letter(row.seq, NAME, "given up after three days", row.body.decode())
        return True

    def _through(self, lane: Lane, seq: int) -> None:
        if seq > lane.cursor:
            lane.cursor = seq
            self._acknowledged(lane.name, seq)

    def _move_base(self, lanes: list[Lane]) -> None:
        base = min((lane.cursor for lane in lanes), default=self._base)
        if base > self._base:
            self._base = base
            self._acknowledged(NAME, base)

    # -- words --------------------------------------------------------------------------------------------------

    def _message(self, rows: list[LogRow]) -> dict[str, str]:
        bodies = [row.data() for row in rows]
        first = bodies[0]
        if len(rows) == 1:
            where = self._names.get(first.get("sump") or "", "")
            title = ": ".join(part for part in (self._works, first["severity"], where) if part)
            return {"title": title, "text": self._line(rows[0], first), "severity": first["severity"]}
        lines = [self._line(row, body) for row, body in zip(rows, bodies, strict=True)][:DIGEST_LINES]
        more = [f"and {len(rows) - DIGEST_LINES} more"] if len(rows) > DIGEST_LINES else []
        title = f"{self._works}: {len(rows)} alerts that could not be sent before"
        return {"title": title, "text": "\n".join([*lines, *more]), "severity": first["severity"]}

    def _line(self, row: LogRow, body: dict[str, Any]) -> str:
        at = datetime.fromtimestamp(row.time, self._zone)
        return f"{body.get('text')} ({at:%Y-%m-%d %H:%M})"


FAULTS: Final = {
    FAILED: "the address does not answer, or refuses",
    BAD_ADDRESS: "credentials: a line of the URLs file is no address that apprise knows",
    NO_LIBRARY: "credentials: apprise is not installed; install sumpside[alerts]",
}


def _told(lanes: list[Lane], quiet: bool) -> Status:
    waiting, faults = sum(lane.waiting for lane in lanes), sorted({lane.fault for lane in lanes if lane.fault})
    held = sum(lane.waiting for lane in lanes if not lane.urgent) if quiet else 0
    if faults:
        ill = len({lane.url for lane in lanes if lane.fault})
        text = f"{faults[0]} ({ill} of {len({lane.url for lane in lanes})} addresses)"
        return Status(connected=False, behind_rows=waiting, text=text, failed=False)
    text = f"quiet hours: {held} wait" if held else "up to date"
    return Status(connected=True, behind_rows=waiting - held, text=text, failed=False)


def is_quiet(start: str | None, end: str | None, at: str) -> bool:
    """Whether a time of day (all "HH:MM") lies in the quiet hours, which may pass midnight; none: never."""
    if start is None or end is None or start == end:
        return False
    return start <= at < end if start < end else at >= start or at < end


def urls_in(path: Path) -> list[str]:
    """The addresses in a file that its owner alone may read: one a line, # begins a remark. Raises Unusable."""
    try:
        mode = path.stat().st_mode
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "not UTF-8"  # never its content
        raise Unusable(f"URLs file {path}: {why}") from None
    if mode & OTHERS_MAY_READ:
        raise Unusable(f"URLs file {path}: others may read it; chmod 600 it")
    lines = (line.strip() for line in text.splitlines())
    return list(dict.fromkeys(line for line in lines if line and not line.startswith("#")))


def _tag(url: str) -> str:
    """A name for an address that does not tell it."""
    return sha256(url.encode()).hexdigest()[:8]


@dataclass(slots=True)
class Sender:
    """Hands a message to a short-lived process."""

    command: Sequence[str] = field(default=(sys.executable, "-m", "agent.io.notify_child"))
    timeout_s: float = CHILD_S

    def send(self, job: dict[str, str]) -> int:
        """One of notify_child's exit codes; a child that hangs or is killed has failed."""
        told = json.dumps(job).encode()
        quiet = subprocess.DEVNULL
        try:
            done = subprocess.run(self.command, input=told, stdout=quiet, stderr=quiet, timeout=self.timeout_s)
        except (subprocess.TimeoutExpired, OSError):
            return FAILED
        return done.returncode if done.returncode in FAULTS or done.returncode == DELIVERED else FAILED
