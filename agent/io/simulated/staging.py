"""The demo's start, step by step: the plant, a fortnight of journal, the pages, the agent, people."""

from __future__ import annotations

import contextlib
import json
import queue
import re
import socket
import sys
import threading
import time
import urllib.request
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from agent.io.journal import FILE_NAME as JOURNAL
from agent.io.simulated import brokers, calendar, page
from agent.io.simulated.brokers import Server
from agent.io.simulated.children import Child, DemoFailed, Ended, wait_until
from agent.io.simulated.forms import PageRefused

USUAL_PORT = 8080
START_S = 30.0  # any one step of the start that takes longer has failed
SET_UP_CODE = re.compile(r"\b[A-Z2-9]{5}-[A-Z2-9]{5}\b")
TEMPLATE = Path(__file__).parent / "harrow-lane.toml"


@dataclass(frozen=True, slots=True)
class Wish:
    """What was asked for on the command line."""

    speed: float = 60.0
    port: int | None = None
    folder: Path | None = None
    seed: int | None = None
    story: bool = False  # nobody simulated acts: a test plays the people
    with_broker: bool = False


@dataclass
class Demo:
    """One run: its folder, its children in the order in which they are to be ended."""

    wish: Wish
    folder: Path
    port: int
    seed: int
    ended: threading.Event = field(default_factory=threading.Event)
    opening_s: float = field(default_factory=lambda: calendar.opening(time.time()))
    children: list[Child] = field(default_factory=list)
    answers: queue.Queue[str] = field(default_factory=queue.Queue)
    secrets: dict[str, str] = field(default_factory=dict)

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def site(self) -> Path:
        return self.folder / "harrow-lane.toml"

    @property
    def history(self) -> Path:
        return self.folder / "history.jsonl"

    @property
    def plant(self) -> Child:
        return next(child for child in self.children if child.name == "plant")

    def wait(self, done: Callable[[], bool], what: str) -> None:
        """Until `done()`. Raises DemoFailed, Ended."""
        wait_until(done, self.children, START_S, what, self.ended)

    def await_answer(self, wanted: str) -> None:
        """Wait for a word of the plant. Raises DemoFailed."""
        told: list[str] = []

        def came() -> bool:
            while not self.answers.empty():
                told.append(self.answers.get())
            return wanted in told

        self.wait(came, f"the plant's {wanted!r}")

    def dirs(self) -> list[str]:
        """The options that agent and dashboards share."""
        names = {"--state-dir": "state", "--inbox-dir": "inbox", "--runtime-dir": "run"}
        return [word for option, name in names.items() for word in (option, str(self.folder / name))]

    def start(self, name: str, command: list[str], talks: bool = False) -> Child:
        """Start a program; it is ended with the demo."""
        child = Child.start(name, command, self.log(name), talks)
        self.children.append(child)
        return child

    def start_ours(self, name: str, command: list[str], talks: bool = False) -> Child:
        """Start one of our own programs, with this Python."""
        return self.start(name, [sys.executable, "-m", *command], talks)

    def log(self, name: str) -> Path:
        """Where a child's words are kept."""
        return self.folder / "logs" / f"{name}.log"

    def end(self) -> list[str]:
        """End the children, the agent first, and give what was odd about it."""
        order = {"agent": 0, "dashboards": 1}
        ending = sorted(self.children, key=lambda child: order.get(child.name, 2))
        return [odd for child in ending if (odd := child.end()) is not None]


def start_plant(demo: Demo) -> None:
    """The plant lives through its fortnight and puts its instruments on their ports; it stands still then."""
    plant = demo.start_ours(
        "plant",
        [
            "agent.io.simulated",
            "--ports",
            str(demo.folder / "ports"),
            "--history",
            str(demo.history),
            "--opening",
            repr(demo.opening_s),
            "--speed",
            repr(demo.wish.speed),
            "--seed",
            str(demo.seed),
            *(["--story"] if demo.wish.story else []),
        ],
        talks=True,
    )
    threading.Thread(target=_collect, args=(plant, demo.answers), name="answers", daemon=True).start()
    demo.await_answer("ready")


def write_site(demo: Demo) -> None:
    """The site file with this demo's ports, and its publishers when asked for."""
    text = TEMPLATE.read_text("utf-8").replace("{ports}", str(demo.folder / "ports"))
    tables = [f"[web]\nport = {demo.port}\n", *(server.site_table for server in start_brokers(demo))]
    demo.site.write_text("\n".join([text, *tables]), "utf-8")


