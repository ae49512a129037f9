"""The broker's files that come with Sumpside, in a real mosquitto: encrypted, named users, each in its own tree."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.errors import NetworkError
from agent.io.mqtt_link import Address, Link, check
from agent.io.sink import CredentialsError
from tests.services import Mosquitto, is_listening

FILES = Path(__file__).resolve().parents[2] / "systemd"


def openssl(*arguments: str, folder: Path) -> None:
    subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)


def authority(folder: Path, name: str) -> Path:
    """A certificate authority of the test's own."""
    folder.mkdir(exist_ok=True)
    key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-keyout", f"{name}.key")
    openssl("req", "-x509", *key, "-out", f"{name}.crt", "-days", "2", "-subj", f"/CN={name}", folder=folder)
    return folder / f"{name}.crt"


def certificate(folder: Path, ca: str, host: str) -> None:
    """For a broker at `host`: server.crt and server.key."""
    key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-keyout", "server.key")
    openssl("req", *key, "-out", "server.csr", "-subj", f"/CN={host}", folder=folder)
    (folder / "names").write_text(f"subjectAltName=DNS:{host}\n")
    signed = ("-CA", f"{ca}.crt", "-CAkey", f"{ca}.key", "-CAcreateserial", "-days", "2", "-extfile", "names")
    openssl("x509", "-req", "-in", "server.csr", "-out", "server.crt", *signed, folder=folder)


class ShippedMosquitto(Mosquitto):
    """Runs the shipped configuration with paths and port of the test's own; every line of it must be found there."""

    host = "localhost"

    def command(self) -> list[str]:
        text = (FILES / "mosquitto-sumpside.conf").read_text()
        for theirs, ours in (
            ("/etc/mosquitto/sumpside.passwd", str(self._passwords())),
            ("/etc/mosquitto/sumpside.acl", str(FILES / "mosquitto-sumpside.acl")),
            ("/etc/mosquitto/certs/sumpside.crt", "server.crt"),
            ("/etc/mosquitto/certs/sumpside.key", "server.key"),
            ("listener 8883", f"listener {self.port} {self.host}"),
        ):
            assert theirs in text
            text = text.replace(theirs, ours)
        (self.folder / "mosquitto.conf").write_text(text + "user root\n")
        return ["/usr/sbin/mosquitto", "-c", "mosquitto.conf"]

    def is_ready(self) -> bool:
        return is_listening(self.port)

    def link(self, user: str | None = "harrow-lane", password: str = "right", ca: str = "works") -> Link:
        """Connect as an agent would."""
        secret = self.folder / "secret"
        secret.write_text(password)
        ca_file = self.folder / f"{ca}.crt"
        address = Address("localhost", self.port, f"sumpside-{user}", 30, user, secret, tls=True, ca_file=ca_file)
        return Link(address, f"sumpside/{user}/agent", b"offline")


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ShippedMosquitto]:
    folder = tmp_path_factory.mktemp("shipped")
    users = {"harrow-lane": "right", "mill-street": "other", "sumpside-reader": "reads"}
    server = ShippedMosquitto(folder, users=users)
    authority(folder, "works")
    authority(folder, "stranger")
    certificate(folder, "works", "localhost")
    with server:
        yield server


def refusal(link: Link, topic: str) -> str | None:
    """What the broker says to a publication, None where it takes it."""
    mid = link.publish(topic, b"1")
    link.wait_for({mid})
    reason = link.refused.pop(mid, None)
    return None if reason is None else str(reason)


def test_an_agent_publishes_in_its_own_tree_and_in_no_other(broker: ShippedMosquitto) -> None:
    link = broker.link()
    assert refusal(link, "sumpside/harrow-lane/mill-2/past") is None
    assert refusal(link, "sumpside/mill-street/mill-2/past") == "Not authorized"
    assert refusal(link, "sumpside/harrow-lane-2/mill-2/past") == "Not authorized"
    assert refusal(link, "elsewhere") == "Not authorized"
    assert link.max_packet_bytes == 262_144
    link.leave()


def test_a_reader_writes_nothing_of_ours(broker: ShippedMosquitto) -> None:
    link = broker.link("sumpside-reader", "reads")
    assert refusal(link, "sumpside/harrow-lane/mill-2/past") == "Not authorized"
    link.leave()


@pytest.mark.parametrize(("user", "password"), [("harrow-lane", "wrong"), ("nobody", "right"), (None, "right")])
def test_nobody_comes_in_without_a_name_and_its_password(
    broker: ShippedMosquitto, user: str | None, password: str
) -> None:
    with pytest.raises(CredentialsError, match="Not authorized|Bad user name or password"):
        broker.link(user, password)


def test_a_broker_with_a_stranger_s_certificate_gets_no_password(broker: ShippedMosquitto) -> None:
    with pytest.raises(NetworkError, match="TLS with localhost: CERTIFICATE_VERIFY_FAILED"):
        broker.link(ca="stranger")


def test_a_certificate_for_another_host_gets_no_password(broker: ShippedMosquitto) -> None:
    address = Address("127.0.0.1", broker.port, "x", 30, tls=True, ca_file=broker.folder / "works.crt")
    with pytest.raises(NetworkError, match="TLS with 127.0.0.1"):
        Link(address, "sumpside/x/agent", b"offline")


def test_a_ca_file_that_is_missing_is_said(broker: ShippedMosquitto) -> None:
    with pytest.raises(CredentialsError, match="CA file"):
        broker.link(ca="none")


def test_reasons_are_told_apart() -> None:
    from paho.mqtt.packettypes import PacketTypes
    from paho.mqtt.reasoncodes import ReasonCode

    check(ReasonCode(PacketTypes.PUBACK, "No matching subscribers"), "x")
    with pytest.raises(CredentialsError):
        check(ReasonCode(PacketTypes.PUBACK, "Not authorized"), "x")
    with pytest.raises(NetworkError, match="the broker refuses x: Quota exceeded"):
        check(ReasonCode(PacketTypes.PUBACK, "Quota exceeded"), "x")
