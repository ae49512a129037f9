"""A thread per bus: opens the port, asks or listens through a driver, and comes back when the port does.

What goes wrong is told apart by whose fault it is: one sensor's (the others go on), or the port's (`PortGone`:
close, wait longer each time, open anew). Everything else is a bug; the thread then says `failed`, and the agent ends.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from typing import Any, Protocol

from agent.errors import WireError
from agent.io.clock import Clock
from agent.io.intake import Intake, Reading
from agent.site_buses import AnyBus, Sensor
from agent.wire.current_loop import raw_at
from agent.wire.meter import Meter
from agent.wire.outcomes import Fault

FIRST_RETRY_S = 0.25  # a USB adapter is back within a second
STUCK_S = (
    180.0  # drivers ask whether to stop between short waits: one that has not for so long hangs; names take a minute
)
LAST_RETRY_S = 2.0  # a port that has come back is opened, and its first reading there, within 5 s
READ_SLICE_S = 0.1  # how long a read may hold the thread before it looks whether to stop
RAW_DECIMALS = 6  # what scaling adds beyond is noise of the arithmetic, and would make the journal larger
OPEN, READING = "open", "reading"  # what a bus says while all is well
STAMP_STEP_S = 0.001  # stores keep milliseconds
BUNCH_READINGS = 60.0  # at once, at most: adapters and busy systems hand lines on in bunches
BUNCH_S = 1.0  # stamps run ahead of the clock by less than this; a clock that is further back was set


class PortGone(WireError):
    """The port itself is away or stuck: close it, wait, open it anew."""


class BusStuck(Exception):
    """The thread has not come round for so long that it never will: as good as ended."""


class Emit(Protocol):
    """Where a driver puts what it got: a number in the unit after scale and loop, or words on what was wrong."""

    def reading(self, sensor: Sensor, value: float) -> None:
        """A measurement came."""

    def fault(self, sensor: Sensor | None, text: str) -> None:
        """Something came, or nothing, that is no measurement; `sensor` None where it cannot be told whose."""


class Driver(Protocol):
    """How one kind of bus is spoken to. Used by the bus's thread alone."""

    def open(self) -> AbstractContextManager[Any]:
        """The port, open and with nothing half heard, until the context ends. Raises PortGone."""

    def turn(self, port: Any, emit: Emit, stopping: Callable[[], bool]) -> None:
        """Ask every sensor once, or listen for a while. Raises PortGone."""


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


