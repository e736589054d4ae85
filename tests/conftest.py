"""What every test may use: open data from outside the project, and seeded noise."""

import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

_BESIDE_THE_PROJECT = Path(__file__).resolve().parents[2] / "shared" / "data"


@pytest.fixture(scope="session")
def outside_data() -> Path:
    """Folder of the open data sets; skips where it is absent."""
    folder = Path(os.environ.get("RIGCHECK_OUTSIDE_DATA", _BESIDE_THE_PROJECT))
    if not folder.is_dir():
        pytest.skip(f"open data not found at {folder}: set RIGCHECK_OUTSIDE_DATA to its folder")
    return folder


@pytest.fixture
def rng() -> Callable[..., np.random.Generator]:
    """Seeded generators: ``rng(case, k)``."""
    return lambda *seed: np.random.default_rng(list(seed))
