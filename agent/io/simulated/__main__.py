"""The plant's own process: `python -m agent.io.simulated --ports DIR --history FILE --opening EPOCH`.

It writes the fortnight before as records, puts its instruments on pseudo-terminals, says `ready`, and stands still
until it is told `go`. From then on it runs `--speed` times as fast as life. Orders come line by line on standard
input (see commands.py); when that ends, whoever started it is gone, and it ends too.
"""

from __future__ import annotations

import argparse
import json
import logging
import queue
import random
import signal
import sys
import threading
import time
from pathlib import Path

from agent.io.simulated import commands, history
from agent.io.simulated.crew import Crew
from agent.io.simulated.devices import Instruments
from agent.io.simulated.page import PageVoice
from agent.io.simulated.plant import Plant, new_plant
from agent.io.simulated.shop import DEEDS, STORY_DEEDS

TICK_S = 0.05  # finer than any transmitter is asked
ROUND_S = 60.0  # plant's time between two looks of the people
SHORTEST_ROUND_S = 0.5  # wall time: however fast the plant, the page is not stormed
END = ""


class PlantProcess:
    """One loop over physics, orders and people."""

    def __init__(self, plant: Plant, speed: float, seed: int) -> None:
        self.plant, self.speed, self.seed = plant, speed, seed
        self.orders: queue.Queue[str] = queue.Queue()
        self.crew: Crew | None = None
        self._opening_s = plant.time_s
        self._began: float | None = None  # monotonic
        self._next_round = (0.0, 0.0)  # plant's time, monotonic

    def run(self) -> None:
        """Until END is ordered."""
        threading.Thread(target=self._listen, name="orders", daemon=True).start()
        while True:
            try:
                line = self.orders.get(timeout=TICK_S)
                if line == END:
                    return
                self._obey(line.strip())
            except queue.Empty:
                pass
            self._tick()

    def end(self) -> None:
        """Ask the loop to stop; callable from a signal handler."""
        self.orders.put(END)

    def _listen(self) -> None:
        for line in sys.stdin:
            self.orders.put(line)
        self.end()

    def _tick(self) -> None:
        if self._began is None:
            return
        now = time.monotonic()
        self.plant.advance_to(self._opening_s + (now - self._began) * self.speed)
        if self.crew is not None and self.plant.time_s >= self._next_round[0] and now >= self._next_round[1]:
            self._next_round = (self.plant.time_s + ROUND_S, now + SHORTEST_ROUND_S)
            self.crew.round(self.plant.time_s)

    def _obey(self, line: str) -> None:
        word, _, rest = line.partition(" ")
        if not word:
            return
        if word == "go":
            self._began = time.monotonic()
            tell("going")
        elif word == "crew":
            self._hire(json.loads(rest))
        else:
            try:
                tell(commands.answer(self.plant, line))
            except commands.NotUnderstood as why:
                tell(str(why))

    def _hire(self, told: dict[str, str]) -> None:
        voice = PageVoice(told["address"], told["name"], told["secret"])
        self.crew = Crew(self.plant, Path(told["journal"]), voice, tell, random.Random(self.seed))
        tell("crew on shift")


def tell(text: str) -> None:
    """An answer, whole lines at once."""
    print(text, flush=True)


def main() -> int:
    """Parse, live through the fortnight, serve. 0 unless something broke."""
    parser = argparse.ArgumentParser(prog="python -m agent.io.simulated", description="A simulated works.")
    parser.add_argument("--ports", type=Path, required=True, help="where the ports' names are made")
    parser.add_argument("--history", type=Path, required=True, help="file for the records of the fortnight before")
    parser.add_argument("--opening", type=float, required=True, help="first live moment, epoch seconds")
    parser.add_argument("--speed", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--story", action="store_true", help="leave to a test what people would have found out last")
    given = parser.parse_args()
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)  # it logs what a master asks wrongly; that is not ours
    plant = new_plant(history.beginning(given.opening), given.seed)
    with given.history.open("w", encoding="ascii") as out:
        for record in history.live_through(plant, given.opening, STORY_DEEDS if given.story else DEEDS):
            out.write(json.dumps(record, separators=(",", ":")) + "\n")
    process = PlantProcess(plant, given.speed, given.seed)
    signal.signal(signal.SIGTERM, lambda *_: process.end())
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the demo ends us, in its order
    instruments = Instruments(plant, given.ports)
    instruments.start()
    tell("ready")
    try:
        process.run()
    finally:
        instruments.end()
    return 0


if __name__ == "__main__":
    sys.exit(main())
