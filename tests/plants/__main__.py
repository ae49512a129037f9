"""`python -m tests.plants KIND --seed N --sumps 24 --days 60 --out DIR`: make a plant with known truth."""

from __future__ import annotations

import argparse
import importlib
from pathlib import Path

import numpy as np

from .write import write_plant

KINDS = ("mixed", "carry", "lean")


def make(kind: str, seed: int, sumps: int, days: int, out: Path) -> None:
    """Build and write one plant; the same arguments give the same bytes."""
    module = importlib.import_module(f"{__package__}.{kind}")
    write_plant(module.build(np.random.default_rng(seed), sumps, days), days, out)


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.plants", description=__doc__)
    parser.add_argument("kind", choices=KINDS)
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--sumps", type=int, default=24)
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--out", type=Path, required=True)
    a = parser.parse_args()
    make(a.kind, a.seed, a.sumps, a.days, a.out)


if __name__ == "__main__":
    main()
