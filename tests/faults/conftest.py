"""What the tests of faults share."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

MEMORY = Path("/dev/shm")


@pytest.fixture
def in_memory() -> Iterator[Path]:
    """A folder in memory: where hours are played in seconds, a busy disk would be all that is measured."""
    with tempfile.TemporaryDirectory(dir=MEMORY if MEMORY.is_dir() else None) as folder:
        yield Path(folder)
