"""The installer, below a folder of its own: everything in place, nothing twice, back to the old version when need be.

It installs real wheels with the real pip: small ones, whose program does what the test tells it. The program that plays
systemctl runs the agent that is current. What only a whole machine shows (users at work, hardened units, a broker) was
tried in booted Debian 12 and 13 by hand, see DEVELOPERS.md.
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
import zipfile
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

import pytest

MOST_S = 600  # of one run: seconds on a free desk, minutes where many share it
SYSTEMD = Path(__file__).resolve().parent.parent / "systemd"
pytestmark = pytest.mark.timeout(2 * MOST_S)  # all of it lives in one fixture

# A program with the commands that the installer uses; how it behaves stands in a file, by version.
PROGRAM = """
import json, pathlib, shutil, sqlite3, sys
from importlib.metadata import version
import helper
root = pathlib.Path(__file__).parents[7]
mood = json.loads((root / "moods.json").read_text()).get(version("sumpside"), "well")
journal = root / "var/lib/sumpside/journal.sqlite"
command, *rest = sys.argv[1:]
if command == "check":
    sys.exit(mood == "refuses the site")
if command == "doctor":
    sys.exit(mood == "down")
if command == "backup":
    shutil.copy(journal, rest[1])
if command == "restore":
    assert rest[1:3] == ["--replace", "--as-it-was"], rest
    shutil.copy(rest[0], journal)
if command == "run" and mood == "down":
    sqlite3.connect(journal).execute("PRAGMA user_version = 9")
"""
SITE = """
class Site:
    slug = "harrow-lane"

def load_site(path):
    return Site
"""
SYSTEMCTL = """#!/bin/sh
echo "$*" >>{root}/orders
case $1 in
restart) {root}/opt/sumpside/current/bin/python -I -m agent run ;;
show) echo 0 ;;
try-restart) [ -e {root}/etc/systemd/system/$2 ] || {{ echo "Unit $2 not found." >&2; exit 5; }} ;;
esac
"""


def wheel(folder: Path, name: str, version: str, files: dict[str, str]) -> Path:
    """A wheel made by hand."""
    info = f"{name}-{version}.dist-info"
    scripts = "[console_scripts]\nsumpside = agent.__main__:main\n" if name == "sumpside" else ""
    texts = {
        **files,
        f"{info}/METADATA": f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n",
        f"{info}/WHEEL": "Wheel-Version: 1.0\nGenerator: test\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
        f"{info}/entry_points.txt": scripts,
    }
    path = folder / f"{name}-{version}-py3-none-any.whl"
    with zipfile.ZipFile(path, "w") as packed:
        for inside, text in texts.items():
            packed.writestr(zipfile.ZipInfo(inside), text)  # the same bytes whenever it is made
        record = zipfile.ZipInfo(f"{info}/RECORD")
        packed.writestr(record, "".join(f"{inside},,\n" for inside in [*texts, f"{info}/RECORD"]))
    return path


@dataclass
class Step:
    """What one run of the installer came to."""

    code: int
    out: str
    err: str
    current: str
    orders: str  # what was asked of systemctl
    shape: int  # of the journal
    shebang: str
    files: set[str]


@dataclass
class Pi:
    """A machine's files below `root`, and the installer with its lock in `source`."""

    root: Path
    source: Path

    def install(self, *arguments: str, moods: dict[str, str] | None = None) -> Step:
        """Run it."""
        (self.root / "moods.json").write_text(json.dumps(moods or {}))
        (self.root / "orders").write_text("")
        told = {**os.environ, "SYSTEMCTL": str(self.source / "systemctl"), "SUMPSIDE_PROBE_S": "0",
                "SUMPSIDE_SETTLE_S": "0"}  # fmt: skip
        command = [str(self.source / "install"), "--root", str(self.root), "--python", sys.executable,
                   "--wheels", str(self.source / "wheels"), *arguments]  # fmt: skip
        done = subprocess.run(command, capture_output=True, text=True, env=told, cwd=self.source, timeout=MOST_S)
        link = self.root / "opt/sumpside/current"
        below = {str(path.relative_to(self.root)) for path in self.root.rglob("*") if "site-packages" not in path.parts}
        current = os.readlink(link) if link.is_symlink() else ""
        program = link / "bin/sumpside"
        shebang = program.read_text().splitlines()[0] if program.exists() else ""
        return Step(done.returncode, done.stdout, done.stderr, current, (self.root / "orders").read_text(),
                    self.shape(), shebang, below)  # fmt: skip

    def shape(self) -> int:
        """The journal's version; -1 before there is one."""
        path = self.root / "var/lib/sumpside/journal.sqlite"
        if not path.exists():
            return -1
        with closing(sqlite3.connect(path)) as db:
            return int(db.execute("PRAGMA user_version").fetchone()[0])

    def program(self, version: str) -> str:
        """A wheel of the program."""
        files = {"agent/__init__.py": "", "agent/__main__.py": PROGRAM, "agent/site.py": SITE}
        return str(wheel(self.source, "sumpside", version, files))

    def helper(self, text: str) -> Path:
        """The one package that the program depends on."""
        return wheel(self.source / "wheels", "helper", "1.0", {"helper.py": text})


