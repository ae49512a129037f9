"""From the start of the program to its first reading, kept and shown: beside a bare Python that imports as much.

A busy machine slows both; the ratio and the processor time are the program's own.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.costs.footprint import SUMPS, first_reading, sensors, write_site

MOST_S, MOST_RATIO = 3.0, 4.0  # the ratio: what Python with numpy and pydantic takes, at most so many times
BARE = "import numpy, pydantic; pydantic.create_model('M', x=(int, 1))"


def bare_s() -> float:
    """A Python that imports numpy and pydantic, from its start to its end."""
    began = time.monotonic()
    subprocess.run([sys.executable, "-c", BARE], check=True)
    return time.monotonic() - began


def main(starts: int) -> int:
    """The figures; exit 1 where one is missed."""
    with tempfile.TemporaryDirectory(dir="/var/tmp") as disk, tempfile.TemporaryDirectory(dir="/dev/shm") as memory:
        folder, runtime = Path(disk), Path(memory)
        site = write_site(folder, SUMPS, "")
        with sensors(folder):
            first_reading(folder, runtime, site)  # the first one compiles and makes the files
            pairs = [(bare_s(), *first_reading(folder, runtime, site)) for _ in range(starts)]
    bare, whole, cpu = (statistics.median(column) for column in zip(*pairs, strict=True))
    print(
        f"{starts} starts with a journal: first reading after {whole:.2f} s, {cpu:.2f} s of them processor (medians);"
    )
    print(f"a bare Python with numpy and pydantic takes {bare:.2f} s")
    musts = {
        f"first reading after {whole:.2f} s (must ≤ {MOST_S:g})": whole <= MOST_S,
        f"× {whole / bare:.1f} of the bare Python (must ≤ {MOST_RATIO:g})": whole / bare <= MOST_RATIO,
    }
    for what, met in musts.items():
        print(f"{'met' if met else 'MISSED'}: {what}")
    return 0 if all(musts.values()) else 1
