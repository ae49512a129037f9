"""MQTT out: the journal's rows as `past` messages, and beside them what is true now, retained.

`past` moves the bookmark; live values never wait for it: they are sent between its messages, only the newest of each
topic, and none is queued while the broker is away. Topics and bodies: mqtt_messages.py. The connection: mqtt_link.py.
"""

from __future__ import annotations

import struct
import threading
import time
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from paho.mqtt.reasoncodes import ReasonCode

from agent.errors import NetworkError
from agent.io.chain import LogRow
from agent.io.journal import JournalReader
from agent.io.mqtt_link import Address, Link, check
from agent.io.mqtt_messages import Message, advice_message, messages, now_message, topic
from agent.io.sink import Forwarder, Pace, Refusal, Status, readable
from agent.site import Mqtt, Site

NAME = "mqtt"
CHUNK_MESSAGES = 50  # sent before their acknowledgements are awaited: a live value waits for no more than these
LIVE_FRESH_S = 60.0  # a value older than this is not sent as live after a reconnection: readers would stamp it "now"
ADVICE_EVERY_S = 1.0  # how often the journal is asked for the open instructions, when it has grown
TRIES = 3  # how often a message may break the connection before it is given up
GOODBYE_S = 1.0
PACKET_OVERHEAD_BYTES = 16  # fixed header, topic length, message number, properties

PERMANENT = {"Topic name invalid", "Payload format invalid", "Packet too large"}
BROKEN_ROW = (ValueError, KeyError, TypeError, zlib.error, struct.error)

Key = tuple[int, str]  # seq and topic: one message of a row


def make(
    site: Site,
    journal_path: Path | str,
    bookmark_seq: int,
    acknowledged: Callable[[str, int], None],
    on_status: Callable[[str, Status], None],
    dead_letter: Callable[[int, str, str, str], None],
    pace: Pace | None = None,
) -> MqttSink:
    """The sink for [mqtt] of the site file; callables as in sink.py. Raises ValueError where there is no [mqtt]."""
    if site.mqtt is None:
        raise ValueError("the site file has no [mqtt]")
    simulated = frozenset(sensor.sump for bus in site.bus if bus.simulated for sensor in bus.sensor)
    outlet = MqttOutlet(_address(site, site.mqtt), site.slug, [sump.id for sump in site.sump], simulated)
    return MqttSink(outlet, journal_path, bookmark_seq, acknowledged, on_status, dead_letter, pace)


class MqttSink(Forwarder):
    """A `Sink` that also carries live values."""

    _outlet: MqttOutlet

    def publish_now(self, sump: str, signal: str, body: Mapping[str, Any]) -> None:
        """Make `body` the retained value of now/<signal> (a signal, or "belief"). From any thread, without waiting.

        For a signal use `mqtt_messages.now_body(sample)`; for "belief" the row of contract.md. An older value that
        was not sent yet is dropped.
        """
        told = {"simulated": sump in self._outlet.simulated, **body}
        self._outlet.publish_now(now_message(self._outlet.site, sump, signal, told))


