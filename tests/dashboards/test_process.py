"""The program itself: how it starts, what it prints, how it tells systemd, how it ends."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from tests.dashboards import works as plant
from tests.dashboards.visitor import Visitor
from tests.dashboards.works import Works
from tests.services import DEADLINE_S, wait_until

ADDRESS = re.compile(r"https?://127\.0\.0\.1:\d+")
CODE = re.compile(r"[A-Z2-9]{5}-[A-Z2-9]{5}")


@pytest.fixture
def quiet_works(tmp_path: Path) -> Iterator[Works]:
    """A works with hardly any past: enough for a program to start on."""
    found = plant.build(tmp_path / "works", past_days=0.05)
    found.live()
    yield found
    found.journal.close()


@contextmanager
def pages(
    works: Works, scheme: str = "http", **environment: str
) -> Iterator[tuple[subprocess.Popen[bytes], str, Path]]:
    """The program, its address, and the file of what it says."""
    said = works.folder / "said.txt"
    command = [sys.executable, "-m", "dashboards", str(works.site_path), *works.dirs(), "--port", "0"]
    with said.open("wb") as out:
        child = subprocess.Popen(command, stdout=out, stderr=out, env=os.environ | environment)
    try:
        wait_until(lambda: child.poll() is not None or ADDRESS.search(said.read_text()), "the address of the pages")
        found = ADDRESS.search(said.read_text())
        assert found, said.read_text()
        assert found[0].startswith(f"{scheme}:")
        yield child, found[0], said
    finally:
        child.kill()
        child.wait(DEADLINE_S)


def test_at_first_start_a_one_time_code_is_printed_and_lets_the_first_person_in(quiet_works: Works) -> None:
    with pages(quiet_works) as (_, address, said):
        code = CODE.search(said.read_text())
        assert code
        visitor = Visitor(address)
        form = visitor.form("/set-up", "set-up")
        assert visitor.send(form, code=code[0], name="Maria", secret="slow-otter-17").status_code == 303
        assert "Maria" in visitor.get("/people").text
    with pages(quiet_works) as (_, address, said):
        assert not CODE.search(said.read_text().replace(address, ""))
        assert "Maria" in visitor_again(address, visitor).get("/people").text  # a restart signs nobody out


def visitor_again(address: str, before: Visitor) -> Visitor:
    visitor = Visitor(address)
    for name, value in before.client.cookies.items():
        visitor.client.cookies.set(name, value)
    return visitor


def test_secrets_and_cookies_are_not_in_what_the_program_says(quiet_works: Works) -> None:
    with pages(quiet_works) as (_, address, said):
        code = CODE.search(said.read_text())
        assert code
        visitor = Visitor(address)
        visitor.send(visitor.form("/set-up", "set-up"), code=code[0], name="Maria", secret="canary-secret-1")
        stranger = Visitor(address)
        stranger.send(stranger.form("/sign-in", "sign-in"), name="canary-name", secret="canary-secret-2")
        text = said.read_text()
        assert "canary" not in text
        for cookie in visitor.client.cookies.values():
            assert cookie not in text


def test_it_ends_at_once_on_sigterm_though_a_page_is_watching(quiet_works: Works) -> None:
    with pages(quiet_works) as (child, address, said):
        code = CODE.search(said.read_text())
        assert code
        visitor = Visitor(address)
        visitor.send(visitor.form("/set-up", "set-up"), code=code[0], name="Maria", secret="slow-otter-17")
        with visitor.client.stream("GET", "/live") as stream:
            lines = stream.iter_lines()
            while not next(lines).startswith("data:"):
                continue
            child.send_signal(signal.SIGTERM)
            assert child.wait(DEADLINE_S) in (0, -signal.SIGTERM)
        assert "Traceback" not in said.read_text()


def test_systemd_is_told_when_it_is_ready_that_it_lives_and_that_it_ends(quiet_works: Works, tmp_path: Path) -> None:
    path = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(path)
        systemd.settimeout(DEADLINE_S)
        heard: list[str] = []

        def hears(word: str) -> bool:
            while not any(word in text for text in heard):
                heard.append(systemd.recv(4096).decode())
            return True

        with pages(quiet_works, NOTIFY_SOCKET=path, WATCHDOG_USEC="3000000") as (child, address, _):
            assert hears("READY=1")
            assert httpx.get(f"{address}/healthz").status_code == 200
            heard.clear()
            assert hears("WATCHDOG=1")
            child.send_signal(signal.SIGTERM)
            assert hears("STOPPING=1")


def test_people_can_be_listed_from_the_command_line(quiet_works: Works) -> None:
    def add(name: str, role: str, secret: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "dashboards", str(quiet_works.site_path), *quiet_works.dirs()]
        return subprocess.run(
            [*command, "--add-person", name, role], input=f"{secret}\n", text=True, capture_output=True, timeout=60
        )

    assert add("Petra", "operator", "83520417").returncode == 0
    refused = add("Petra", "operator", "83520417")
    assert refused.returncode == 1 and "already" in refused.stderr and "83520417" not in refused.stderr
    assert add("Josef", "chief", "grey-heron-41").returncode == 1
    with pages(quiet_works) as (_, address, said):
        assert not CODE.search(said.read_text().replace(address, ""))
        visitor = Visitor(address)
        form = visitor.form("/sign-in", "sign-in")
        assert visitor.send(form, name="Petra", secret="83520417").status_code == 303


def test_a_faulty_site_file_is_said_line_by_line(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    site.write_text("[site]\nname = 7\n")
    command = [sys.executable, "-m", "dashboards", str(site), "--inbox-dir", str(tmp_path / "inbox")]
    ended = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert ended.returncode == 1 and ended.stdout == ""
    assert str(site) in ended.stderr and "site.name" in ended.stderr and "Traceback" not in ended.stderr
    assert not (tmp_path / "inbox").exists()


def test_a_port_that_is_taken_ends_it_with_a_word(quiet_works: Works) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        command = [sys.executable, "-m", "dashboards", str(quiet_works.site_path), *quiet_works.dirs()]
        ended = subprocess.run(
            [*command, "--port", str(other.getsockname()[1])], capture_output=True, text=True, timeout=60
        )
    assert ended.returncode != 0 and "address already in use" in ended.stderr and "Traceback" not in ended.stderr