def make_pi(folder: Path) -> Pi:
    pi = Pi(folder / "root", folder / "source")
    shutil.copytree(SYSTEMD, pi.source)
    (pi.source / "wheels").mkdir()
    (pi.root / "etc").mkdir(parents=True)
    helper = pi.helper("VALUE = 1\n")
    right = sha256(helper.read_bytes()).hexdigest()
    (pi.source / "requirements.lock").write_text(f"helper==1.0 --hash=sha256:{right}\n")
    (pi.source / "systemctl").write_text(SYSTEMCTL.format(root=pi.root))
    (pi.source / "systemctl").chmod(0o755)
    return pi


def strictly_verified(certs: Path, host: str = "localhost") -> Step:
    """What openssl says of a certificate, as strict as Python 3.13 and later are."""
    names = ["-verify_ip" if host[-1].isdigit() else "-verify_hostname", host]
    command = ["openssl", "verify", "-x509_strict", *names, "-CAfile", "sumpside-ca.crt", "sumpside.crt"]
    done = subprocess.run(command, cwd=certs, capture_output=True, text=True, timeout=MOST_S)
    return Step(done.returncode, done.stdout, done.stderr, "", "", -1, "", set())


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Step]:
    """A Pi's life, step after step; making a virtual environment takes seconds, so it is lived once."""
    pi = make_pi(tmp_path_factory.mktemp("pi"))
    old, new = pi.program("0.1.0"), pi.program("0.2.0")
    told = {"first": pi.install(old), "again": pi.install(old)}
    tls, site = pi.root / "etc/sumpside/tls", pi.root / "etc/sumpside/site.toml"
    told["pages' certificate"] = strictly_verified(tls)
    site.write_text('[site]\ntimezone = "Europe/Vienna"\n[web]\nbase_url = "https://192.168.7.20:8080"\n')
    told["described, but down"] = pi.install(old, moods={"0.1.0": "down"})
    with closing(sqlite3.connect(pi.root / "var/lib/sumpside/journal.sqlite")) as db:
        db.execute("PRAGMA user_version = 3")
    told["described"] = pi.install(old)
    (pi.root / "etc/systemd/system/sumpside-agent.service").write_text("[Service]\nExecStart=/bin/false\n")
    told["repaired"] = pi.install(old)
    told["certificate for phones"] = strictly_verified(tls, "192.168.7.20")
    told["certificate for others"] = strictly_verified(tls, "192.168.7.21")
    told["with a broker"] = pi.install(old, "--broker")
    told["with the same broker"] = pi.install(old, "--broker")
    told["certificates"] = strictly_verified(pi.root / "etc/mosquitto/certs")
    right = pi.helper("VALUE = 1\n").read_bytes()
    pi.helper("VALUE = 2\n")
    told["tampered"] = pi.install(new)
    (pi.source / "wheels/helper-1.0-py3-none-any.whl").write_bytes(right)
    told["refused"] = pi.install(new, moods={"0.2.0": "refuses the site"})
    told["down"] = pi.install(new, moods={"0.2.0": "down"})
    (pi.root / "opt/sumpside/0.0.9").mkdir()
    told["upgraded"] = pi.install(new)
    told["upgraded again"] = pi.install(new)
    told["back"] = pi.install("--back")
    (pi.root / "var/backups/sumpside/kept").touch()
    told["removed"] = pi.install("--remove")
    told["removed again"] = pi.install("--remove")
    return told


@pytest.fixture
def step(story: dict[str, Step]) -> Callable[[str], Step]:
    return lambda name: story[name]


def test_everything_is_put_in_its_place(step: Callable[[str], Step]) -> None:
    first = step("first")
    assert first.code == 0, first.err
    assert first.files >= {
        "opt/sumpside/0.1.0/bin/sumpside", "usr/local/bin/sumpside", "var/lib/sumpside", "var/lib/sumpside-inbox",
        "var/backups/sumpside", "etc/systemd/system/sumpside-agent.service",
        "etc/systemd/system/multi-user.target.wants/sumpside-dashboards.service",
        "etc/systemd/system/timers.target.wants/sumpside-backup.timer", "etc/udev/rules.d/60-sumpside.rules",
        "usr/lib/sysusers.d/sumpside.conf",
    }  # fmt: skip
    assert first.current == "0.1.0" and "made the users" in first.out
    assert "next: write /etc/sumpside/site.toml" in first.out and "restart" not in first.orders


def test_a_second_run_changes_nothing(step: Callable[[str], Step]) -> None:
    again = step("again")
    assert (again.code, again.out.splitlines()[-1]) == (0, "nothing changed")
    assert again.files == step("first").files and "restart" not in again.orders
    assert step("upgraded again").out.splitlines()[-1] == "nothing changed"


def test_a_described_shop_is_started_and_its_time_zone_compared(step: Callable[[str], Step]) -> None:
    told = step("described")
    assert "start sumpside-agent.service sumpside-dashboards.service" in told.orders
    assert "note: the site's time zone is Europe/Vienna" in told.out


