"""Every check is content with a shop that is well, and is seen to complain of one that is not."""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from agent.doctor import machine
from agent.doctor.checks import CHECKS
from agent.doctor.examine import as_json, as_text, examine
from agent.doctor.place import FAIL, OK, SKIP, WARN, Verdict
from tests.io.test_mosquitto_files import ShippedMosquitto, authority, certificate
from tests.services import Door, Mosquitto, VictoriaMetrics, free_port
from tests.upkeep.shop import call
from tests.upkeep.situations import SITUATIONS, Bench, mounted

BY_SERVERS = {"broker", "store", "store_doubles", "certificates"}
BY_ROOT = {"space", "inodes", "writable"}
ELSEWHERE = {"pages", "alerts"}  # well only where pages run, where alerts are sent
needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root may mount")


@pytest.fixture
def bench(shop: Path, tmp_path: Path) -> Bench:
    return Bench.of(shop, tmp_path / "machine")


def look(bench: Bench, check: str) -> Verdict:
    return examine(bench.place(), [check])[0].verdict


@pytest.mark.parametrize("check", sorted(set(CHECKS) - BY_SERVERS - ELSEWHERE))
def test_it_is_content_with_a_shop_that_is_well(bench: Bench, check: str) -> None:
    found = look(bench, check)
    assert found.state in ((OK, WARN) if check in BY_ROOT else (OK,)), found


@pytest.mark.parametrize(
    ("check", "state", "arrange"), SITUATIONS, ids=[f"{c}-{s}-{n}" for n, (c, s, _) in enumerate(SITUATIONS)]
)
def test_it_complains_and_says_what_to_do(
    bench: Bench, check: str, state: str, arrange: Callable[[Bench], None]
) -> None:
    arrange(bench)
    found = look(bench, check)
    assert found.state == state and found.text and found.todo, found


def test_no_check_is_without_a_situation_in_which_it_complains() -> None:
    assert {check for check, _, _ in SITUATIONS} | BY_SERVERS | BY_ROOT | {"python"} == set(CHECKS)
    assert len(CHECKS) >= 20


