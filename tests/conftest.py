"""What every test may use: open data from outside the project, seeded noise, a small rendered shoot."""

import os

# Two workers whose matrix libraries each start two threads spend a third of their time waiting for each other.
# Set before numpy is loaded, and inherited by the workers.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from rendered import BOARD_YAML, RIG_YAML, Shoot, render_pairs
from synthetic import board_poses

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


@pytest.fixture(scope="session")
def shoot(tmp_path_factory) -> Shoot:
    folder = tmp_path_factory.mktemp("shoot")
    upper, lower = render_pairs(folder, board_poses(np.random.default_rng([42, 0]), 10), seed=0)
    (folder / "board.yaml").write_text(BOARD_YAML)
    (folder / "rig.yaml").write_text(RIG_YAML)
    return Shoot(
        folder=folder, upper=upper, lower=lower, board=folder / "board.yaml", rig=folder / "rig.yaml"
    )
