"""A valve's driver, in a process of its own: off unless somebody renews, however the agent ends.

    python -m agent.io.valve      reads one line of JSON (what to drive), then single bytes from standard input:
                                  h holds it on for two seconds more, anything else turns it off, the end of input
                                  turns it off and ends. Tells its state in lines of JSON.

It turns the output off at its start, when renewals stop, when the pipe closes and when it is told to end. It cannot
do so when it is killed outright or the power fails: so the valve is one that closes by spring, its relay falls off
without power, and an independent high-level switch stands in series with it.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import sys
import time
from collections.abc import Callable
from typing import Any, Final, Protocol

import serial

from agent.core.dosing import DeadMan
from agent.wire.modbus_write import coil_answer, coil_request

HOLD, CLOSE = b"h", b"c"
REFRESH_ON_S: Final = 0.5  # written again: a relay with a watchdog of its own stays on, one that was reset is told
REFRESH_OFF_S: Final = 2.0
TOLD_EVERY_S: Final = 0.5
ANSWER_S: Final = 0.25  # a unit answers within; together with one repetition well below the dead man's time
TRIES: Final = 2
LINE_BYTES: Final = 65_536


class OutputFault(Exception):
    """The output could not be set: nobody knows how it stands."""


class Output(Protocol):
    """One thing that can be on or off."""

    def set(self, on: bool) -> None:
        """Raises OutputFault."""

    def let_go(self) -> None:
        """Turn it off as far as can be, and release it. Raises nothing."""


class CoilOutput:
    """A coil of a Modbus RTU unit on a serial port of its own, opened anew when it was away."""

    def __init__(self, port: str, baud: int, parity: str, stopbits: int, unit: int, coil: int) -> None:
        self._settings = {"baudrate": baud, "parity": parity, "stopbits": stopbits}
        self._path, self._unit, self._coil = port, unit, coil
        self._port: serial.Serial | None = None

    def set(self, on: bool) -> None:
        """See Output: done when the unit has echoed it."""
        request = coil_request(self._unit, self._coil, on)
        fault = "no answer"
        for _ in range(TRIES):
            try:
                fault = self._ask(request)
            except (OSError, serial.SerialException) as error:
                self._drop()
                fault = str(error)
            if fault == "":
                return
        raise OutputFault(f"{self._path}, unit {self._unit}, coil {self._coil}: {fault}")

    def _ask(self, request: bytes) -> str:
        port = self._opened()
        port.reset_input_buffer()
        port.write(request)
        heard, end = b"", time.monotonic() + ANSWER_S
        while time.monotonic() < end:
            heard += port.read(max(1, port.in_waiting))
            if (told := coil_answer(request, heard)) is not None:
                return told
        return "no answer"

    def _opened(self) -> serial.Serial:
        if self._port is None:
            self._port = serial.Serial(
                self._path, timeout=0.02, write_timeout=ANSWER_S, exclusive=True, **self._settings
            )
        return self._port

    def let_go(self) -> None:
        """See Output."""
        try:
            self.set(False)
        except OutputFault as fault:
            print(json.dumps({"on": None, "fault": str(fault)}), flush=True)
        self._drop()

    def _drop(self) -> None:
        port, self._port = self._port, None
        try:
            if port is not None:
                port.close()
        except OSError:
            return  # it is gone, which is as closed as can be


class LineOutput:
    """A pin of the Pi."""

    def __init__(self, line: int, active_high: bool) -> None:
        from agent.io.pins import NoPin, relay

        self._errors = NoPin
        try:
            self._pin = relay(line, active_high)
        except NoPin as error:
            raise OutputFault(str(error)) from error

    def set(self, on: bool) -> None:
        """See Output: done when the pin is seen to stand so."""
        try:
            self._pin.set(on)
            shown = self._pin.is_active()
        except self._errors as error:
            raise OutputFault(str(error)) from error
        if shown != on:
            raise OutputFault("the pin does not follow")

    def let_go(self) -> None:
        """See Output."""
        with contextlib.suppress(self._errors):
            self._pin.set(False)
        self._pin.release()


def made(told: dict[str, Any]) -> Output:
    """The output that a [sump.dosing] table describes. Raises OutputFault."""
    if told["driver"] == "gpio":
        return LineOutput(told["line"], told["active_high"])
    return CoilOutput(told["port"], told["baud"], told["parity"], told["stopbits"], told["unit"], told["coil"])


class Server:
    """Reads commands, keeps the dead man, drives the output, tells how it stands."""

    def __init__(self, output: Output, inlet: int, tell: Callable[[dict[str, Any]], None]) -> None:
        self._output, self._inlet, self._tell = output, inlet, tell
        self._dead_man = DeadMan()
        self._on: bool | None = None  # None: nobody knows
        self._fault = ""
        self._set_at = self._told_at = float("-inf")

    def run(self) -> None:
        """Until the input ends."""
        try:
            self._follow(time.monotonic())
            while self._listen():
                self._follow(time.monotonic())
        finally:
            self._output.let_go()

    def _listen(self) -> bool:
        """Wait for commands, no longer than the dead man allows; false at the end of input."""
        now = time.monotonic()
        left_s = self._dead_man.until_s - now if self._dead_man.is_open(now) else TOLD_EVERY_S
        if not select.select([self._inlet], [], [], min(left_s, TOLD_EVERY_S))[0]:
            return True
        data = os.read(self._inlet, LINE_BYTES)
        if data.endswith(HOLD):
            self._dead_man.renew(time.monotonic())
        elif data:
            self._dead_man.close()
        return bool(data)

    def _follow(self, now: float) -> None:
        wanted = self._dead_man.is_open(now)
        before = self._on, self._fault
        every_s = REFRESH_ON_S if wanted else REFRESH_OFF_S
        if wanted != self._on or now - self._set_at >= every_s:
            self._set(wanted)
            self._set_at = now
        if (self._on, self._fault) != before or now - self._told_at >= TOLD_EVERY_S:
            self._told_at = now
            self._tell({"on": self._on, "fault": self._fault})

    def _set(self, wanted: bool) -> None:
        try:
            self._output.set(wanted)
            self._on, self._fault = wanted, ""
        except OutputFault as fault:
            self._on, self._fault = None, str(fault)
            self._dead_man.close()  # what cannot be seen is not held


def _first_line(inlet: int) -> bytes:
    line = b""
    while not line.endswith(b"\n"):
        byte = os.read(inlet, 1)
        if not byte:
            return b""
        line += byte
    return line


def _say(told: dict[str, Any]) -> None:
    print(json.dumps(told), flush=True)


def main() -> int:
    """The process: 0 ended as asked, 1 could not begin."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a Ctrl-C is the agent's to hear; the pipe then closes
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    inlet = sys.stdin.fileno()
    line = _first_line(inlet)
    if not line:
        return 0
    try:
        output = made(json.loads(line))
    except OutputFault as fault:
        _say({"on": None, "fault": str(fault)})
        return 1
    try:
        Server(output, inlet, _say).run()
    except BrokenPipeError:
        return 0  # the agent is gone: it is off
    return 0


if __name__ == "__main__":
    sys.exit(main())
