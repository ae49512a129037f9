"""A thread per bus: opens the port, asks or listens through a driver, and comes back when the port does.

What goes wrong is told apart by whose fault it is: one sensor's (the others go on), or the port's (`PortGone`:
close, wait longer each time, open anew). Everything else is a bug; the thread then says `failed`, and the agent ends.
"""

from __future__ import annotations

import termios
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import Any, Protocol

import serial

from agent.errors import WireError
from agent.io.clock import Clock
from agent.io.intake import Intake, Reading
from agent.site import AsciiLineBus, ModbusRtuBus, Sensor

FIRST_RETRY_S = 0.25  # a USB adapter is back within a second
LAST_RETRY_S = 5.0  # a port that has come back is found within this
READ_SLICE_S = 0.1  # how long a read may hold the thread before it looks whether to stop
WRITE_TIMEOUT_S = 1.0  # a request is a few bytes; a port that takes none for so long is stuck
SILENT_PERIODS = 3  # after so many periods without a reading a bus is not well
RAW_DECIMALS = 6  # what scaling adds beyond is noise of the arithmetic, and would make the journal larger
STAMP_STEP_S = 0.001  # stores keep milliseconds
BUNCH_S = 1.0  # stamps run ahead of the clock by less than this; a clock that is further back was set
CHUNK_BYTES = 4096
PORT_ERRORS = (serial.SerialException, OSError, termios.error)


class PortGone(WireError):
    """The port itself is away or stuck: close it, wait, open it anew."""


@contextmanager
def port_faults(port: str) -> Iterator[None]:
    """Whatever the port raises inside is a PortGone that names the port."""
    try:
        yield
    except PORT_ERRORS as error:
        raise PortGone(f"{port}: {getattr(error, 'strerror', None) or error}") from error


class Emit(Protocol):
    """Where a driver puts what it got: a number in the unit after scale and loop, or words on what was wrong."""

    def reading(self, sensor: Sensor, value: float) -> None:
        """A measurement came."""

    def fault(self, sensor: Sensor | None, text: str) -> None:
        """Something came, or nothing, that is no measurement; `sensor` None where it cannot be told whose."""


class Driver(Protocol):
    """How one kind of bus is spoken to. Used by the bus's thread alone."""

    def begin(self, port: serial.Serial) -> None:
        """A port was opened: forget what was half heard."""

    def turn(self, port: serial.Serial, emit: Emit, stopping: Callable[[], bool]) -> None:
        """Ask every sensor once, or listen for one period. Raises PortGone."""

    def end(self) -> None:
        """The port was closed."""


@dataclass(slots=True)
class Health:
    """How a bus does; read by the main loop while the thread writes single fields."""

    text: str = "not started"
    last_s: float | None = None  # time of the newest reading, record clock
    heard_at: dict[str, float] = field(default_factory=dict)  # sensor → monotonic s of its newest reading
    opened_at: float = 0.0  # monotonic s
    readings: int = 0
    faults: int = 0
    openings: int = 0
    port_open: bool = False
    failing: dict[str, str] = field(default_factory=dict)  # sensor → what is wrong with it