def start_brokers(demo: Demo) -> list[Server]:
    """A broker and a store to forward to, when asked for and installed."""
    if not demo.wish.with_broker:
        return []
    servers, missing = brokers.installed(demo.folder / "brokers", lambda: free_port(0))
    for name in missing:
        print(f"{name} is not installed: going on without it")
    for server in servers:
        demo.start(server.name, server.command)
        demo.wait(server.answers, f"{server.name} to listen")
        print(f"{server.name} listens on 127.0.0.1:{server.port}")
    return servers


def fill_journal(demo: Demo) -> None:
    """Run the fortnight's records through the core, into the journal: what an agent that was there would have."""
    from agent.io.simulated.prefill import prefill

    if not prefill(demo.site, demo.history, demo.folder / "state", demo.opening_s, demo.ended.is_set):
        raise Ended


def start_dashboards(demo: Demo) -> None:
    """The pages, on loopback."""
    demo.start_ours("dashboards", ["dashboards", str(demo.site), *demo.dirs(), "--port", str(demo.port)])


def list_people(demo: Demo) -> None:
    """Use the one-time code that the dashboards printed, and list a person of each role with a secret made up now."""
    demo.wait(lambda: _answers(f"{demo.address}/healthz"), "the dashboards to answer")
    code = SET_UP_CODE.search(demo.log("dashboards").read_text("utf-8", "replace"))
    if code is None:
        raise DemoFailed("the dashboards printed no set-up code")
    try:
        demo.secrets = page.list_people(demo.address, code[0])
    except PageRefused as why:
        raise DemoFailed(f"could not list people: {why}") from why


def start_agent(demo: Demo) -> None:
    """The agent, at the plant's first live moment."""
    clock = ["--clock-speed", repr(demo.wish.speed), "--clock-start", repr(demo.opening_s)]
    demo.start_ours("agent", ["agent", "run", str(demo.site), *demo.dirs(), *clock])


def start_time(demo: Demo) -> None:
    """The plant moves on from when the agent has begun to look."""
    live = demo.folder / "run" / "live.json"
    demo.wait(live.exists, "the agent's first look")
    demo.plant.order("go")
    demo.await_answer("going")


def call_crew(demo: Demo) -> None:
    """Simulated people come on shift, unless somebody else plays them."""
    if demo.wish.story:
        return
    told = {"address": demo.address, "name": page.SIMULATED, "secret": demo.secrets[page.SIMULATED],
            "journal": str(demo.folder / "state" / JOURNAL)}  # fmt: skip
    demo.plant.order("crew " + json.dumps(told))
    demo.await_answer("crew on shift")


# In this order, so that what takes long to come up does so while the next thing is done.
STEPS = (
    start_plant, write_site, start_dashboards, fill_journal, start_agent, list_people, start_time, call_crew,
)  # fmt: skip


def welcome(demo: Demo) -> None:
    """Where to look, and how to get in."""
    opening = datetime.fromtimestamp(demo.opening_s, calendar.ZONE)
    print(f"""
Harrow Lane Gearworks, simulated: {opening:%A %d %B %Y, %H:%M} there, {demo.wish.speed:g} times as fast as life.

    {demo.address}

Sign in as""")
    for name, secret in demo.secrets.items():
        if name != page.SIMULATED:
            print(f"    {name:<12} {secret}")
    print(
        """
Nothing is poured because somebody presses "done": pour here, then say so there. "pour lathe-1 45 2" pours 45 L of
the mix set at 2 %. Type help for more orders, Ctrl-C to end it all.
""",
        flush=True,
    )


def _answers(url: str) -> bool:
    try:
        with urllib.request.urlopen(url, timeout=2.0) as answer:
            return bool(answer.status == 200)
    except OSError:
        return False


def _collect(plant: Child, answers: queue.Queue[str]) -> None:
    """Lines of the plant into the queue, until it is gone."""
    with contextlib.suppress(ValueError):
        for line in plant.words:
            answers.put(line.rstrip("\n"))


def free_port(wish: int | None) -> int:
    """The port asked for, else the usual one, else any. Raises DemoFailed when the one asked for is taken."""
    for port in (USUAL_PORT, 0) if wish is None else (wish,):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return int(probe.getsockname()[1])
    raise DemoFailed(f"port {wish} is taken; name another with --port")
