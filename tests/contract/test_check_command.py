"""`sumpside check` as a maintenance engineer calls it, and how wrong calls of the command line end."""

import subprocess
import sys

import pytest

from tests.contract.test_site_file import BUSES, SOUND


def call(*words: str, folder=None) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "agent", *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, cwd=folder)


def test_a_sound_file_is_one_line_and_nothing_else(tmp_path):
    (tmp_path / "site.toml").write_text(SOUND + BUSES)
    done = call("check", "site.toml", folder=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == "site.toml: sound: Harrow Lane Gearworks, 1 sump, 2 sensors on 2 buses\n"


def test_faults_go_to_stderr_one_a_line_all_at_once(tmp_path):
    text = SOUND.replace("low_pct = 6.0", "low_ptc = 6.0").replace("low_l  = 240.0", "low_l  = 350.0")
    (tmp_path / "site.toml").write_text(text)
    done = call("check", "site.toml", folder=tmp_path)
    assert (done.returncode, done.stdout) == (1, "")
    assert [line.split(": ")[:2] for line in done.stderr.splitlines()] == [
        ["site.toml", "sump[mill-2].fluid.low_ptc"],
        ["site.toml", "sump[mill-2].low_l"],
    ]


def test_a_warning_is_no_fault_and_goes_to_stdout(tmp_path):
    (tmp_path / "site.toml").write_text(SOUND.replace("refractometer_factor = 1.5", "refractometer_factor = 6"))
    done = call("check", "site.toml", folder=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    warning, summary = done.stdout.splitlines()
    assert warning.startswith("warning: site.toml: sump[mill-2].fluid.refractometer_factor: 6 is uncommon")
    assert "sound" in summary


def test_a_file_that_is_not_there_is_a_fault(tmp_path):
    done = call("check", "none.toml", folder=tmp_path)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr == "none.toml: file: no such file or directory; name a file that can be read\n"


@pytest.mark.parametrize("words", [["check"], ["check", "--fast", "x"], ["clean"], ["--loud"], ["check", "a", "b"]])
def test_a_wrong_call_gets_one_line_and_exit_code_2(words):
    done = call(*words)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("sumpside: ")
    assert done.stderr.count("\n") == 1


def test_called_bare_it_says_what_it_can_do():
    done = call()
    assert done.returncode == 0
    for command in ("check", "charge", "replay", "run", "dashboards", "demo", "explain"):
        assert command in done.stdout


def test_check_does_not_load_what_only_the_agent_needs(tmp_path):
    """It must start fast on a small Pi: numpy, the serial stack and the store's client stay out."""
    (tmp_path / "site.toml").write_text(SOUND)
    script = (
        "import sys; sys.argv = ['sumpside', 'check', 'site.toml']\n"
        "from agent.cli import main\n"
        "try: main()\n"
        "except SystemExit as end: assert not end.code\n"
        "heavy = {'numpy', 'serial', 'pymodbus', 'influxdb_client', 'paho', 'starlette', 'rich'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, cwd=tmp_path, timeout=60)
    assert done.returncode == 0, done.stderr