def test_an_old_python_is_found(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(machine, "OLDEST_PYTHON", (4, 0))
    assert look(bench, "python").state == FAIL


# ── the card ─────────────────────────────────────────────────────────────────────────────────────────────────────────


@contextmanager
def full(folder: Path, *options: str) -> Iterator[None]:
    mounted(folder, *options)
    try:
        yield
    finally:
        subprocess.run(["umount", str(folder)], check=True)


@needs_root
@pytest.mark.parametrize(
    ("check", "options", "state"),
    [
        ("space", ("size=4m",), FAIL),
        ("space", ("size=400m",), WARN),
        ("inodes", ("nr_inodes=40",), FAIL),
        ("writable", ("ro",), FAIL),
    ],
)
def test_a_card_that_is_full_or_read_only_is_found(
    bench: Bench, check: str, options: tuple[str, ...], state: str
) -> None:
    with full(bench.shop / "state", *options):
        assert look(bench, check).state == state


# ── broker and store ─────────────────────────────────────────────────────────────────────────────────────────────────


def use_broker(bench: Bench, port: int, password: str = "right", more: str = "") -> None:
    (bench.shop / "secret").write_text(password)
    (bench.shop / "secret").chmod(0o600)
    told = f'[mqtt]\nhost = "localhost"\nport = {port}\nuser = "harrow-lane-gearworks"\npassword_file = "secret"\n'
    bench.site(told + more)


def use_store(bench: Bench, url: str, more: str = "") -> None:
    bench.site(f'[timeseries]\nurl = "{url}"\nbucket = "sumps"\n{more}')


def test_a_broker_that_is_away_refuses_us_or_our_topic_is_found(bench: Bench, tmp_path: Path) -> None:
    use_broker(bench, free_port())
    assert look(bench, "broker").state == FAIL
    access = tmp_path / "acl"
    access.write_text("pattern write sumpside/%u/#\n")
    users = {"harrow-lane-gearworks": "right"}
    with Mosquitto(tmp_path / "broker", (f"acl_file {access}",), users) as broker:
        use_broker(bench, broker.port)
        assert look(bench, "broker").state == OK
        use_broker(bench, broker.port, "wrong")
        refused = look(bench, "broker")
        assert refused.state == FAIL and "refuses the connection" in refused.text
        use_broker(bench, broker.port)
        (bench.shop / "site.toml").write_text(
            (bench.shop / "site.toml").read_text().replace("[site]\n", '[site]\nid = "elsewhere"\n')
        )
        refused = look(bench, "broker")
        assert refused.state == FAIL and "sumpside/elsewhere/doctor" in refused.text


def test_certificates_that_end_or_do_not_hold_are_found(bench: Bench, tmp_path: Path) -> None:
    server = ShippedMosquitto(tmp_path / "shipped", users={"harrow-lane-gearworks": "right"})
    authority(server.folder, "works")
    authority(server.folder, "stranger")
    certificate(server.folder, "works", "localhost")
    with server:
        use_broker(bench, server.port, more=f'tls = true\nca_file = "{server.folder}/works.crt"\n')
        assert look(bench, "broker").state == OK
        assert look(bench, "certificates").state == WARN  # made for two days
        bench.now += 3 * 86_400.0
        assert "ended" in look(bench, "certificates").text
        use_broker(bench, server.port, more=f'tls = true\nca_file = "{server.folder}/stranger.crt"\n')
        assert "does not hold" in look(bench, "certificates").text
    assert "nothing is encrypted" in (bench.site("") or look(bench, "certificates").text)


class CountsTwice(VictoriaMetrics):
    """One without the flag by which a point that is sent again counts once."""

    def command(self) -> list[str]:
        return [word for word in super().command() if not word.startswith("-dedup")]


def test_a_store_that_is_away_or_refuses_us_is_found(bench: Bench, timeseries_store: VictoriaMetrics) -> None:
    use_store(bench, f"http://127.0.0.1:{free_port()}")
    assert look(bench, "store").state == FAIL
    use_store(bench, timeseries_store.url)
    assert look(bench, "store").state == OK
    (bench.shop / "token").write_text("canary-token")
    with Door(timeseries_store.port, rule=lambda request: (401, "unauthorized access")) as door:
        use_store(bench, f"http://127.0.0.1:{door.port}", 'token_file = "token"\n')
        refused = look(bench, "store")
    assert refused.state == FAIL and "401 unauthorized access" in refused.text and "canary" not in refused.text
    assert door.stopped[0].headers["Authorization"] == "Token canary-token"
    (bench.shop / "token").unlink()
    use_store(bench, timeseries_store.url, 'token_file = "token"\n')
    missing = look(bench, "store")
    assert missing.state == FAIL and "token cannot be read" in missing.text and "reached" not in missing.text


def test_another_program_on_the_pages_port_is_told_apart_from_silence(
    bench: Bench, timeseries_store: VictoriaMetrics
) -> None:
    with Door(timeseries_store.port, rule=lambda request: (404, "what is that?")) as door:
        bench.site(f"[web]\nport = {door.port}\n")
        told = look(bench, "pages")
    assert told.state == FAIL and "404" in told.text and "do not answer" not in told.text


def test_a_store_that_counts_twice_is_found(bench: Bench, tmp_path: Path, timeseries_store: VictoriaMetrics) -> None:
    use_store(bench, timeseries_store.url)
    assert look(bench, "store_doubles").state == OK
    with CountsTwice(tmp_path / "store") as other:
        use_store(bench, other.url)
        assert look(bench, "store_doubles").state == FAIL


# ── the command ──────────────────────────────────────────────────────────────────────────────────────────────────────


def test_the_command_says_it_as_text_and_as_json(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    site = bench.shop / "site.toml"
    assert call("doctor", site, "--only", "journal,chain", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["failed"] == 0 and [one["check"] for one in told["checks"]] == ["journal", "chain"]
    (bench.shop / "state/journal.sqlite").unlink()
    assert call("doctor", site, "--only", "journal") == 1
    said = capsys.readouterr().out
    assert said.startswith("FAIL  journal") and "→ start the agent" in said and "1 wrong" in said


def test_an_unknown_check_is_refused_with_the_list(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("doctor", bench.shop / "site.toml", "--only", "weather") == 2
    assert "store_doubles" in capsys.readouterr().err


def test_a_faulty_or_missing_site_file_stops_no_other_check(bench: Bench) -> None:
    for text in ("[site", "", None):
        path = bench.shop / "site.toml"
        path.unlink() if text is None else path.write_text(text)
        found = {one.check: one.verdict.state for one in examine(bench.place())}
        assert set(found) == set(CHECKS) and found["site_file"] == FAIL and found["memory"] == OK


def test_a_check_that_stumbles_fails_and_says_over_what(bench: Bench) -> None:
    bench.machine("/sys/class/thermal/thermal_zone0/temp", "warm")
    found = look(bench, "temperature")
    assert found.state == FAIL and "ValueError" in found.text


def test_counts_in_text_and_json_agree(bench: Bench) -> None:
    found = examine(bench.place())
    wrong = sum(one.verdict.state == FAIL for one in found)
    assert json.loads(as_json(found))["failed"] == wrong and f"{wrong} wrong" in as_text(found)
    assert sum(one.verdict.state == SKIP for one in found) < len(CHECKS) / 2


def test_on_this_machine_it_asks_the_kernel_and_looks_for_the_process(bench: Bench) -> None:
    here = replace(bench.place(root=Path("/")))
    assert CHECKS["clock"](here).state in (OK, WARN)
    assert CHECKS["live"](here).state == OK
    bench.live(pid=2**22 + 1)  # more than the kernel gives
    assert CHECKS["live"](here).state == FAIL
