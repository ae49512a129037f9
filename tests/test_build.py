"""The built wheel holds the chart library that the lock names, and a library that is not that one stops the build."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from dashboards.hatch_build import TAKEN, VendorError, bring_in

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("agent", "calibration", "dashboards")
NOT_SHIPPED = ("hatch_build.py", "package.json", "package-lock.json")  # only the build needs them
LEFT_OUT = shutil.ignore_patterns("__pycache__", "vendor", "node_modules")


@pytest.fixture
def sources(tmp_path: Path) -> Path:
    """The sources as a clean clone has them: no chart library."""
    folder = tmp_path / "sources"
    for name in (*PACKAGES, "tests", "systemd"):
        shutil.copytree(ROOT / name, folder / name, ignore=LEFT_OUT)
    for name in ("pyproject.toml", "README.md", ".gitignore"):
        shutil.copy(ROOT / name, folder)
    return folder


@pytest.fixture
def dashboards(sources: Path) -> Path:
    return sources / "dashboards"


def tamper_with_hash(dashboards: Path) -> None:
    lock = dashboards / "package-lock.json"
    content = json.loads(lock.read_text())
    entry = content["packages"]["node_modules/uplot"]
    entry["integrity"] = "sha512-" + "A" * 86 + "=="
    lock.write_text(json.dumps(content))


def build_wheel(sources: Path) -> subprocess.CompletedProcess[str]:
    command = [
        sys.executable,
        "-m",
        "pip",
        "wheel",
        "--quiet",
        "--no-deps",
        "--no-build-isolation",
        "--wheel-dir",
        str(sources / "dist"),
        str(sources),
    ]
    return subprocess.run(command, capture_output=True, text=True, timeout=110)


def test_a_wheel_from_a_clean_clone_holds_the_library_every_page_and_no_tests(sources: Path) -> None:
    files = {
        str(path.relative_to(sources))
        for name in PACKAGES
        for path in (sources / name).rglob("*")
        if path.is_file() and path.name not in NOT_SHIPPED
    }
    done = build_wheel(sources)
    assert done.returncode == 0, done.stderr
    names = zipfile.ZipFile(next((sources / "dist").glob("*.whl"))).namelist()
    shipped = {name for name in names if ".dist-info/" not in name}
    assert shipped == files | {f"dashboards/static/vendor/{name}" for name in TAKEN.values()}


def test_a_tampered_hash_fails_the_build(sources: Path) -> None:
    tamper_with_hash(sources / "dashboards")
    done = build_wheel(sources)
    assert done.returncode != 0 and "EINTEGRITY" in done.stdout + done.stderr
    assert not (sources / "dashboards/static/vendor").exists() and not list((sources / "dist").glob("*.whl"))


def test_a_lock_without_a_hash_is_refused(dashboards: Path) -> None:
    lock = dashboards / "package-lock.json"
    content = json.loads(lock.read_text())
    del content["packages"]["node_modules/uplot"]["integrity"]
    lock.write_text(json.dumps(content))
    with pytest.raises(VendorError, match="node_modules/uplot"):
        bring_in(dashboards)


def test_the_lock_names_no_host(dashboards: Path) -> None:
    assert "://" not in (dashboards / "package-lock.json").read_text()


def test_a_second_build_fetches_nothing(dashboards: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert bring_in(dashboards)
    monkeypatch.setattr("dashboards.hatch_build._npm", lambda: ["false"])
    assert not bring_in(dashboards)


@pytest.mark.parametrize("name", TAKEN.values())
def test_a_changed_or_missing_file_is_fetched_again(dashboards: Path, name: str) -> None:
    bring_in(dashboards)
    file = dashboards / "static/vendor" / name
    right = file.read_bytes()
    file.write_bytes(right + b" ")
    assert bring_in(dashboards) and file.read_bytes() == right
    file.unlink()
    assert bring_in(dashboards) and file.read_bytes() == right


def test_files_of_another_lock_are_not_trusted(dashboards: Path) -> None:
    bring_in(dashboards)
    tamper_with_hash(dashboards)
    with pytest.raises(VendorError, match="EINTEGRITY"):
        bring_in(dashboards)