class MqttOutlet:
    """See `sink.Outlet`."""

    name = NAME
    confirm_s = 0.0  # a broker hands on; it is no store that could lose what it took

    def __init__(self, address: Address, site: str, sumps: list[str], simulated: frozenset[str]) -> None:
        self.site = site
        self._address = address
        self._sumps = sumps
        self.simulated = simulated
        self._agent_topic = topic(site, "agent")
        self._link: Link | None = None
        self._live = Live()
        self._rows_wait = threading.Event()
        self._tries: dict[Key, int] = {}  # messages under suspicion, by how often they broke something
        self._advice: dict[str, bytes] = {}  # what the broker holds, by sump
        self._advice_seq = -1
        self._advice_at = float("-inf")

    # -- the life of a connection -------------------------------------------------------------------------------

    def open(self) -> None:
        """Connect, say that we are online. Raises NetworkError and its kinds."""
        self._link = Link(self._address, self._agent_topic, b"offline")
        self._say(b"online")
        self._live.begin()
        self._advice.clear()
        self._advice_seq = -1

    def close(self) -> None:
        """Say that we are offline, where the connection still carries it; else the will does."""
        link, self._link = self._link, None
        if link is None:
            return
        with suppress(NetworkError):
            mid = link.publish(self._agent_topic, b"offline", retain=True)
            link.wait_for({mid}, GOODBYE_S)
            link.leave()
        link.drop()

    def started(self) -> float | None:
        """A broker does not tell."""
        return None

    def wake(self) -> None:
        """See `sink.Outlet`."""
        self._rows_wait.set()
        self._nudge()

    # -- what is true now ---------------------------------------------------------------------------------------

    def publish_now(self, message: Message) -> None:
        """Keep the newest of each topic, and have it sent soon."""
        self._live.put(message)
        self._nudge()

    def tend(self, reader: JournalReader, timeout_s: float) -> None:
        """Send live values and open instructions, keep the connection alive."""
        deadline = time.monotonic() + timeout_s
        link = self._connected()
        while True:
            self._live.send(link)
            self._send_advice(reader)
            link.turn(deadline)
            if self._rows_wait.is_set() or time.monotonic() >= deadline:
                self._rows_wait.clear()
                return

    def _send_advice(self, reader: JournalReader) -> None:
        """What the journal holds open now, never what a backlog passes by."""
        now = time.monotonic()
        if now - self._advice_at < ADVICE_EVERY_S:
            return
        self._advice_at = now
        seq = reader.last_seq()
        if seq == self._advice_seq:
            return
        newest = {instruction["sump"]: instruction for instruction in reader.open_instructions()}
        for sump in self._sumps:
            message = advice_message(self.site, sump, newest.get(sump), sump in self.simulated)
            if self._advice.get(sump) != message.payload:
                self._send_and_wait(message)
                self._advice[sump] = message.payload
        self._advice_seq = seq

    def _say(self, state: bytes) -> None:
        self._send_and_wait(Message(self._agent_topic, state, retain=True))

    def _send_and_wait(self, message: Message) -> None:
        link = self._connected()
        mid = link.publish(message.topic, message.payload, message.retain)
        link.wait_for({mid})
        reason = link.refused.pop(mid, None)
        if reason is not None:
            check(reason, message.topic)

    # -- what was -----------------------------------------------------------------------------------------------

    def deliver(self, rows: Sequence[LogRow]) -> Iterator[tuple[int, list[Refusal]]]:
        """See `sink.Outlet`. While a message is under suspicion each goes alone, so that it is known which it was."""
        link = self._connected()
        chunk: dict[int, tuple[int, Message]] = {}
        refusals: list[Refusal] = []
        for row in rows:
            for message in self._messages(row, refusals):
                if not self._unfit(link, row.seq, message, refusals):
                    mid = self._publish(link, row.seq, message)
                    chunk[mid] = (row.seq, message)
            if self._tries or len(chunk) >= CHUNK_MESSAGES or row is rows[-1]:
                yield row.seq, refusals + self._settle(link, chunk)
                chunk, refusals = {}, []
                self._live.send(link)

    def _messages(self, row: LogRow, refusals: list[Refusal]) -> list[Message]:
        try:
            return messages(row, self.site, self.simulated)
        except BROKEN_ROW as error:
            refusals.append(Refusal(row.seq, f"cannot be sent: {error!r}", readable(row)))
            return []

    def _unfit(self, link: Link, seq: int, message: Message, refusals: list[Refusal]) -> bool:
        """Whether a message must not be sent (again); says why."""
        limit = link.max_packet_bytes
        size = len(message.topic.encode()) + len(message.payload) + PACKET_OVERHEAD_BYTES
        if limit is not None and size > limit:
            reason = f"larger than the {limit} bytes that the broker takes"
        elif self._tries.get((seq, message.topic), 0) >= TRIES:
            reason = f"broke the connection {TRIES} times"
        else:
            return False
        self._tries.pop((seq, message.topic), None)
        refusals.append(Refusal(seq, reason, message.payload.decode()))
        return True

    def _publish(self, link: Link, seq: int, message: Message) -> int:
        """Send; alone and to its end while there is a suspicion."""
        try:
            mid = link.publish(message.topic, message.payload, message.retain)
            if self._tries:
                link.wait_for({mid})
                if mid not in link.refused:
                    self._tries.pop((seq, message.topic), None)
        except NetworkError:
            self._suspect(link, seq, message)
            raise
        return mid

    def _settle(self, link: Link, chunk: dict[int, tuple[int, Message]]) -> list[Refusal]:
        """Wait for all acknowledgements of a chunk; returns what the broker refused for good."""
        try:
            link.wait_for(set(chunk))
        except NetworkError:
            for seq, message in chunk.values():
                self._suspect(link, seq, message, times=0)
            raise
        refused = [(link.refused.pop(mid), *chunk[mid]) for mid in chunk if mid in link.refused]
        return [self._judge(*refusal) for refusal in refused]

    def _suspect(self, link: Link, seq: int, message: Message, times: int = 1) -> None:
        """After a connection that broke in a way that blames what was sent: find out which message it was."""
        if link.blames_message:
            key = (seq, message.topic)
            self._tries[key] = self._tries.get(key, 0) + times

    def _judge(self, reason: ReasonCode, seq: int, message: Message) -> Refusal:
        key = (seq, message.topic)
        self._tries[key] = self._tries.get(key, 0) + 1
        if str(reason) not in PERMANENT and self._tries[key] < TRIES:
            check(reason, message.topic)
        del self._tries[key]
        return Refusal(seq, f"the broker says: {reason}", message.payload.decode())

    # -- inside -------------------------------------------------------------------------------------------------

    def _connected(self) -> Link:
        if self._link is None:
            raise NetworkError("not connected")
        return self._link

    def _nudge(self) -> None:
        link = self._link
        if link is not None:
            link.wake()


