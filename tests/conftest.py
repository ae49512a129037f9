"""What every test shares: how hypothesis looks for counter-examples, and whether this is the long run."""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from tests.services import mosquitto_broker, timeseries_store

__all__ = ["mosquitto_broker", "timeseries_store"]

MEMORY = Path("/dev/shm")
LONG_RUN = os.environ.get("SUMPSIDE_LONG") == "1"  # set by `tests/run --long`

# No deadline: two shared cores make the wall clock no judge. At the desk and in CI the same examples come every time,
# so that a change alone can make a test fail; new ones are drawn in the long run, where a failure prints its blob.
settings.register_profile("desk", deadline=None, derandomize=True, print_blob=True)
settings.register_profile("long", parent=settings.get_profile("desk"), derandomize=False, max_examples=2000)
settings.load_profile("long" if LONG_RUN else "desk")


@pytest.fixture
def in_memory() -> Iterator[Path]:
    """A folder in memory: where a busy disk would be all that is measured, or waited for."""
    with tempfile.TemporaryDirectory(dir=MEMORY if MEMORY.is_dir() else None) as folder:
        yield Path(folder)


@pytest.fixture(scope="session")
def long_run() -> bool:
    """Whether a test that samples (kills, faults, power cuts) should do its whole programme."""
    return LONG_RUN


@pytest.fixture
def say(capsys: pytest.CaptureFixture[str], request: pytest.FixtureRequest) -> Callable[[str], None]:
    """A figure, or how far a long test has come: onto the screen, and into the long run's own file."""
    record = os.environ.get("SUMPSIDE_LONG_RECORD")

    def told(text: str) -> None:
        with capsys.disabled():
            print(f"\n{text}")
        if record:
            with Path(record).open("a", encoding="utf-8") as file:
                file.write(f"{time.strftime('%H:%M:%S')} {request.node.name}: {text}\n")

    return told
