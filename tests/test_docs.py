"""README.md and DEVELOPERS.md say what is there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import typer.main

from agent.cli import app
from agent.core import review
from agent.site import check_site

ROOT = Path(__file__).resolve().parent.parent
README, DEVELOPERS = ROOT / "README.md", ROOT / "DEVELOPERS.md"


def fenced(page: Path, language: str) -> list[str]:
    """The blocks of a language in a page."""
    return re.findall(rf"^```{language}\n(.*?)^```$", page.read_text(), re.MULTILINE | re.DOTALL)


def test_the_readme_names_every_command_and_no_other() -> None:
    told = re.findall(r"^\| `sumpside (\w+)", README.read_text(), re.MULTILINE)
    assert sorted(told) == sorted(typer.main.get_command(app).commands)  # type: ignore[attr-defined]


def test_the_two_commands_of_the_readme_are_programs() -> None:
    commands = [line.split()[0] for line in fenced(README, "sh")[0].splitlines()]
    assert commands == [".ci/demo", "tests/run"]
    assert all((ROOT / command).stat().st_mode & 0o111 for command in commands)


def test_the_readmes_site_file_is_sound(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    site.write_text("\n".join(fenced(README, "toml")))
    faults, warnings = check_site(site)
    assert faults == [] and len(warnings) == 3  # port, certificate and key
    assert all("is not there on this machine" in warning for warning in warnings)


def test_the_picture_of_the_review_is_the_table() -> None:
    assert review.mermaid() in fenced(DEVELOPERS, "mermaid")


@pytest.mark.parametrize("page", [README, DEVELOPERS], ids=lambda page: page.name)
def test_links_and_paths_lead_somewhere(page: Path) -> None:
    text = page.read_text()
    links = [link for link in re.findall(r"\]\(([^)#]+)", text) if "://" not in link]
    paths = re.findall(r"`((?:agent|calibration|dashboards|tests|systemd|\.ci)/[\w./-]*)`", text)
    assert links + paths, "nothing was checked"
    assert [path for path in links + paths if not (ROOT / path).exists()] == []
