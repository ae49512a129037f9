"""`sumpside demo` as a person runs it: it comes up, shows simulated data, and leaves nothing behind."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from agent.io.journal import JournalReader
from agent.io.simulated import brokers
from agent.io.simulated.forms import Visitor

from .stage import Stage, gone, until

SUMPS = ("lathe-1", "mill-1", "mill-2", "grinder-1")


def visitor(stage: Stage, name: str) -> Visitor:
    someone = Visitor(stage.address)
    someone.send("/sign-in", lambda form: "secret" in form.fields, {"name": name, "secret": stage.secret(name)})
    return someone


def test_the_demo_shows_four_living_sumps_and_ends_cleanly(tmp_path: Path) -> None:
    folder = tmp_path / "kept"
    with Stage("--dir", str(folder), "--seed", "3") as stage:
        stage.wait_ready()
        children = stage.children()
        assert len(children) == 3
        live = folder / "run" / "live.json"

        def all_heard() -> bool:
            sumps = json.loads(live.read_text())["sumps"]
            return all("level" in sumps[sump]["signals"] for sump in SUMPS) and "brix" in sumps["mill-2"]["signals"]

        until(all_heard, "every sensor to be heard")
        assert json.loads(live.read_text())["simulated"] is True
        floor = visitor(stage, "supervisor").get("/")
        assert 'data-testid="simulated"' in floor and "Harrow Lane Gearworks" in floor
        assert all(f'data-testid="sump-{sump}"' in floor for sump in SUMPS)
        assert stage.order("state", "grinder-1").startswith("grinder-1: ")
        stage.process.send_signal(signal.SIGINT)
        until(lambda: stage.process.poll() is not None, "the end")
        assert stage.process.returncode == 0, stage.said
        assert all(gone(pid) for pid in children)
        assert "did not end" not in stage.said
    reader = JournalReader(folder / "state" / "journal.sqlite")
    assert reader.verify_chain().ok
    last = reader.rows_after(reader.last_seq() - 1, 1)[0]
    samples = reader.samples("lathe-1", "level", last.time - 3600.0, last.time + 3600.0)
    assert samples and all(sample.simulated for sample in samples)
    reader.close()


def test_with_a_broker_and_a_store_it_forwards_to_them(tmp_path: Path) -> None:
    folder = tmp_path / "kept"
    with Stage("--with-broker", "--story", "--dir", str(folder)) as stage:
        stage.wait_ready()
        children = stage.children()
        assert len(children) == 5

        def delivered() -> bool:
            sinks = json.loads((folder / "run" / "live.json").read_text())["agent"]["sinks"]
            return set(sinks) == {"mqtt", "timeseries"} and all(s["text"] == "up to date" for s in sinks.values())

        until(delivered, "the fortnight to be delivered")
    assert stage.process.returncode == 0, stage.said
    assert all(gone(pid) for pid in children)


def test_a_missing_broker_is_named_and_done_without(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")
    monkeypatch.setattr(brokers, "SYSTEM_PATHS", "")
    assert brokers.installed(tmp_path, lambda: 1) == ([], ["mosquitto", "victoria-metrics"])


def test_a_dead_child_is_named_and_ends_the_demo() -> None:
    with Stage("--story") as stage:
        stage.wait_ready()
        children = stage.children()
        dashboards = next(pid for pid, command in children.items() if "dashboards" in command)
        os.kill(dashboards, signal.SIGKILL)
        until(lambda: stage.process.poll() is not None, "the end")
        assert stage.process.returncode == 1
        assert "dashboards ended by itself with exit code -9" in stage.said
        assert all(gone(pid) for pid in children)


def test_ctrl_c_while_it_comes_up_leaves_nothing() -> None:
    with Stage() as stage:
        until(stage.children, "the first child")
        children = stage.children()
        stage.process.send_signal(signal.SIGINT)
        until(lambda: stage.process.poll() is not None, "the end")
        assert stage.process.returncode == 0, stage.said
        assert all(gone(pid) for pid in children)


def test_a_folder_that_holds_something_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "precious").write_text("mine")
    command = [sys.executable, "-m", "agent", "demo", "--dir", str(tmp_path)]
    told = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert told.returncode == 1
    assert "is not empty" in told.stderr and len(told.stderr.splitlines()) == 1
    assert [entry.name for entry in tmp_path.iterdir()] == ["precious"]


def test_a_taken_port_is_named(tmp_path: Path) -> None:
    import socket

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        command = [sys.executable, "-m", "agent", "demo", "--port", str(taken.getsockname()[1])]
        told = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert told.returncode == 1 and "is taken" in told.stderr


@pytest.mark.parametrize("speed", ["0", "-3", "nan"])
def test_a_speed_that_is_none_is_refused(speed: str) -> None:
    command = [sys.executable, "-m", "agent", "demo", "--speed", speed]
    told = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert told.returncode == 2 and "speed" in told.stderr