class SerialBus:
    """One bus: its thread, its readings (`intake`), its health."""

    def __init__(self, bus: AsciiLineBus | ModbusRtuBus, driver: Driver, clock: Clock) -> None:
        self.bus = bus
        self.intake = Intake()
        self.health = Health()
        self.failed: BaseException | None = None
        self._driver, self._clock = driver, clock
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"bus-{bus.id}", daemon=True)

    # -- from the main loop ----------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin; returns at once, whether or not the port is there."""
        self._thread.start()

    def stop(self) -> None:
        """Ask the thread to end; `join` waits for it."""
        self._stop.set()

    def join(self, deadline_s: float) -> bool:
        """Wait for the end; false when it did not come in time: a daemon thread, it holds nothing that lasts."""
        if self._thread.ident is not None:
            self._thread.join(deadline_s)
        return not self._thread.is_alive()

    def status(self) -> dict[str, Any]:
        """For live.json: ok, text, last_s (epoch s), dropped."""
        health = self.health
        failing = {**self._silent(), **health.failing} if health.port_open else {}
        text = "; ".join(f"{name}: {why}" for name, why in failing.items()) or health.text
        ok = health.port_open and not failing and self.failed is None
        return {"ok": ok, "text": text, "last_s": health.last_s, "dropped": self.intake.dropped}

    def _silent(self) -> dict[str, str]:
        """Sensors from which nothing has come for some periods."""
        health, now = self.health, self._clock.monotonic()
        patience_s = SILENT_PERIODS * self.bus.period_s + self.bus.timeout_s
        since = {name: now - health.heard_at.get(name, health.opened_at) for name in map(label, self.bus.sensor)}
        return {name: f"nothing for {s:.0f} s" for name, s in since.items() if s > patience_s}

    # -- Emit, from the thread -------------------------------------------------------------------------------

    def reading(self, sensor: Sensor, value: float) -> None:
        """See Emit."""
        now, health = self._stamp(), self.health
        health.last_s, health.heard_at[label(sensor)] = now, self._clock.monotonic()
        health.readings += 1
        health.failing.pop(label(sensor), None)
        health.text = "reading"
        told = round(value, RAW_DECIMALS)
        self.intake.put(Reading(now, sensor.sump, sensor.signal, told, self.bus.simulated))

    def _stamp(self) -> float:
        """Now, but never the time of the reading before: readings that come in a bunch must not become one point."""
        now, last = self._clock.time(), self.health.last_s
        if last is not None and last - BUNCH_S < now <= last:
            return round(last + STAMP_STEP_S, 3)
        return now

    def fault(self, sensor: Sensor | None, text: str) -> None:
        """See Emit."""
        self.health.faults += 1
        if sensor is None:
            self.health.text = text
        else:
            self.health.failing[label(sensor)] = text

    # -- the thread ------------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            retry_s = FIRST_RETRY_S
            while not self._stop.is_set():
                retry_s = self._until_gone(retry_s)
        except BaseException as bug:
            self.failed = bug
            raise

    def _until_gone(self, retry_s: float) -> float:
        """Open and serve until the port goes; wait; returns how long to wait after the next failure."""
        before = self.health.readings
        try:
            with open_port(self.bus) as port:
                self._serve(port)
        except PortGone as gone:
            self.health.text = str(gone)
            self.health.failing.clear()
        finally:
            self.health.port_open = False
            self._driver.end()
        wait_s = FIRST_RETRY_S if self.health.readings > before else retry_s
        self._stop.wait(wait_s)
        return min(2 * wait_s, LAST_RETRY_S)

    def _serve(self, port: serial.Serial) -> None:
        self.health.opened_at = self._clock.monotonic()
        self.health.port_open = True
        self.health.text = "open"
        self.health.openings += 1
        self._driver.begin(port)
        while not self._stop.is_set():
            self._driver.turn(port, self, self._stop.is_set)


def label(sensor: Sensor) -> str:
    """A sensor's name for people."""
    return f"{sensor.sump} {sensor.signal}"


@contextmanager
def open_port(bus: AsciiLineBus | ModbusRtuBus) -> Iterator[serial.Serial]:
    """The bus's port, held exclusively; closed at the end. Raises PortGone."""
    with port_faults(bus.port):
        port = serial.Serial(
            bus.port,
            bus.baud,
            bytesize=bus.bytesize,
            parity=bus.parity,
            stopbits=bus.stopbits,
            timeout=READ_SLICE_S,
            write_timeout=WRITE_TIMEOUT_S,
            exclusive=True,
        )
    try:
        yield port
    finally:
        with suppress(*PORT_ERRORS):  # it is gone, which is as closed as can be
            port.close()


def drain(port: serial.Serial, quiet_s: float, most_s: float) -> int:
    """Read and forget what comes until the line has been quiet for `quiet_s`; at most `most_s`. Returns the bytes."""
    end = time.monotonic() + most_s
    quiet_from, thrown = time.monotonic(), 0
    while (now := time.monotonic()) < end and now - quiet_from < quiet_s:
        waiting = port.in_waiting
        if waiting:
            thrown += len(port.read(waiting))
            quiet_from = now
        else:
            time.sleep(min(quiet_s, 0.005))
    return thrown


class Turns:
    """Waits out the rest of each period, so that sensors are asked at an even pace."""

    def __init__(self, period_s: float) -> None:
        self._period_s = period_s
        self._next = time.monotonic()

    def due(self) -> bool:
        """Whether it is time for a turn; a turn that came too late moves the pace instead of piling up."""
        now = time.monotonic()
        if now < self._next:
            return False
        self._next = max(self._next + self._period_s, now)
        return True

    def wait(self, stopping: Callable[[], bool]) -> None:
        """Until the next turn is due, or it is time to stop."""
        while not stopping() and (left := self._next - time.monotonic()) > 0:
            time.sleep(min(left, READ_SLICE_S))
