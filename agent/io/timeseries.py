"""Time series out: the journal's rows as points by the v2 write API of the InfluxDB line protocol.

Once a second the newest reading of each signal goes ahead of its block, once: not retried, no bookmark moves with it.
Its block brings the same point again, which leaves one.

Import this module only where [timeseries] is configured: influxdb-client takes 41 MB. It encodes and posts; it is not
the queue (its own batching drops what is older than 180 s). Points: points.py.
"""

from __future__ import annotations

import re
import struct
import time
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from email.utils import parsedate_to_datetime
from pathlib import Path
from threading import Event
from typing import Any

import urllib3
from influxdb_client import InfluxDBClient, Point, WritePrecision
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException

from agent.errors import NetworkError, RefusedError
from agent.io.blocks import Sample, as_kept
from agent.io.chain import LogRow
from agent.io.journal import JournalReader
from agent.io.points import PointOf, Unfit, points, sample_point
from agent.io.sink import BusyError, CredentialsError, Forwarder, Pace, Refusal, Status, readable
from agent.site import Site

NAME = "timeseries"
CONFIRM_S = 60.0  # a store that is killed was seen to lose up to 9 s of what it had acknowledged
TIMEOUT_S = 8.0  # of one request, connection included; a fresh point must be there 10 s after a fault
SETTLE_S = 2.0  # how old a store must be before its start time, in whole seconds, is its own
MOST_POINTS = 5000  # in one request: what the makers of such stores advise
FEWEST_POINTS = 100  # a slow store is given less at a time, down to this
BUSY_WAIT_S = 5.0  # where a store says "busy" without a time
PROBE = "sumpside_agent"  # a point that no store has a reason to refuse; see `_bisect`
LONGEST_WORDS = 500  # of a store's answer
LIVE_LEAST_S = 0.5  # between two requests of live readings: a wake-up or a backlog's batches make no more of them

BROKEN_ROW = (ValueError, KeyError, TypeError, zlib.error, struct.error)
START_TIME = re.compile(r"^process_start_time_seconds (\S+)", re.MULTILINE)

Line = tuple[int, str]  # seq of the row it is from, line protocol


@dataclass(frozen=True, slots=True)
class Store:
    """Where the store is. The token stays in its file until it is needed."""

    url: str
    org: str
    bucket: str
    token_file: Path | None
    timeout_s: float = TIMEOUT_S


def make(
    site: Site,
    journal_path: Path | str,
    bookmark_seq: int,
    acknowledged: Callable[[str, int], None],
    on_status: Callable[[str, Status], None],
    dead_letter: Callable[[int, str, str, str], None],
    pace: Pace | None = None,
    confirm_s: float = CONFIRM_S,
) -> TimeseriesSink:
    """The sink for [timeseries] of the site file; callables as in sink.py. Raises ValueError where there is none."""
    if site.timeseries is None:
        raise ValueError("the site file has no [timeseries]")
    told = site.timeseries
    token_file = None if told.token_file is None else site.resolve(told.token_file)
    simulated = frozenset(sensor.sump for bus in site.bus if bus.simulated for sensor in bus.sensor)
    store = Store(told.url, told.org, told.bucket, token_file)
    outlet = TimeseriesOutlet(store, site.slug, simulated, confirm_s)
    return TimeseriesSink(outlet, journal_path, bookmark_seq, acknowledged, on_status, dead_letter, pace)


class TimeseriesSink(Forwarder):
    """A `Sink` that also sends readings ahead of their block."""

    _outlet: TimeseriesOutlet

    def sample_now(self, sample: Sample) -> None:
        """Send this within a second or so, unless a newer one of its signal comes. From any thread, without waiting."""
        self._outlet.newest[sample.sump, sample.signal] = sample


