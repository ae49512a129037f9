"""The house rules hold, and each of them can fail."""

from __future__ import annotations

import ast
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("agent", "calibration", "dashboards")
PURE = ("agent/core", "agent/wire", "calibration")
SIDE_EFFECTS = {"breakpoint", "compile", "eval", "exec", "input", "open", "print", "__import__"}
LINES_AT_MOST = 500  # a module beyond this does two things


def tool(*command: str, folder: Path = ROOT) -> subprocess.CompletedProcess[str]:
    """Run one of the environment's own checkers on `folder` and keep what it says."""
    program = Path(sys.executable).with_name(command[0])
    return subprocess.run([program, *command[1:]], cwd=folder, capture_output=True, text=True, timeout=110)


def demand_clean(done: subprocess.CompletedProcess[str]) -> None:
    if done.returncode:
        pytest.fail(done.stdout + done.stderr, pytrace=False)


def builtins_called(source: str) -> list[str]:
    """The built-ins with a side effect that a source text names, each with its line."""
    names = [node for node in ast.walk(ast.parse(source)) if isinstance(node, ast.Name)]
    return [f"line {node.lineno}: {node.id}" for node in names if node.id in SIDE_EFFECTS]


def pure_files() -> list[Path]:
    return sorted(path for part in PURE for path in (ROOT / part).rglob("*.py"))


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A copy of what is checked, to break."""
    for name in PACKAGES:
        shutil.copytree(ROOT / name, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__", "static"))
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    return tmp_path


def test_ruff_finds_nothing() -> None:
    demand_clean(tool("ruff", "check", "--output-format=concise", "."))


def test_types_hold() -> None:
    demand_clean(tool("mypy"))


def test_imports_go_one_way() -> None:
    demand_clean(tool("lint-imports"))


@pytest.mark.parametrize("path", pure_files(), ids=lambda path: str(path.relative_to(ROOT)))
def test_pure_parts_call_no_built_in_with_a_side_effect(path: Path) -> None:
    assert builtins_called(path.read_text()) == []


def test_no_module_has_outgrown_its_file() -> None:
    files = [path for name in PACKAGES for path in (ROOT / name).rglob("*.py")]
    sizes = {str(path.relative_to(ROOT)): len(path.read_text().splitlines()) for path in files}
    assert {name: lines for name, lines in sizes.items() if lines > LINES_AT_MOST} == {}


@pytest.mark.parametrize("part", PURE)
@pytest.mark.parametrize(
    "line",
    [
        "import time",
        "import random",
        "import socket",
        "import threading",
        "from numpy import random",
        "import datetime as d; d.datetime.now(d.UTC)",
    ],
)
def test_ruff_refuses_a_clock_a_draw_a_socket_a_thread_in_a_pure_part(copy: Path, part: str, line: str) -> None:
    (copy / part / "intruder.py").write_text(line + "\n")
    done = tool("ruff", "check", "--no-cache", "--output-format=concise", part, folder=copy)
    assert done.returncode == 1 and "intruder.py" in done.stdout and "TID251" in done.stdout


def test_the_same_line_is_allowed_where_the_outside_world_is(copy: Path) -> None:
    (copy / "agent/io/intruder.py").write_text("import time\n\nNOW = time.time()\n")
    done = tool("ruff", "check", "--no-cache", "agent/io/intruder.py", folder=copy)
    assert done.returncode == 0, done.stdout


def test_a_file_opened_in_a_pure_part_is_found() -> None:
    assert builtins_called("def f(path):\n    return open(path).read()\n") == ["line 2: open"]


@pytest.mark.parametrize("part", PURE)
def test_mypy_is_strict_in_a_pure_part(copy: Path, part: str) -> None:
    (copy / part / "untyped.py").write_text("def f(x):\n    return x\n")
    done = tool("mypy", "--cache-dir", str(ROOT / ".mypy_cache"), f"{part}/untyped.py", folder=copy)
    assert done.returncode == 1 and "no-untyped-def" in done.stdout, done.stdout


@pytest.mark.parametrize(
    ("place", "line", "broken"),
    [
        ("agent/core/intruder.py", "import sqlite3", "agent.core is not allowed to import sqlite3"),
        ("agent/wire/intruder.py", "import serial", "agent.wire is not allowed to import serial"),
        ("calibration/intruder.py", "import agent.errors", "calibration is not allowed to import agent"),
        ("agent/intruder.py", "import dashboards", "agent is not allowed to import dashboards"),
        ("dashboards/intruder.py", "import agent.cli", "dashboards is not allowed to import agent.cli"),
        ("dashboards/intruder.py", "import serial", "dashboards is not allowed to import serial"),
    ],
)
def test_an_import_over_a_wall_is_refused(copy: Path, place: str, line: str, broken: str) -> None:
    (copy / place).write_text(line + "\n")
    done = tool("lint-imports", "--no-cache", folder=copy)
    assert done.returncode == 1 and broken in " ".join(done.stdout.split()), done.stdout
