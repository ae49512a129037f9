"""Draws made anew in each run; the seed is printed, and SUMPSIDE_SEED repeats one."""

from __future__ import annotations

import os
import secrets

import numpy as np
import pytest


@pytest.fixture
def rng() -> np.random.Generator:
    seed = int(os.environ.get("SUMPSIDE_SEED") or secrets.randbits(32))
    print(f"SUMPSIDE_SEED={seed}")
    return np.random.default_rng(seed)


@pytest.fixture
def draws(long_run: bool) -> int:
    """How many synthetic shops a coverage test draws."""
    return 4000 if long_run else 300
