"""One connection to an MQTT broker, driven by the thread that uses it. A connection that broke is thrown away whole.

MQTT 5, because its acknowledgements carry a reason: under 3.1.1 a broker that forbids or drops a message acknowledges
it like any other, and the reading is lost without a word. paho's own queue and reconnection are not used: its queue
dies with the process, and re-sends what the journal's bookmark sends again anyway.
"""

from __future__ import annotations

import select
import socket
import ssl
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from agent.errors import NetworkError
from agent.io.sink import BusyError, CredentialsError

CONNECT_TIMEOUT_S = 5.0  # each of: TCP, TLS, the broker's answer
ACK_TIMEOUT_S = 6.0  # a broker that takes longer is as good as away; a fresh reading must be there 10 s after a fault
MAX_IN_FLIGHT = 200  # unacknowledged messages; brokers allow 20 to 65,535 and say so
TURN_S = 0.2  # longest sleep between two looks at keep-alive and deadline
BUSY_WAIT_S = 5.0

# Ends of a connection that point at what we sent. paho itself ends it with "Protocol error" when a broker's
# acknowledgement carries a reason that MQTT does not provide there (mosquitto's "Packet too large").
BLAMES_MESSAGE = {
    "Malformed packet",
    "Protocol error",
    "Packet too large",
    "Payload format invalid",
    "Topic name invalid",
    "Implementation specific error",
}
CREDENTIALS = {"Bad user name or password", "Not authorized", "Banned", "Bad authentication method"}
BUSY = {"Quota exceeded", "Server busy", "Message rate too high", "Connection rate exceeded"}


@dataclass(frozen=True, slots=True)
class Address:
    """Where the broker is and who we are there. The password stays in its file until it is needed."""

    host: str
    port: int
    client_id: str
    keepalive_s: int
    user: str | None = None
    password_file: Path | None = None
    tls: bool = False
    ca_file: Path | None = None
    connect_timeout_s: float = CONNECT_TIMEOUT_S
    ack_timeout_s: float = ACK_TIMEOUT_S