class Live:
    """The newest message of each live topic; one of a topic in flight at a time, so a slow broker gets fewer."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._newest: dict[str, tuple[float, Message]] = {}  # with when it was handed in, monotonic s
        self._unsent: set[str] = set()
        self._in_flight: dict[str, int] = {}  # message number by topic; the sink's thread only

    def put(self, message: Message) -> None:
        """Replace what was not sent. From any thread."""
        with self._lock:
            self._newest[message.topic] = (time.monotonic(), message)
            self._unsent.add(message.topic)

    def begin(self) -> None:
        """A new connection: the broker may have lost everything; send all that is still true."""
        self._in_flight.clear()
        oldest = time.monotonic() - LIVE_FRESH_S
        with self._lock:
            still = {t for t, (at, _) in self._newest.items() if at >= oldest or t.endswith("/now/belief")}
            self._unsent = still

    def send(self, link: Link) -> None:
        """Send what is unsent, save where the topic's last one is still on its way. Raises NetworkError."""
        self._check(link)
        with self._lock:
            ready = [t for t in self._unsent if not link.waits_for(self._in_flight.get(t, 0))]
            self._unsent.difference_update(ready)
            found = [self._newest[t][1] for t in ready]
        for message in found:
            self._in_flight[message.topic] = link.publish(message.topic, message.payload, retain=True)

    def _check(self, link: Link) -> None:
        for where, mid in self._in_flight.items():
            reason = link.refused.pop(mid, None)
            if reason is not None and str(reason) not in PERMANENT:
                check(reason, where)


def _address(site: Site, mqtt: Mqtt) -> Address:
    return Address(
        host=mqtt.host,
        port=mqtt.port,
        client_id=f"sumpside-{site.slug}",
        keepalive_s=mqtt.keepalive_s,
        user=mqtt.user,
        password_file=None if mqtt.password_file is None else site.resolve(mqtt.password_file),
        tls=mqtt.tls,
        ca_file=None if mqtt.ca_file is None else site.resolve(mqtt.ca_file),
    )
