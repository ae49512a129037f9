"""Real servers for tests, on free loopback ports, and what breaks the way to them.

Session-wide `mosquitto_broker` and `timeseries_store` are for tests that only use them; a test that stops, kills or
configures one makes its own from the class. Every wait is on a condition, with a deadline.
"""

from __future__ import annotations

import atexit
import gzip
import http.client
import json
import select
import shutil
import socket
import subprocess
import threading
import time
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Self

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

DEADLINE_S = 20.0  # generous: two shared cores; a wait ends as soon as its condition holds
TURN_S = 0.02


def wait_until(condition: Callable[[], Any], what: str, deadline_s: float = DEADLINE_S) -> Any:
    """The first true value of `condition`; fails the test, saying what did not come, after the deadline."""
    end = time.monotonic() + deadline_s
    while True:
        found = condition()
        if found:
            return found
        if time.monotonic() > end:
            pytest.fail(f"not within {deadline_s:g} s: {what}")
        time.sleep(TURN_S)


def free_port() -> int:
    """A loopback port that nobody listens on at the moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def is_listening(port: int) -> bool:
    """Whether somebody accepts connections there."""
    with suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1):
        return True
    return False


class Server:
    """A server program in a folder of its own; stopped and started on the same port and data."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = free_port()
        self._process: subprocess.Popen[bytes] | None = None
        folder.mkdir(parents=True, exist_ok=True)

    def command(self) -> list[str]:
        """What to run."""
        raise NotImplementedError

    def is_ready(self) -> bool:
        """Whether it answers."""
        return is_listening(self.port)

    def start(self) -> Self:
        """Start and wait until it answers."""
        command = self.command()
        atexit.register(self.kill)  # where a fixture failed before it could say how to stop
        with (self.folder / "log").open("ab") as log:
            self._process = subprocess.Popen(command, stdout=log, stderr=log, cwd=self.folder)
        wait_until(lambda: self._ended() or self.is_ready(), f"{command[0]} to answer")
        if self._ended():
            pytest.fail(f"{command[0]} ended: {(self.folder / 'log').read_text()[-2000:]}")
        return self

    def stop(self) -> None:
        """End it in good order."""
        if self._process is not None:
            self._process.terminate()
            self._reap()
        atexit.unregister(self.kill)

    def kill(self) -> None:
        """End it as a power cut would end it for us."""
        if self._process is not None:
            self._process.kill()
            self._reap()

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _ended(self) -> bool:
        return self._process is None or self._process.poll() is not None

    def _reap(self) -> None:
        assert self._process is not None
        try:
            self._process.wait(DEADLINE_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._process = None


# -- MQTT ---------------------------------------------------------------------------------------------------------


class Mosquitto(Server):
    """A mosquitto. `lines` are added to its configuration; `users` (name → password) switch anonymous access off."""

    host = "127.0.0.1"

    def __init__(self, folder: Path, lines: tuple[str, ...] = (), users: dict[str, str] | None = None) -> None:
        super().__init__(folder)
        self.users = users or {}
        self._lines = lines

    def command(self) -> list[str]:
        """Writes the configuration, too: call it before the program runs, not beside it."""
        access = ["allow_anonymous true"]
        if self.users:
            access = ["allow_anonymous false", f"password_file {self._passwords()}"]
        config = self.folder / "mosquitto.conf"
        config.write_text("\n".join([f"listener {self.port} {self.host}", "user root", *access, *self._lines, ""]))
        return [_program("mosquitto"), "-c", str(config)]

    def _passwords(self) -> Path:
        path = self.folder / "passwords"
        path.unlink(missing_ok=True)
        path.touch()
        for name, password in self.users.items():
            subprocess.run([_program("mosquitto_passwd"), "-b", str(path), name, password], check=True)
        return path


@dataclass(frozen=True, slots=True)
class Heard:
    """One message as a subscriber got it."""

    topic: str
    payload: bytes
    retained: bool

    def body(self) -> Any:
        """Its JSON."""
        return json.loads(self.payload)


class Listener:
    """A subscriber that keeps everything it hears, in order, across restarts of the broker."""

    def __init__(self, port: int, pattern: str = "#", user: str | None = None, password: str | None = None) -> None:
        self.heard: list[Heard] = []
        self._pattern = pattern
        self._subscribed = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.on_message = self._on_message
        self._client.on_disconnect = lambda *_: self._subscribed.clear()
        if user is not None:
            self._client.username_pw_set(user, password)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self.wait_for_subscription()

    def wait_for_subscription(self) -> None:
        """Until what is published from now on will be heard."""
        if not self._subscribed.wait(DEADLINE_S):
            pytest.fail("the broker does not take a subscription")

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def on(self, topic: str) -> list[Heard]:
        """What came on one topic so far."""
        return [heard for heard in list(self.heard) if heard.topic == topic]

    def wait_for(self, topic: str, condition: Callable[[Heard], Any] = lambda heard: True) -> Heard:
        """The first message on a topic that fulfils a condition."""
        found: Heard = wait_until(lambda: next(filter(condition, self.on(topic)), None), f"a message on {topic}")
        return found

    def _on_connect(self, client: paho.Client, *_: Any) -> None:
        client.subscribe(self._pattern, qos=1)

    def _on_message(self, _client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        self.heard.append(Heard(message.topic, message.payload, bool(message.retain)))


# -- time series ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Series:
    """One series as the store exports it: labels, and (epoch ms, value) in order of time."""

    labels: dict[str, str]
    points: list[tuple[int, float]]


class VictoriaMetrics(Server):
    """A time-series store with line protocol in, and an export to read back what it really holds."""

    @property
    def url(self) -> str:
        """Its base address."""
        return f"http://127.0.0.1:{self.port}"

    def command(self) -> list[str]:
        """With points that are sent again counted once, and old points kept."""
        return [
            _program("victoria-metrics"),
            f"-storageDataPath={self.folder / 'data'}",
            f"-httpListenAddr=127.0.0.1:{self.port}",
            "-dedup.minScrapeInterval=1ms",
            "-retentionPeriod=100y",
            "-memory.allowedBytes=256MB",
        ]

    def is_ready(self) -> bool:
        """Whether it says so itself."""
        with suppress(OSError, http.client.HTTPException):
            return self._get("/health") == b"OK"
        return False

    def series(self, match: str) -> list[Series]:
        """All series of a selector such as `{sump="mill-1"}` or `sump_level_raw`, read back from the store."""
        self._get("/internal/force_flush")
        query = urllib.parse.urlencode({"match[]": match, "reduce_mem_usage": "0"})
        rows = [json.loads(line) for line in self._get(f"/api/v1/export?{query}").splitlines()]
        found: dict[tuple[tuple[str, str], ...], dict[int, float]] = {}
        for row in rows:  # one series may come in several parts
            points = dict(zip(row["timestamps"], row["values"], strict=True))
            found.setdefault(tuple(sorted(row["metric"].items())), {}).update(points)
        return [Series(dict(labels), sorted(points.items())) for labels, points in found.items()]

    def counted(self, match: str, until_s: float) -> int:
        """Points of the hour before, as a query of the store counts them: one sent twice must not count twice."""
        self._get("/internal/force_flush")
        asked = {"query": f"count_over_time({match}[1h])", "time": f"{until_s:.0f}", "nocache": "1"}
        found = json.loads(self._get(f"/api/v1/query?{urllib.parse.urlencode(asked)}"))["data"]["result"]
        return sum(int(series["value"][1]) for series in found)

    def points(self, match: str) -> list[tuple[int, float]]:
        """(epoch ms, value) of all series of a selector, in order of time."""
        return sorted(point for series in self.series(match) for point in series.points)

    def _get(self, path: str) -> bytes:
        with urllib.request.urlopen(self.url + path, timeout=10) as answer:
            return bytes(answer.read())


# -- what breaks ----------------------------------------------------------------------------------------------------


class Cable:
    """A TCP way to a port that can be cut, plugged in again, or made deaf in the direction of the answers."""

    def __init__(self, to_port: int) -> None:
        self.port = free_port()
        self._to_port = to_port
        self._answers = threading.Event()
        self._answers.set()
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self._listening: socket.socket | None = None
        self.plug_in()

    def plug_in(self) -> None:
        """Accept connections, and let answers pass."""
        self._answers.set()
        if self._listening is None:
            self._listening = socket.create_server(("127.0.0.1", self.port))
            threading.Thread(target=self._accept, args=(self._listening,), daemon=True).start()

    def cut(self) -> None:
        """Break all connections and refuse new ones."""
        listening, self._listening = self._listening, None
        if listening is not None:
            _close(listening)
        self.break_connections()

    def break_connections(self) -> None:
        """Break what is connected; new connections are taken."""
        pairs, self._pairs = self._pairs, []
        for sock in (sock for pair in pairs for sock in pair):
            _close(sock)

    def hold_answers(self) -> None:
        """What is sent arrives; nothing comes back, until `plug_in`."""
        self._answers.clear()

    def _accept(self, listening: socket.socket) -> None:
        with suppress(OSError):
            while True:
                near, _ = listening.accept()
                threading.Thread(target=self._carry, args=(near,), daemon=True).start()

    def _carry(self, near: socket.socket) -> None:
        try:
            far = socket.create_connection(("127.0.0.1", self._to_port), timeout=5)
        except OSError:
            _close(near)
            return
        self._pairs.append((near, far))
        with suppress(OSError, ValueError):
            while self._listening is not None:
                ready, _, _ = select.select([near, far] if self._answers.is_set() else [near], [], [], TURN_S)
                for sock in ready:
                    data = sock.recv(65536)
                    if not data:
                        raise OSError("closed")
                    (far if sock is near else near).sendall(data)
        _close(near)
        _close(far)


@dataclass(frozen=True, slots=True)
class Request:
    """What came to the door: the body as it was before compression."""

    method: str
    path: str
    body: bytes
    headers: dict[str, str]


@dataclass(slots=True)
class Door:
    """An HTTP way to a port that keeps the requests passed on, in order, and may answer some by itself.

    `rule(request)` returns None to pass on, or (status, words) to answer instead.
    """

    to_port: int
    rule: Callable[[Request], tuple[int, str] | None] = lambda request: None
    passed: list[Request] = field(default_factory=list)
    stopped: list[Request] = field(default_factory=list)
    port: int = 0
    _server: ThreadingHTTPServer | None = None

    def __enter__(self) -> Self:
        door = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def log_message(self, *_: Any) -> None:
                """Tests read `passed` and `stopped`."""

            def do_GET(self) -> None:
                door._serve(self)

            do_POST = do_GET

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.port = int(self._server.server_address[1])
        threading.Thread(target=self._server.serve_forever, args=(TURN_S,), daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        assert self._server is not None
        self._server.shutdown()
        self._server.server_close()

    def _serve(self, handler: BaseHTTPRequestHandler) -> None:
        sent = handler.rfile.read(int(handler.headers.get("Content-Length", 0)))
        plain = gzip.decompress(sent) if handler.headers.get("Content-Encoding") == "gzip" else sent
        request = Request(handler.command, handler.path, plain, dict(handler.headers))
        answer = self.rule(request)
        if answer is not None:
            self.stopped.append(request)
            _answer(handler, answer[0], answer[1].encode())
            return
        try:
            status, body = self._pass_on(request, sent)
        except (OSError, http.client.HTTPException):
            handler.close_connection = True  # as the store behind is away
            return
        if status < 300:
            self.passed.append(request)
        _answer(handler, status, body)

    def _pass_on(self, request: Request, sent: bytes) -> tuple[int, bytes]:
        away = http.client.HTTPConnection("127.0.0.1", self.to_port, timeout=10)
        try:
            kept = {k: v for k, v in request.headers.items() if k.lower() not in ("host", "accept-encoding")}
            away.request(request.method, request.path, sent or None, kept)
            answer = away.getresponse()
            return answer.status, answer.read()
        finally:
            away.close()


def _answer(handler: BaseHTTPRequestHandler, status: int, body: bytes) -> None:
    with suppress(OSError):
        handler.send_response(status)
        if status != 204:
            handler.send_header("Content-Length", str(len(body)))
        handler.end_headers()
        handler.wfile.write(body if status != 204 else b"")


def _close(sock: socket.socket) -> None:
    with suppress(OSError):
        sock.shutdown(socket.SHUT_RDWR)
    sock.close()


def _program(name: str) -> str:
    found = shutil.which(name, path="/usr/sbin:/usr/bin:/usr/local/bin")
    if found is None:
        pytest.fail(f"{name} is not installed: run .ci/setup test")
    return found


# -- fixtures: import them into a conftest.py ------------------------------------------------------------------------


@pytest.fixture(scope="session")
def mosquitto_broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    """A broker that takes everybody. Use topics of your own."""
    with Mosquitto(tmp_path_factory.mktemp("mosquitto")) as broker:
        yield broker


@pytest.fixture(scope="session")
def timeseries_store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[VictoriaMetrics]:
    """A store that takes everything. Use a site name of your own as a tag."""
    with VictoriaMetrics(tmp_path_factory.mktemp("timeseries")) as store:
        yield store


@contextmanager
def stopping(sink: Any, deadline_s: float = 5.0) -> Iterator[Any]:
    """Start a sink; stop it at the end."""
    sink.start()
    try:
        yield sink
    finally:
        sink.stop(deadline_s)