class Link:
    """Connected when made; every method raises NetworkError once the connection is gone. `wake` from any thread."""

    def __init__(self, address: Address, will_topic: str, will: bytes) -> None:
        self.refused: dict[int, ReasonCode] = {}  # acknowledged with a reason not to, by message number
        self.max_packet_bytes: int | None = None  # what the broker says it takes
        self.blames_message = False  # the connection ended by fault of what was sent
        self._in_flight: set[int] = set()
        self._window = MAX_IN_FLIGHT
        self._ack_timeout_s = address.ack_timeout_s
        self._connack: ReasonCode | None = None
        self._gone: str | None = None
        self._wake_out, self._wake_in = socket.socketpair()
        self._wake_out.setblocking(False)
        self._wake_in.setblocking(False)
        self._client = self._make_client(address)
        self._client.will_set(will_topic, will, qos=1, retain=True)
        try:
            self._connect(address)
        except BaseException:
            self.drop()
            raise

    # -- sending ------------------------------------------------------------------------------------------------

    def publish(self, topic: str, payload: bytes, retain: bool = False) -> int:
        """Send with QoS 1; returns the message number. Waits while the broker's window is full."""
        if len(self._in_flight) >= self._window:
            self._wait(lambda: len(self._in_flight) < self._window, self._ack_timeout_s)
        info = self._client.publish(topic, payload, qos=1, retain=retain)
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise NetworkError(self._gone or paho.error_string(info.rc))
        self._in_flight.add(info.mid)
        return info.mid

    def waits_for(self, mid: int) -> bool:
        """Whether a message has no acknowledgement yet."""
        return mid in self._in_flight

    def wait_for(self, mids: set[int], timeout_s: float | None = None) -> None:
        """Until all are acknowledged. A broker that acknowledges none for `timeout_s` raises NetworkError."""
        while left := len(mids & self._in_flight):
            self._wait(lambda: len(mids & self._in_flight) < left, timeout_s or self._ack_timeout_s)

    def _wait(self, progress: Callable[[], bool], timeout_s: float) -> None:
        deadline = time.monotonic() + timeout_s
        while not progress():
            self.turn(deadline)
            if time.monotonic() >= deadline and not progress():
                raise NetworkError(f"no acknowledgement within {timeout_s:g} s")

    def turn(self, deadline: float) -> bool:
        """Sleep until the network, a wake-up or `deadline` (monotonic s), and handle it. True when woken."""
        sock = self._client.socket()
        if sock is None:
            raise NetworkError(self._gone or "connection closed")
        timeout_s = max(0.0, min(TURN_S, deadline - time.monotonic()))
        if isinstance(sock, ssl.SSLSocket) and sock.pending():
            timeout_s = 0.0  # decrypted already: select would not see it
        writers = [sock] if self._client.want_write() else []
        readable, writable, _ = select.select([sock, self._wake_in], writers, [], timeout_s)
        if sock in readable or timeout_s == 0.0:
            self._client.loop_read()
        if sock in writable:
            self._client.loop_write()
        self._client.loop_misc()
        if self._gone is not None:
            raise NetworkError(self._gone)
        return self._wake_in in readable and bool(_drain(self._wake_in))

    def wake(self) -> None:
        """End a sleep in `turn`."""
        try:
            self._wake_out.send(b"\0")
        except OSError:
            return  # full: woken already; closed: nobody sleeps

    # -- the ends -----------------------------------------------------------------------------------------------

    def leave(self) -> None:
        """Disconnect in good order: the broker does not send the will."""
        self._client.disconnect()
        self.drop()

    def drop(self) -> None:
        """Let go at once: the broker sends the will."""
        sock = self._client.socket()
        if sock is not None:
            sock.close()
        self._wake_out.close()
        self._wake_in.close()

    def _make_client(self, address: Address) -> paho.Client:
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=address.client_id,
            protocol=paho.MQTTv5,
            reconnect_on_failure=False,
        )
        client.connect_timeout = address.connect_timeout_s
        client.max_inflight_messages_set(0)  # `publish` above keeps the window, which is the broker's to say
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        if address.user is not None:
            client.username_pw_set(address.user, secret(address.password_file))
        if address.tls:
            client.tls_set_context(tls_context(address.ca_file))
        return client

    def _connect(self, address: Address) -> None:
        try:
            self._client.connect(address.host, address.port, address.keepalive_s, clean_start=True)
        except ssl.SSLError as error:
            raise NetworkError(f"TLS with {address.host}: {error.reason or error}") from error
        except (OSError, ValueError) as error:
            raise NetworkError(f"{address.host}:{address.port}: {error}") from error
        deadline = time.monotonic() + address.connect_timeout_s
        while self._connack is None:
            if time.monotonic() >= deadline:
                raise NetworkError(f"{address.host}:{address.port} does not answer as an MQTT broker")
            self.turn(deadline)
        check(self._connack, "the connection")

    def _on_connect(self, _client: Any, _data: Any, _flags: Any, reason: ReasonCode, properties: Any) -> None:
        self._connack = reason
        self._window = min(MAX_IN_FLIGHT, getattr(properties, "ReceiveMaximum", MAX_IN_FLIGHT))
        self.max_packet_bytes = getattr(properties, "MaximumPacketSize", None)

    def _on_disconnect(self, _client: Any, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any) -> None:
        if self._connack is None or not self._connack.is_failure:  # else the refusal says more than its end
            self._gone = f"connection lost: {reason}"
            self.blames_message = str(reason) in BLAMES_MESSAGE

    def _on_publish(self, _client: Any, _data: Any, mid: int, reason: ReasonCode, _properties: Properties) -> None:
        self._in_flight.discard(mid)
        if reason.is_failure:
            self.refused[mid] = reason


def check(reason: ReasonCode, what: str) -> None:
    """Raise what a reason means for us: CredentialsError, BusyError, NetworkError; nothing where it is no failure."""
    if not reason.is_failure:
        return
    text = f"the broker refuses {what}: {reason}"
    if str(reason) in CREDENTIALS:
        raise CredentialsError(text)
    if str(reason) in BUSY:
        raise BusyError(text, BUSY_WAIT_S)
    raise NetworkError(text)


def secret(path: Path | None) -> str | None:
    """A password in its file, without the line end. Raises CredentialsError, which never shows its content."""
    if path is None:
        return None
    try:
        return path.read_text(encoding="utf-8").strip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "not UTF-8"  # never its content
        raise CredentialsError(f"password file {path}: {why}") from None


def tls_context(ca_file: Path | None) -> ssl.SSLContext:
    """TLS that demands a certificate of this authority, or of one that the system trusts. Raises CredentialsError."""
    try:
        return ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
    except (OSError, ssl.SSLError) as error:
        raise CredentialsError(f"CA file {ca_file}: {error}") from error


def _drain(sock: socket.socket) -> bytes:
    try:
        return sock.recv(4096)
    except BlockingIOError:
        return b""
