"""`sumpside demo`: a simulated works, with the agent and the dashboards that a Pi runs.

    plant (python -m agent.io.simulated)  ─ pseudo-terminals ─▶  agent (python -m agent run)  ─ journal ─▶  dashboards
      ▲  orders typed at this terminal                                   ▲ inbox ◀───────────────────────────┘

This process only starts them, passes orders and answers on, and ends them in order.
"""

from __future__ import annotations

import contextlib
import secrets
import shutil
import signal
import sys
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path

from agent.io.simulated.children import Child, DemoFailed, Ended
from agent.io.simulated.staging import STEPS, Demo, Wish, free_port, welcome

__all__ = ["Wish", "run"]

SLOWEST, FASTEST = 0.1, 3600.0  # beyond an hour a second, minutes pass between two looks of the agent
WATCH_S = 0.2


def run(wish: Wish) -> int:
    """Start, say where, watch, end. 0 when ended by a person, 1 when something failed, 2 for a wish that cannot be."""
    if not SLOWEST <= wish.speed <= FASTEST:
        print(f"sumpside demo: --speed must lie between {SLOWEST:g} and {FASTEST:g}", file=sys.stderr)
        return 2
    ended = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, lambda *_: ended.set())
    try:
        with _folder(wish.folder) as folder:
            _run_in(Demo(wish, folder, free_port(wish.port), _seed(wish), ended))
    except DemoFailed as why:
        print(f"sumpside demo: {why}", file=sys.stderr)
        return 1
    print("All ended." if wish.folder is None else f"All ended. Everything is kept in {wish.folder}.")
    return 0


def _run_in(demo: Demo) -> None:
    try:
        for step in STEPS:
            step(demo)
        welcome(demo)
        _watch(demo)
    except Ended:
        return
    finally:
        for odd in demo.end():
            print(f"sumpside demo: {odd}", file=sys.stderr)


def _watch(demo: Demo) -> None:
    """Pass orders and answers on until somebody ends it. Raises DemoFailed when a child dies."""
    threading.Thread(target=_pass_orders, args=(demo.plant,), name="orders", daemon=True).start()
    while not demo.ended.wait(WATCH_S):
        while not demo.answers.empty():
            print(demo.answers.get(), flush=True)
        for child in demo.children:
            if not child.alive() and not demo.ended.is_set():
                raise DemoFailed(child.epitaph())


def _pass_orders(plant: Child) -> None:
    """Every line typed here goes to the plant. A closed terminal is no order to end."""
    with contextlib.suppress(BrokenPipeError, ValueError):
        for line in sys.stdin:
            if line.strip():
                plant.order(line.strip())


@contextlib.contextmanager
def _folder(given: Path | None) -> Iterator[Path]:
    """The folder asked for, which must be new or empty and stays; or one that goes with the demo."""
    if given is None:
        made = Path(tempfile.mkdtemp(prefix="sumpside-demo-"))
    else:
        made = given.absolute()
        if made.exists() and (not made.is_dir() or any(made.iterdir())):
            raise DemoFailed(f"{given} is not empty; name a new folder")
    try:
        _make_places(made)
        yield made
    finally:
        if given is None:
            shutil.rmtree(made, ignore_errors=True)


def _make_places(folder: Path) -> None:
    try:
        for name in ("state", "inbox", "run", "ports", "logs", "brokers"):
            (folder / name).mkdir(parents=True)
    except OSError as error:
        raise DemoFailed(f"{folder}: {error.strerror or error}") from error


def _seed(wish: Wish) -> int:
    return secrets.randbelow(10_000) if wish.seed is None else wish.seed
