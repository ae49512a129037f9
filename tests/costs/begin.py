"""From the start of the program to its first reading, kept and shown: beside a bare Python that imports as much.

A busy machine slows both; the ratio and the processor time are the program's own.
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.costs.footprint import SUMPS, first_reading, sensors, write_site

MOST_S, MOST_RATIO = 3.0, 4.0  # the ratio: of processor time, to what Python with numpy and pydantic takes
BARE = "import numpy, pydantic; pydantic.create_model('M', x=(int, 1))"


def bare_s() -> float:
    """Processor time of a Python that imports numpy and pydantic and ends."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, "-c", BARE], check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


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
    print(f"a bare Python with numpy and pydantic takes {bare:.2f} s of processor")
    musts = {
        f"first reading after {whole:.2f} s (must ≤ {MOST_S:g})": whole <= MOST_S,
        f"processor × {cpu / bare:.1f} of the bare Python (must ≤ {MOST_RATIO:g})": cpu / bare <= MOST_RATIO,
    }
    for what, met in musts.items():
        print(f"{'met' if met else 'MISSED'}: {what}")
    return 0 if all(musts.values()) else 1
