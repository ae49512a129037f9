"""What buses put in and the main loop takes out: bounded, one per bus, so a babbling line crowds out nobody else."""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass

READINGS_KEPT = 2_000  # some 10 min of a full bus, while a card hangs; older live readings are worth least


@dataclass(frozen=True, slots=True)
class Reading:
    """One number off a wire, in the sensor's unit after its scale: not yet gated, not yet calibrated."""

    time: float  # epoch s, when it came
    sump: str
    signal: str
    value: float
    simulated: bool = False


class Intake:
    """A bounded queue that drops its oldest and counts them."""

    def __init__(self, most: int = READINGS_KEPT) -> None:
        self._readings: deque[Reading] = deque()
        self._lock = threading.Lock()
        self._most = most
        self.dropped = 0

    def put(self, reading: Reading) -> None:
        """From the bus's thread; never waits."""
        with self._lock:
            if len(self._readings) >= self._most:
                self._readings.popleft()
                self.dropped += 1
            self._readings.append(reading)

    def take(self) -> list[Reading]:
        """Everything that waits, oldest first; from the main loop."""
        with self._lock:
            taken = list(self._readings)
            self._readings.clear()
        return taken
