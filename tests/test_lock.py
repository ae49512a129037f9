"""The hashed lock: all that a Pi installs, pinned, for both machines and every Python, naming no registry."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from packaging.markers import default_environment
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parent.parent
LOCK = ROOT / "systemd/requirements.lock"
PYTHONS = ("3.11", "3.12", "3.13")
MACHINES = ("aarch64", "x86_64")
HASH = re.compile(r"--hash=sha256:[0-9a-f]{64}")


@dataclass(frozen=True, slots=True)
class Pin:
    """One line of the lock: `wanted` has one `==`, `hashes` are those of its files."""

    wanted: Requirement
    hashes: int

    @property
    def version(self) -> str:
        return next(iter(self.wanted.specifier)).version


def pins(text: str) -> Iterator[Pin]:
    for entry in re.sub(r"\\\n", " ", text).splitlines():
        if entry.strip() and not entry.startswith("#"):
            yield Pin(Requirement(entry.split("--hash")[0].strip()), len(HASH.findall(entry)))


def wanted() -> list[Requirement]:
    """What pyproject names for a Pi: dependencies, and every extra but that for tests."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = [names for extra, names in project["optional-dependencies"].items() if extra != "test"]
    return [Requirement(name) for names in (project["dependencies"], *extras) for name in names]


def on(python: str, machine: str) -> dict[str, str]:
    """The markers' values on a Pi or PC with that Python."""
    here = {"python_version": python, "python_full_version": f"{python}.2", "platform_machine": machine}
    return {**default_environment(), **here, "sys_platform": "linux", "platform_system": "Linux"}  # type: ignore[dict-item]


def chosen(python: str, machine: str, lock: list[Pin]) -> dict[str, Pin]:
    """The one pin of each package there; two that both apply fail."""
    found: dict[str, Pin] = {}
    for pin in lock:
        if pin.wanted.marker is None or pin.wanted.marker.evaluate(on(python, machine)):
            name = canonicalize_name(pin.wanted.name)
            assert name not in found, f"{name} is pinned twice for Python {python} on {machine}"
            found[name] = pin
    return found


@pytest.fixture(scope="module")
def lock() -> list[Pin]:
    return list(pins(LOCK.read_text()))


def test_every_line_is_one_version_with_hashes(lock: list[Pin]) -> None:
    assert len(lock) > 20
    for pin in lock:
        assert [s.operator for s in pin.wanted.specifier] == ["=="] and pin.hashes > 0, pin.wanted.name


@pytest.mark.parametrize("machine", MACHINES)
@pytest.mark.parametrize("python", PYTHONS)
def test_it_covers_what_the_project_needs_in_a_version_that_suits(lock: list[Pin], python: str, machine: str) -> None:
    there = chosen(python, machine, lock)
    for need in wanted():
        if need.marker is None or need.marker.evaluate(on(python, machine)):
            pin = there.get(canonicalize_name(need.name))
            assert pin is not None, f"{need.name} is not locked: run systemd/lock"
            assert need.specifier.contains(pin.version), f"{need} against {pin.version}: run systemd/lock"


def test_it_names_no_registry() -> None:
    text = LOCK.read_text()
    assert "://" not in text and "index" not in text and " @ " not in text


def test_a_line_without_a_hash_would_be_seen() -> None:
    assert [pin.hashes for pin in pins("numpy==2.4.6 ; python_version < '3.12'\nh11==0.16.0\n")] == [0, 0]


@pytest.mark.parametrize("python", ["3.11", "3.13"])
def test_a_wheel_of_every_package_is_there_for_a_64_bit_pi(python: str, tmp_path: Path, long_run: bool) -> None:
    """Asks the registry that pip is set to, so only on the long run: some 25 MB each."""
    if not long_run:
        pytest.skip("asks the registry: tests/run --long")
    abis = [f"cp{python.replace('.', '')}", "abi3", "none"]
    platforms = [f"manylinux_2_{glibc}_aarch64" for glibc in range(17, 37)] + ["manylinux2014_aarch64"]
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--require-hashes", "--no-deps",
               "--only-binary", ":all:", "--python-version", python, "--implementation", "cp",
               *(f"--abi={abi}" for abi in abis), *(f"--platform={name}" for name in platforms),
               "--dest", str(tmp_path / "wheels"), "--requirement", str(tmp_path / "lock")]  # fmt: skip
    (tmp_path / "lock").write_text(lock_of(python, "aarch64"))
    done = subprocess.run(command, capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr[-2000:]
    assert {canonicalize_name(path.name.split("-")[0]) for path in (tmp_path / "wheels").iterdir()} == set(
        chosen(python, "aarch64", list(pins(LOCK.read_text())))
    )


def lock_of(python: str, machine: str) -> str:
    """The lock's lines of that machine without their markers: pip would judge those by the one that it runs on."""
    entries = re.sub(r"\\\n", " ", LOCK.read_text()).splitlines()
    told = [entry.partition("--hash") for entry in entries if entry.strip() and not entry.startswith("#")]
    wanted = [(Requirement(name.strip()), first + rest) for name, first, rest in told]
    here = on(python, machine)
    return "".join(f"{w.name}{w.specifier} {rest}\n" for w, rest in wanted if not w.marker or w.marker.evaluate(here))
