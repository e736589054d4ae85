"""A small rendered shoot: ten pairs of stills, and the paperwork beside them."""

import numpy as np
import pytest
from rendered import BOARD_YAML, RIG_YAML, Shoot, render_pairs
from synthetic import board_poses


@pytest.fixture(scope="session")
def shoot(tmp_path_factory) -> Shoot:
    folder = tmp_path_factory.mktemp("shoot")
    upper, lower = render_pairs(folder, board_poses(np.random.default_rng([42, 0]), 10), seed=0)
    (folder / "board.yaml").write_text(BOARD_YAML)
    (folder / "rig.yaml").write_text(RIG_YAML)
    return Shoot(
        folder=folder, upper=upper, lower=lower, board=folder / "board.yaml", rig=folder / "rig.yaml"
    )