class TimeseriesOutlet:
    """See `sink.Outlet`."""

    name = NAME

    def __init__(self, store: Store, site: str, simulated: frozenset[str], confirm_s: float = CONFIRM_S) -> None:
        self.confirm_s = confirm_s
        self._store = store
        self._site = site
        self._simulated = simulated
        self._most = MOST_POINTS
        self._woken = Event()
        self.newest: dict[tuple[str, str], Sample] = {}  # not sent yet, by sump and signal
        self._live_at = float("-inf")
        self._client: InfluxDBClient | None = None
        self._write_api: Any = None

    # -- the life of a connection -------------------------------------------------------------------------------

    def open(self) -> None:
        """Read the token; the connection itself is made by the first request."""
        self._client = InfluxDBClient(
            url=self._store.url,
            token=_token(self._store.token_file) or "",
            org=self._store.org,
            timeout=int(self._store.timeout_s * 1000),
            enable_gzip=True,
            retries=False,
        )
        self._write_api = self._client.write_api(write_options=SYNCHRONOUS)

    def close(self) -> None:
        """Let go of the connection."""
        if self._client is not None:
            self._client.close()
        self._client = self._write_api = None

    def started(self) -> float | None:
        """From the metrics page that such stores have; None where it is shut or does not say.

        A store in its first seconds is not used yet (BusyError): start times are whole seconds, and one that is
        killed and started again within the same second would look like the one before.
        """
        try:
            page, date = self._get("/metrics")
            found = START_TIME.search(page)
            started = None if found is None else float(found[1])
        except ApiException as error:
            if not error.status or error.status >= 500:
                raise NetworkError(_words(error)) from error
            return None
        except ValueError:
            return None
        if started is not None and date is not None and 0.0 <= date - started < SETTLE_S:
            raise BusyError("the store has only just started", SETTLE_S)
        return started

    def tend(self, reader: JournalReader, timeout_s: float) -> None:
        """Send what is newest, then rest."""
        self._send_live()
        self._woken.wait(timeout_s)
        self._woken.clear()

    def wake(self) -> None:
        """See `sink.Outlet`."""
        self._woken.set()

    # -- rows ---------------------------------------------------------------------------------------------------

    def deliver(self, rows: Sequence[LogRow]) -> Iterator[tuple[int, list[Refusal]]]:
        """See `sink.Outlet`. A point that we or the store refuse is left out; the others of its row are sent."""
        lines: list[Line] = []
        refusals: list[Refusal] = []
        for row in rows:
            lines += self._lines(row, refusals)
            if len(lines) >= self._most or row is rows[-1]:
                yield row.seq, refusals + self._send(lines)
                lines, refusals = [], []
                self._send_live()

    def _send_live(self) -> None:
        """The newest readings, once. What is refused here is refused, and told of, with its block."""
        now = time.monotonic()
        if not self.newest or now - self._live_at < LIVE_LEAST_S:
            return
        self._live_at = now
        lines = []
        for sample in [self.newest.pop(key) for key in list(self.newest)]:
            with suppress(Unfit):
                lines.append(line_of(sample_point(as_kept(sample), self._site).checked()))
        if lines:
            with suppress(RefusedError):
                self._write(lines)

    def _lines(self, row: LogRow, refusals: list[Refusal]) -> Iterator[Line]:
        try:
            for point in points(row, self._site, self._simulated):
                try:
                    yield row.seq, line_of(point.checked())
                except Unfit as error:
                    refusals.append(Refusal(row.seq, f"not sent: {error}", point.as_json()))
        except BROKEN_ROW as error:
            refusals.append(Refusal(row.seq, f"cannot be written: {error!r}", readable(row)))

    def _send(self, lines: list[Line]) -> list[Refusal]:
        """All lines, in requests of a size that the store takes in time."""
        refusals: list[Refusal] = []
        while lines:
            part, lines = lines[: self._most], lines[self._most :]
            try:
                refusals += self._bisect(part, [])
            except (CredentialsError, BusyError):
                raise
            except NetworkError:
                self._most = max(FEWEST_POINTS, self._most // 2)
                raise
            self._most = min(MOST_POINTS, self._most * 2)
        return refusals

    def _bisect(self, lines: list[Line], probed: list[bool]) -> list[Refusal]:
        """Send; where the store refuses, halve until it is known what it refuses, in the order of the lines.

        Before the first point is given up a plain one is tried: a store that refuses that too refuses us, not the
        point (a wrong organisation, a read-only replica), and everything is kept.
        """
        try:
            self._write([line for _, line in lines])
            return []
        except RefusedError as error:
            if len(lines) > 1:
                middle = len(lines) // 2
                return self._bisect(lines[:middle], probed) + self._bisect(lines[middle:], probed)
            self._probe(lines[0][1], probed)
            return [Refusal(lines[0][0], str(error), lines[0][1])]

    def _probe(self, line: str, probed: list[bool]) -> None:
        if probed:
            return
        time_ms = line.rsplit(" ", 1)[1]
        try:
            self._write([f"{PROBE},site={self._site} alive=1 {time_ms}"])
        except RefusedError as error:
            raise NetworkError(f"the store refuses even a plain point: {error}") from error
        probed.append(True)

    # -- requests -----------------------------------------------------------------------------------------------

    def _write(self, lines: list[str]) -> None:
        """One request. Raises RefusedError for what is written in it, NetworkError and its kinds for all else."""
        if self._write_api is None:
            raise NetworkError("not connected")
        body = "\n".join(lines).encode()
        try:
            self._write_api.write(self._store.bucket, self._store.org, body, WritePrecision.MS)
        except ApiException as error:
            raise _fault(error) from error
        except (urllib3.exceptions.HTTPError, OSError, UnicodeDecodeError) as error:
            raise NetworkError(_why(error)) from error

    def _get(self, path: str) -> tuple[str, float | None]:
        """A page of the store, and its clock (epoch s) at that. Raises ApiException, NetworkError."""
        if self._client is None:
            raise NetworkError("not connected")
        api = self._client.api_client
        url = self._store.url.rstrip("/") + path
        try:
            answer = api.rest_client.GET(url, headers={**api.default_headers, "Accept-Encoding": "gzip"})
        except (urllib3.exceptions.HTTPError, OSError, UnicodeDecodeError) as error:
            raise NetworkError(_why(error)) from error
        date = answer.getheader("Date")
        return str(answer.data), None if date is None else parsedate_to_datetime(date).timestamp()


def line_of(point: PointOf) -> str:
    """Line protocol, escaped by the client library."""
    made = Point(point.measurement)
    for name, text in point.tags.items():
        made.tag(name, text)
    for name, value in point.fields.items():
        made.field(name, value)
    return str(made.time(point.time_ms, WritePrecision.MS).to_line_protocol())


def _fault(error: ApiException) -> Exception:
    """Whose fault a refused request is."""
    status, words = error.status, _words(error)
    if status in (401, 403):
        return CredentialsError(words)
    if status in (400, 413, 422):
        return RefusedError(words)
    if status in (429, 503):
        return BusyError(words, _retry_after_s(error))
    return NetworkError(words)


def _retry_after_s(error: ApiException) -> float:
    told = dict(error.headers or {}).get("Retry-After", "")
    return float(told) if re.fullmatch(r"\d{1,5}", told) else BUSY_WAIT_S


def _words(error: ApiException) -> str:
    """The store's own words, with its status; one line."""
    if not error.status:
        return " ".join(str(error.reason).split())[:LONGEST_WORDS]
    body = error.body.decode("utf-8", "replace") if isinstance(error.body, bytes) else str(error.body or "")
    return f"{error.status} {' '.join((body or str(error.reason)).split())[:LONGEST_WORDS]}"


def _why(error: Exception) -> str:
    """A network error in one line, without the client library's object names."""
    text = str(error.args[-1] if error.args else error)
    return re.sub(r"<[^>]*>: |HTTP\w+\(.*?\): ", "", text)[:LONGEST_WORDS] or type(error).__name__


def _token(path: Path | None) -> str | None:
    if path is None:
        return None
    try:
        return path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "not UTF-8"  # never its content
        raise CredentialsError(f"token file {path}: {why}") from None
