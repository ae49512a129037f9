"""The pages over TLS: what a shop's network gets, and that nothing goes round it. Real program, real browser."""

from __future__ import annotations

import socket
import ssl
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Browser, expect

from agent.doctor import network, running
from agent.doctor.place import FAIL, OK, WARN, Place
from agent.site import check_site, load_site
from dashboards.__main__ import main
from dashboards.desk import Desk, Folders
from dashboards.people import hash_secret
from tests.dashboards import works as plant
from tests.dashboards.browsing import browser  # noqa: F401 - a fixture
from tests.dashboards.test_process import pages
from tests.dashboards.visitor import SECRETS, Visitor
from tests.dashboards.works import Works
from tests.io.test_mosquitto_files import authority, certificate

YEAR_S = 365 * 86_400
TLS = '\n[web]\ncertificate_file = "server.crt"\nkey_file = "server.key"\n'


@dataclass(frozen=True, slots=True)
class Served:
    address: str
    folder: Path
    said: Path

    def visitor(self) -> Visitor:
        found = Visitor(self.address)
        trusted = ssl.create_default_context(cafile=str(self.folder / "works.crt"))
        found.client = httpx.Client(base_url=self.address, timeout=20.0, verify=trusted)
        return found


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Works]:
    found = plant.build(tmp_path_factory.mktemp("tls") / "works", past_days=0.05)
    found.live()
    folder = found.folder
    authority(folder, "works")
    certificate(folder, "works", "localhost")
    desk = Desk(load_site(found.site_path), Folders(folder / "state", folder / "inbox", folder / "run"))
    desk.people.add("operator", "operator", hash_secret(SECRETS["operator"]), time.time())
    desk.close()
    yield found
    found.journal.close()


@pytest.fixture(scope="module")
def served(shop: Works) -> Iterator[Served]:
    with ExitStack() as running:
        with said_in(shop, TLS):
            _, address, said = running.enter_context(pages(shop, scheme="https"))
        yield Served(address.replace("127.0.0.1", "localhost"), shop.folder, said)


@contextmanager
def said_in(shop: Works, more: str) -> Iterator[None]:
    """More words in the site file, for a while."""
    before = shop.site_path.read_text()
    shop.site_path.write_text(before + more)
    try:
        yield
    finally:
        shop.site_path.write_text(before)


@pytest.mark.parametrize("path", ["/sign-in", "/", "/healthz", "/nothing", "/static/live.js"])
def test_every_answer_asks_for_a_year_of_tls(served: Served, path: str) -> None:
    told = served.visitor().get(path).headers["strict-transport-security"]
    assert int(told.removeprefix("max-age=")) >= YEAR_S


def test_cookies_are_of_this_host_and_of_tls_alone(served: Served) -> None:
    visitor = served.visitor()
    door = visitor.get("/sign-in").headers["set-cookie"]
    answer = visitor.send(visitor.form("/sign-in", "sign-in"), name="operator", secret=SECRETS["operator"])
    assert answer.status_code == 303 and visitor.get("/").status_code == 200
    for cookie in (door, answer.headers["set-cookie"]):
        parts = [part.strip() for part in cookie.split(";")]
        assert parts[0].startswith("__Host-sumpside_")
        assert {"Secure", "HttpOnly", "SameSite=strict", "Path=/"} <= set(parts)
        assert not [part for part in parts if part.lower().startswith("domain")]


def test_a_browser_signs_in_and_out_over_tls(browser: Browser, served: Served) -> None:  # noqa: F811 - a fixture
    context = browser.new_context(base_url=served.address, ignore_https_errors=True)
    page = context.new_page()
    page.goto("/sign-in")
    page.fill("#name", "operator")
    page.fill("#secret", SECRETS["operator"])
    page.click("form[data-testid=sign-in] button")
    expect(page.get_by_test_id("sign-out")).to_be_visible()
    names = {cookie["name"]: cookie["secure"] for cookie in context.cookies()}
    assert names.get("__Host-sumpside_session") is True
    page.get_by_test_id("sign-out").click()
    expect(page.get_by_test_id("sign-in")).to_be_visible()
    assert "__Host-sumpside_session" not in {cookie["name"] for cookie in context.cookies()}
    context.close()


def test_the_port_answers_no_plain_request(served: Served) -> None:
    port = int(served.address.rsplit(":", 1)[1])
    with pytest.raises(httpx.HTTPError):
        httpx.get(f"http://localhost:{port}/healthz", timeout=20.0)


