"""One filled shop a session; tests that change it copy it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.upkeep.shop import fill, refuse


@pytest.fixture(scope="session")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a shop with two days behind it; not to be changed."""
    folder = tmp_path_factory.mktemp("filled")
    fill(folder)
    refuse(folder)
    return folder


@pytest.fixture
def shop(filled: Path, tmp_path: Path) -> Path:
    """A copy to break."""
    return Path(shutil.copytree(filled, tmp_path / "shop"))