def test_a_described_shop_that_does_not_come_up_is_said(step: Callable[[str], Step]) -> None:
    """Nothing is new but the site file, and there is no version to go back to."""
    told = step("described, but down")
    assert (told.code, told.current) == (1, "0.1.0") and "install: it does not come up" in told.err
    assert "started what did not run" in told.out


def test_what_somebody_bent_is_put_right_and_started_anew(step: Callable[[str], Step]) -> None:
    told = step("repaired")
    assert "wrote /etc/systemd/system/sumpside-agent.service" in told.out
    assert "daemon-reload" in told.orders and "restart sumpside-agent.service" in told.orders


def test_a_broker_gets_names_passwords_and_a_certificate_once(step: Callable[[str], Step]) -> None:
    told = step("with a broker")
    assert told.code == 0, told.err
    assert told.files >= {
        "etc/mosquitto/conf.d/sumpside.conf", "etc/mosquitto/sumpside.acl", "etc/mosquitto/sumpside.passwd",
        "etc/sumpside/mqtt.password", "etc/sumpside/mqtt-reader.password",
    }  # fmt: skip
    assert 'user = "harrow-lane"' in told.out and "restart mosquitto.service" in told.orders
    same = step("with the same broker")
    assert same.out.splitlines()[-1] == "nothing changed" and "restart mosquitto" not in same.orders


def test_the_pages_get_a_certificate_for_the_address_that_phones_use(step: Callable[[str], Step]) -> None:
    first, described = step("first"), step("described, but down")  # the first run that knows the address
    assert first.files >= {f"etc/sumpside/tls/sumpside{name}" for name in (".crt", ".key", "-ca.crt", "-ca.key")}
    assert "made a certificate authority" in first.out and "made a certificate for" in first.out
    assert "made a certificate for" in described.out and "authority" not in described.out
    assert "made a certificate" not in step("repaired").out
    assert step("pages' certificate").code == step("certificate for phones").code == 0
    assert step("certificate for others").code != 0


def test_the_broker_s_certificate_holds_before_strict_readers(step: Callable[[str], Step]) -> None:
    assert step("certificates").code == 0, step("certificates").err


def test_a_package_that_is_not_the_locked_one_is_not_installed(step: Callable[[str], Step]) -> None:
    told = step("tampered")
    assert told.code == 1 and "THESE PACKAGES DO NOT MATCH THE HASHES" in told.err
    assert told.current == "0.1.0" and not {f for f in told.files if f.startswith("opt/sumpside/0.2.0")}
    assert told.orders == ""


def test_a_version_that_the_site_file_does_not_suit_is_never_started(step: Callable[[str], Step]) -> None:
    told = step("refused")
    assert told.code == 1 and "0.1.0 stays as it is" in told.err
    assert told.current == "0.1.0" and told.orders == ""


def test_a_version_that_does_not_come_up_is_left_again_with_the_journal_as_it_was(step: Callable[[str], Step]) -> None:
    told = step("down")
    assert told.code == 1 and "0.2.0 did not come up, 0.1.0 runs again" in told.err
    assert told.current == "0.1.0" and told.shape == 3
    assert "journal is again as it was" in told.out
    assert [order.split()[0] for order in told.orders.splitlines() if order.split()[0] in ("stop", "restart")] == [
        "restart", "stop", "restart",
    ]  # fmt: skip
    assert "opt/sumpside/previous" not in told.files


def test_a_version_that_comes_up_stays_with_the_one_before_beside_it(step: Callable[[str], Step]) -> None:
    told = step("upgraded")
    assert (told.code, told.current) == (0, "0.2.0"), told.err
    assert "opt/sumpside/0.1.0/bin/python" in told.files and "removed /opt/sumpside/0.0.9" in told.out


def test_the_version_before_is_one_word_away(step: Callable[[str], Step]) -> None:
    told = step("back")
    assert (told.code, told.current) == (0, "0.1.0") and "restart" in told.orders


def test_removing_leaves_the_data(step: Callable[[str], Step]) -> None:
    told = step("removed")
    assert told.code == 0 and "disable" in told.orders
    ours = ("opt/sumpside", "etc/systemd/system/sumpside", "usr/local/bin/sumpside")
    assert not {name for name in told.files if name.startswith(ours)}
    assert told.files >= {"etc/sumpside/site.toml", "var/lib/sumpside/journal.sqlite", "var/backups/sumpside/kept"}
    assert "nothing changed" in step("removed again").out


def test_programs_in_an_image_do_not_know_where_it_was_made(step: Callable[[str], Step]) -> None:
    assert step("first").shebang == "#!/opt/sumpside/0.1.0/bin/python"


def test_it_wants_root_and_a_wheel_and_knows_its_options(tmp_path: Path) -> None:
    def said(*arguments: str) -> str:
        command = [str(SYSTEMD / "install"), "--root", str(tmp_path), "--python", sys.executable, *arguments]
        return subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, timeout=60).stderr

    assert "no such option: --everything" in said("--everything")
    assert "no wheel" in said(str(tmp_path / "none.whl"))