class BusThread:
    """One bus: its thread, its readings (`intake`), its health."""

    def __init__(self, bus: AnyBus, driver: Driver, clock: Clock) -> None:
        self.bus = bus
        self.intake = Intake()
        self.health = Health()
        self._bug: BaseException | None = None
        self._beat = time.monotonic()  # when the thread last came round
        self._driver, self._clock = driver, clock
        self._meters = {label(sensor): _meter(sensor) for sensor in bus.sensor if sensor.signal == "metered"}
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

    @property
    def failed(self) -> BaseException | None:
        """Why the thread will bring nothing more: a bug has ended it, or it hangs in its port."""
        stuck_s = time.monotonic() - self._beat
        if self._bug is None and self._thread.is_alive() and stuck_s > STUCK_S:
            return BusStuck(f"nothing has moved for {stuck_s:.0f} s: {self.health.text}")
        return self._bug

    def _stopping(self) -> bool:
        """Asked by drivers in every wait: a sign of life."""
        self._beat = time.monotonic()
        return self._stop.is_set()

    def status(self) -> dict[str, Any]:
        """For live.json: ok, text, last_s (epoch s), dropped."""
        health = self.health
        silent = self._silent() if health.port_open else {}
        failing = {**silent, **health.failing} if health.port_open else {}
        told = [f"{name}: {why}" for name, why in failing.items()]
        if silent and health.text not in (OPEN, READING):
            told.append(health.text)  # what came instead: a line that is nobody's, perhaps
        text = "; ".join(told) or health.text
        ok = health.port_open and not failing and self.failed is None
        return {"ok": ok, "text": text, "last_s": health.last_s, "dropped": self.intake.dropped}

    def _silent(self) -> dict[str, str]:
        """Sensors from which nothing has come for some periods."""
        health, now = self.health, self._clock.monotonic()
        since = [(s, now - health.heard_at.get(label(s), health.opened_at)) for s in self.bus.sensor]
        return {label(s): f"nothing for {gone:.0f} s" for s, gone in since if gone > self.bus.patience_s(s)}

    # -- Emit, from the thread -------------------------------------------------------------------------------

    def reading(self, sensor: Sensor, value: float) -> None:
        """See Emit."""
        now, health = self._stamp(), self.health
        health.last_s, health.heard_at[label(sensor)] = now, self._clock.monotonic()
        health.readings += 1
        health.failing.pop(label(sensor), None)
        health.text = READING
        if sensor.signal == "metered":
            self._meter(sensor, value)
        else:
            self._put(now, sensor, value)

    def _meter(self, sensor: Sensor, value: float) -> None:
        """What a meter shows is told as litres, once they have flowed."""
        litres = self._meters[label(sensor)].take(value, self._clock.monotonic() * self._clock.speed)
        if isinstance(litres, Fault):
            self.fault(sensor, litres.text)
        elif litres is not None:
            self._put(self._stamp(), sensor, litres)

    def _put(self, now: float, sensor: Sensor, value: float) -> None:
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
            while not self._stopping():
                retry_s = self._until_gone(retry_s)
            self._tell_rest()
        except BaseException as bug:
            self._bug = bug
            raise

    def _until_gone(self, retry_s: float) -> float:
        """Open and serve until the port goes; wait; returns how long to wait after the next failure."""
        before = self.health.readings
        try:
            with self._driver.open() as port:
                self._serve(port)
        except PortGone as gone:
            self.health.text = str(gone)
            self.health.failing.clear()
        finally:
            self.health.port_open = False
        wait_s = FIRST_RETRY_S if self.health.readings > before else retry_s
        self._stop.wait(wait_s)
        return min(2 * wait_s, LAST_RETRY_S)

    def _serve(self, port: Any) -> None:
        self.health.opened_at = self._clock.monotonic()
        self.health.port_open = True
        self.health.text = OPEN
        self.health.openings += 1
        while not self._stopping():
            self._driver.turn(port, self, self._stopping)

    def _tell_rest(self) -> None:
        """What a meter has counted and not told when the agent ends."""
        for sensor in self.bus.sensor:
            if sensor.signal == "metered" and (litres := self._meters[label(sensor)].rest()) is not None:
                self._put(self._stamp(), sensor, litres)


def label(sensor: Sensor) -> str:
    """A sensor's name for people."""
    return f"{sensor.sump} {sensor.signal}"


def in_unit(outcome: float | Fault, sensor: Sensor) -> float | Fault:
    """A number off the wire in the sensor's unit: after scale, offset and loop."""
    if isinstance(outcome, Fault):
        return outcome
    value = outcome * sensor.scale + sensor.offset
    if not math.isfinite(value):
        return Fault("a number beyond all measure")
    return value if sensor.loop is None else raw_at(value, sensor.loop.at_4_ma, sensor.loop.at_20_ma)


def tell(emit: Emit, sensor: Sensor, outcome: float | Fault) -> None:
    """A reading in the sensor's unit, or what was wrong with it."""
    if isinstance(outcome, Fault):
        emit.fault(sensor, outcome.text)
    else:
        emit.reading(sensor, outcome)


def _meter(sensor: Sensor) -> Meter:
    meter, wraps_at = sensor.meter, sensor.wraps_at
    wraps_l = wraps_at * abs(sensor.scale) if wraps_at else None
    return Meter(meter.kind == "flow", wraps_l, meter.most_l_per_min, meter.least_l_per_min)


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


class Pace:
    """Thins a sensor that talks faster than wanted to one reading a period; what came late may come in a bunch."""

    def __init__(self, period_s: float) -> None:
        self._period_s = period_s
        self._credit: dict[int, tuple[float, float]] = {}  # by sensor: readings it may bring, monotonic s
        self._states: dict[int, float] = {}  # of contacts

    def is_due(self, sensor: Sensor, value: float) -> bool:
        """Whether this reading is to be kept. A contact that changes is kept always."""
        if sensor.signal == "running" and self._states.get(id(sensor)) != value:
            self._states[id(sensor)] = value
            return True
        now = time.monotonic()
        credit, at = self._credit.get(id(sensor), (1.0, now))
        credit = min(BUNCH_READINGS, credit + (now - at) / self._period_s)
        due = credit >= 1.0
        self._credit[id(sensor)] = (credit - 1.0 if due else credit, now)
        return due