@pytest.mark.filterwarnings("ignore:ssl.TLSVersion")
@pytest.mark.parametrize("newest", [ssl.TLSVersion.TLSv1_1, ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
def test_tls_older_than_1_2_is_refused(served: Served, newest: ssl.TLSVersion) -> None:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.load_verify_locations(served.folder / "works.crt")
    context.set_ciphers("ALL:@SECLEVEL=0")
    context.minimum_version, context.maximum_version = ssl.TLSVersion.TLSv1, newest
    port = int(served.address.rsplit(":", 1)[1])
    with socket.create_connection(("localhost", port), 20.0) as plain:
        if newest < ssl.TLSVersion.TLSv1_2:
            with pytest.raises((ssl.SSLError, ConnectionError)):
                context.wrap_socket(plain, server_hostname="localhost")
            return
        with context.wrap_socket(plain, server_hostname="localhost") as tls:
            assert tls.version() in ("TLSv1.2", "TLSv1.3") and "CBC" not in str(tls.cipher())


def refusal(shop: Works, capsys: pytest.CaptureFixture[str], *more: str) -> str:
    """What the program says when it does not start."""
    assert main([str(shop.site_path), *shop.dirs(), "--port", "0", *more]) == 1
    told = capsys.readouterr()
    assert told.out == ""
    return told.err


def test_without_a_certificate_the_pages_are_not_opened_to_others(
    shop: Works, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "web.certificate_file" in refusal(shop, capsys, "--host", "0.0.0.0")


@pytest.mark.parametrize(
    ("more", "key"),
    [
        ('host = "0.0.0.0"', "web.certificate_file"),
        ('host = "sumps.example"', "web.certificate_file"),
        ('certificate_file = "server.crt"', "web.certificate_file"),
        ('key_file = "server.key"', "web.key_file"),
        ('tls_proxy = "the other one"', "web.tls_proxy"),
        ('tls_proxy = "127.0.0.1"\ncertificate_file = "server.crt"\nkey_file = "server.key"', "web.tls_proxy"),
        ('tls_proxy = "127.0.0.1"\nbase_url = "http://sumps.example"', "web.base_url"),
        ('host = "::1"', None),
        ('host = "localhost"', None),
        ('host = "0.0.0.0"\ncertificate_file = "server.crt"\nkey_file = "server.key"', None),
        ('host = "0.0.0.0"\ntls_proxy = "10.0.0.5"\nbase_url = "https://sumps.example"', None),
    ],
)
def test_a_site_file_that_opens_the_pages_in_the_clear_is_at_fault(shop: Works, more: str, key: str | None) -> None:
    with said_in(shop, f"\n[web]\n{more}\n"):
        faults, _ = check_site(shop.site_path)
    assert [fault.split(": ")[1] for fault in faults] == ([key] if key else [])


def test_a_key_that_cannot_be_read_is_named(shop: Works, capsys: pytest.CaptureFixture[str]) -> None:
    with said_in(shop, TLS.replace("server.key", "none.key")):
        assert "web.key_file: No such file" in refusal(shop, capsys)


def test_behind_a_proxy_only_what_came_to_it_by_tls_is_answered(shop: Works) -> None:
    with said_in(shop, '\n[web]\ntls_proxy = "127.0.0.1"\n'), pages(shop) as (_, address, _said):
        assert httpx.get(f"{address}/sign-in").status_code == 403
        assert httpx.get(f"{address}/sign-in", headers={"X-Forwarded-Proto": "http"}).status_code == 403
        answer = httpx.get(f"{address}/sign-in", headers={"X-Forwarded-Proto": "https"})
        assert answer.status_code == 200 and answer.headers["set-cookie"].startswith("__Host-")
        assert int(answer.headers["strict-transport-security"].removeprefix("max-age=")) >= YEAR_S
    with said_in(shop, '\n[web]\ntls_proxy = "10.0.0.5"\n'), pages(shop) as (_, address, _said):
        assert httpx.get(f"{address}/sign-in", headers={"X-Forwarded-Proto": "https"}).status_code == 403


def test_nobody_can_give_another_address_as_theirs(served: Served) -> None:
    """Without a proxy in the site file, a caller's own word for its address is not taken: tries are slowed by it."""
    visitor = served.visitor()
    form = visitor.form("/sign-in", "sign-in")
    visitor.send(form, visitor.own | {"X-Forwarded-For": "10.9.8.7"}, name="nobody", secret="wrong")
    assert "wrong sign-in from 127.0.0.1" in served.said.read_text()


def test_the_doctor_finds_the_pages_by_their_own_certificate_and_sees_its_end(served: Served, shop: Works) -> None:
    port = served.address.rsplit(":", 1)[1]
    with said_in(shop, f"{TLS}port = {port}\n"):
        place = Place.of(shop.site_path)
    assert running.pages(place).state == OK
    found = network.certificates(place)
    assert found.state == WARN and found.text.startswith("the pages' certificate ends in")  # made for two days
    with said_in(shop, f"{TLS.replace('server.crt', 'other.crt')}port = {port}\n"):
        authority(shop.folder, "other")
        place = Place.of(shop.site_path)
    assert running.pages(place).state == FAIL
    assert "does not hold" in network.certificates(place).text
