"""Secrets are used and never told: not in a log, a live file, a journal or an error."""

from __future__ import annotations

import ssl
from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.io.mqtt_link import tls_context
from agent.io.sink import CredentialsError
from agent.io.timeseries import _token
from tests.faults.harness import Transmitter, Works
from tests.faults.proxy import FaultProxy
from tests.services import Mosquitto

CANARIES = {"password": "canary-of-the-broker-4711", "token": "canary-of-the-store-4712"}


@pytest.fixture
def works(tmp_path: Path) -> Iterator[Works]:
    """An agent with a password that the broker refuses and a token that the store refuses."""
    for name, secret in CANARIES.items():
        (tmp_path / name).write_text(secret + "\n")
    broker = Mosquitto(tmp_path / "broker", users={"harrow-lane": "another"}).start()
    door = FaultProxy(broker.port)
    door.play("401")
    mqtt = f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\nuser = "harrow-lane"\n'
    mqtt += f'password_file = "{tmp_path}/password"\n'
    store = f'[timeseries]\nurl = "http://127.0.0.1:{door.port}"\nbucket = "sumps"\ntoken_file = "{tmp_path}/token"\n'
    (tmp_path / "works").mkdir()
    opened = Works(tmp_path / "works", more=mqtt + store)
    yield opened
    opened.end()
    door.close()
    broker.stop()


def test_refused_credentials_are_said_nothing_is_lost_and_no_secret_is_told(works: Works) -> None:
    works.start()
    sender = Transmitter(works.plugs["mill-1"])
    sender.start()

    def said() -> bool:
        sinks = works.live()["agent"]["sinks"]
        return all("credentials" in sinks[name]["text"] for name in ("mqtt", "timeseries"))

    works.wait(said, "both refusals to be said", 60.0)
    works.wait(lambda: len(works.numbers()) > 20, "the journal to go on")
    assert works.live()["agent"]["sinks"]["mqtt"]["behind_rows"] > 0
    sender.end()
    assert works.terminate(within_s=30.0) == 0
    numbers = works.numbers()
    assert numbers == list(range(numbers[0], numbers[-1] + 1))
    for path in works.folder.rglob("*"):
        if path.is_file():
            data = path.read_bytes()
            assert not [name for name, secret in CANARIES.items() if secret.encode() in data], path


def test_the_canaries_would_be_found(tmp_path: Path) -> None:
    """The test of the test: the secrets are what the agent reads."""
    (tmp_path / "token").write_text(CANARIES["token"] + "\n")
    assert _token(tmp_path / "token") == CANARIES["token"]


def test_a_secret_that_cannot_be_read_is_named_by_its_file_alone(tmp_path: Path) -> None:
    (tmp_path / "token").write_bytes(b"\xff\xfe canary")
    with pytest.raises(CredentialsError) as refused:
        _token(tmp_path / "token")
    assert "canary" not in str(refused.value) and str(tmp_path / "token") in str(refused.value)


def test_what_goes_out_speaks_tls_1_2_or_newer_and_checks_names() -> None:
    context = tls_context(None)
    assert context.minimum_version >= ssl.TLSVersion.TLSv1_2
    assert context.check_hostname
    assert context.verify_mode == ssl.CERT_REQUIRED
