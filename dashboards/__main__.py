"""`python -m dashboards SITE.toml`: the web pages of one site, a process of its own beside the agent."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import ctypes
import getpass
import logging
import os
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import uvicorn
from starlette.applications import Starlette

from agent.errors import SiteFault
from agent.io.systemd import notify
from agent.site import Site, load_site
from dashboards.app import make_app
from dashboards.desk import Desk, Folders
from dashboards.live_stream import LiveStream
from dashboards.people import ROLES, NotAccepted, check_secret, hash_secret

M_MMAP_THRESHOLD = -3  # mallopt(3): blocks from this size on are mapped, and unmapped when freed
GOODBYE_S = 3  # open pages are let go of within this
MOST_REQUESTS = 200  # at once; more are told to come back
MAKES_ONE = "name it with key_file (systemd/install makes them)"
# TLS 1.3 has its own; of 1.2 those with a key of each connection's own and authenticated encryption.
CIPHERS = "ECDHE+AESGCM:ECDHE+CHACHA20"
FEEDS_A_WATCHDOG = 3.0  # the watchdog is fed so many times in its time


def main(argv: Sequence[str] | None = None) -> int:
    args = _parser().parse_args(argv)
    _give_memory_back()
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s", stream=sys.stderr)
    try:
        site = load_site(args.site)
    except SiteFault as fault:
        print(fault, file=sys.stderr)
        return 1
    host = args.host or site.web.host
    if site.web.left_open(host):
        print(
            f"{args.site}: web.certificate_file: is missing, and {host} is open to others; {MAKES_ONE}", file=sys.stderr
        )
        return 1
    desk = Desk(site, _folders(site, args))
    try:
        return _add_person(desk, *args.add_person) if args.add_person else _serve(desk, site, args)
    finally:
        desk.close()


def _give_memory_back() -> None:
    """Lets glibc return argon2's 19 MiB to the system: it would keep them once the first such block was freed."""
    with contextlib.suppress(AttributeError, OSError):  # another C library does as it likes
        ctypes.CDLL(None).mallopt(M_MMAP_THRESHOLD, 1 << 20)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser("dashboards", description="The web pages of one site.")
    parser.add_argument("site", type=Path, metavar="SITE.toml")
    for name, what in (("state", "the journal"), ("inbox", "what people say"), ("runtime", "the live file")):
        parser.add_argument(f"--{name}-dir", type=Path, help=f"folder of {what} (default: the site file's)")
    parser.add_argument("--host", help="address to listen on (default: the site file's)")
    parser.add_argument("--port", type=int, help="0 takes a free one (default: the site file's)")
    parser.add_argument(
        "--add-person", nargs=2, metavar=("NAME", "ROLE"),
        help=f"list a person ({', '.join(ROLES)}), its PIN or password read from standard input, and end",
    )  # fmt: skip
    return parser


def _folders(site: Site, args: argparse.Namespace) -> Folders:
    kept = site.agent
    return Folders(
        args.state_dir or site.resolve(kept.state_dir),
        args.inbox_dir or site.resolve(kept.inbox_dir),
        args.runtime_dir or site.resolve(kept.runtime_dir),
    )


def _add_person(desk: Desk, name: str, role: str) -> int:
    asked = getpass.getpass("PIN or password: ") if sys.stdin.isatty() else sys.stdin.readline().rstrip("\n")
    try:
        check_secret(role, asked, (name, desk.site.name))
        desk.people.add(name, role, hash_secret(asked), time.time())
    except NotAccepted as why:
        print(why, file=sys.stderr)
        return 1
    print(f"{name} may sign in as {role}.")
    return 0


def _serve(desk: Desk, site: Site, args: argparse.Namespace) -> int:
    app = make_app(desk, _beat)
    config = uvicorn.Config(
        app, host=args.host or site.web.host, port=site.web.port if args.port is None else args.port,
        log_level="warning", access_log=False, server_header=False, timeout_graceful_shutdown=GOODBYE_S,
        limit_concurrency=MOST_REQUESTS, lifespan="on", ws="none", proxy_headers=site.web.tls_proxy is not None,
        forwarded_allow_ips=site.web.tls_proxy or "", **_certificate(site),
    )  # fmt: skip
    try:
        config.load()
    except OSError as why:
        print(f"{args.site}: web.certificate_file, web.key_file: {why.strerror or why}", file=sys.stderr)
        return 1
    server = Server(config, desk, app)
    server.run()
    return 0 if server.started else 1


def _certificate(site: Site) -> dict[str, Any]:
    web = site.web
    if web.certificate_file is None or web.key_file is None:
        return {}
    files = {"ssl_certfile": site.resolve(web.certificate_file), "ssl_keyfile": site.resolve(web.key_file)}
    return {**files, "ssl_ciphers": CIPHERS}


class Server(uvicorn.Server):
    """Says where it listens once it does, and lets go of open live streams when it is told to end."""

    def __init__(self, config: uvicorn.Config, desk: Desk, app: Starlette) -> None:
        super().__init__(config)
        self.desk = desk
        self.app = app

    async def startup(self, sockets: list | None = None) -> None:  # type: ignore[type-arg]
        await super().startup(sockets)
        if not self.started:
            return
        address, port = self.servers[0].sockets[0].getsockname()[:2]
        scheme = "https" if self.config.is_ssl else "http"
        print(f"Sumpside is at {scheme}://{f'[{address}]' if ':' in address else address}:{port}/", flush=True)
        if self.desk.code:
            print(f"Nobody may sign in yet. The one-time code of the first person: {self.desk.code}", flush=True)
        notify("READY=1", f"STATUS=listening on {address} port {port}")

    async def shutdown(self, sockets: list | None = None) -> None:  # type: ignore[type-arg]
        notify("STOPPING=1")
        self.app.state.stream.stopping.set()  # open streams would be waited for otherwise
        await super().shutdown(sockets)


async def _beat(stream: LiveStream) -> None:
    """Feeds systemd's watchdog for as long as the looks at the files go on."""
    period_s = float(os.environ.get("WATCHDOG_USEC", 30e6)) / 1e6 / FEEDS_A_WATCHDOG
    fed_at = -1
    while not stream.stopping.is_set():
        if stream.turns != fed_at:
            fed_at = stream.turns
            notify("WATCHDOG=1")
        try:
            await asyncio.wait_for(stream.stopping.wait(), period_s)
        except TimeoutError:
            continue


if __name__ == "__main__":
    sys.exit(main())
