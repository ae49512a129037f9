"""Sensors that others publish over MQTT. What the broker has kept, and what is old, is told and not taken for news.

The client is driven by the bus's own thread, without one of the library's. Protocol 3.1.1: every broker speaks it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

from agent.errors import BadRecord, NetworkError
from agent.io.bus import READ_SLICE_S, Emit, Pace, PortGone, in_unit, tell
from agent.io.clock import Clock
from agent.io.mqtt_link import secret, tls_context
from agent.records import parse_time
from agent.site_buses import MqttBus, MqttSensor
from agent.wire.outcomes import Fault
from agent.wire.pointer import number_in, parse, value_at

CONNECT_S = 2.0  # TCP, then the broker's answer, then its word on the topics: each
AHEAD_S = 60.0  # a sender's clock may go this much before ours
MOST_A_TURN = 500  # messages; a flood must not keep the thread from looking whether to stop


class MqttDriver:
    """A `Driver` for an mqtt bus."""

    def __init__(self, bus: MqttBus, clock: Clock, resolve: Callable[[str], Path]) -> None:
        self._bus, self._clock, self._resolve = bus, clock, resolve
        self._where = f"{bus.host}:{bus.port}"
        self._pace = Pace(bus.period_s)
        self._messages: list[paho.MQTTMessage] = []
        self._refused: str | None = None
        self._ready = False

    @contextmanager
    def open(self) -> Iterator[paho.Client]:
        """See Driver: connected, and every topic granted."""
        self._messages, self._refused, self._ready = [], None, False
        client = self._client()
        try:
            client.connect(self._bus.host, self._bus.port, self._bus.keepalive_s)
            end = time.monotonic() + 2.0 * CONNECT_S
            while not self._ready:
                self._loop(client)
                if time.monotonic() > end:
                    raise PortGone(f"{self._where} does not answer as an MQTT broker")
            yield client
        except (OSError, ValueError) as error:
            raise PortGone(f"{self._where}: {error}") from error
        finally:
            client.disconnect()
            if (sock := client.socket()) is not None:
                sock.close()

    def turn(self, port: paho.Client, emit: Emit, stopping: Callable[[], bool]) -> None:
        """See Driver."""
        self._loop(port)
        for message in self._messages:
            for sensor in self._bus.sensor:
                if sensor.topic == message.topic:
                    self._take(message, sensor, emit)
        self._messages.clear()

    def _take(self, message: paho.MQTTMessage, sensor: MqttSensor, emit: Emit) -> None:
        outcome = in_unit(self._judged(message, sensor), sensor)
        if isinstance(outcome, Fault) or self._pace.is_due(sensor, outcome):
            tell(emit, sensor, outcome)

    def _judged(self, message: paho.MQTTMessage, sensor: MqttSensor) -> float | Fault:
        document = parse(bytes(message.payload))
        if isinstance(document, Fault):
            return document
        if message.retain and not sensor.retained and sensor.time_pointer is None:
            return Fault("only a value that the broker has kept, of unknown age: waiting for a new one")
        if sensor.time_pointer is not None and (stale := self._stale(value_at(document, sensor.time_pointer), sensor)):
            return stale
        found = value_at(document, sensor.pointer)
        return found if isinstance(found, Fault) else number_in(found)

    def _stale(self, sent: Any, sensor: MqttSensor) -> Fault | None:
        if isinstance(sent, Fault):
            return sent
        try:
            age_s = self._clock.time() - parse_time("the message's time", sent)
        except BadRecord as bad:
            return Fault(bad.reason)
        if age_s > sensor.stale_s:
            return Fault(f"a message of {age_s:.0f} s ago is no news")
        if age_s < -AHEAD_S:
            return Fault(f"the message's time lies {-age_s:.0f} s ahead: see to the sender's clock")
        return None

    # -- the connection ---------------------------------------------------------------------------------------

    def _loop(self, client: paho.Client) -> None:
        code = client.loop(READ_SLICE_S)
        if self._refused is not None:
            raise PortGone(f"{self._where}: {self._refused}")
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise PortGone(f"{self._where}: {paho.error_string(code)}")

    def _client(self) -> paho.Client:
        client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311, reconnect_on_failure=False)
        client.connect_timeout = CONNECT_S
        client.on_connect, client.on_subscribe = self._on_connect, self._on_subscribe
        client.on_message = self._on_message
        bus = self._bus
        password_file, ca_file = (self._resolve(p) if p else None for p in (bus.password_file, bus.ca_file))
        try:
            if bus.user is not None:
                client.username_pw_set(bus.user, secret(password_file))
            if bus.tls:
                client.tls_set_context(tls_context(ca_file))
        except NetworkError as error:
            raise PortGone(f"{self._where}: {error}") from error
        return client

    def _on_connect(self, client: paho.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._refused = f"the broker refuses the connection: {reason}"
        elif topics := sorted({(sensor.topic, 1) for sensor in self._bus.sensor}):
            client.subscribe(topics)
        else:
            self._ready = True

    def _on_subscribe(self, _client: Any, _data: Any, _mid: int, reasons: list[Any], _properties: Any) -> None:
        self._ready = True
        topics = sorted({sensor.topic for sensor in self._bus.sensor})
        refused = [topic for topic, reason in zip(topics, reasons, strict=False) if reason.is_failure]
        if refused:
            self._refused = f"the broker refuses {', '.join(refused)}: see to its access rules"

    def _on_message(self, _client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        if len(self._messages) < MOST_A_TURN:
            self._messages.append(message)
