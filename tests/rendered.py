"""Rendered pairs of stills, for tests of whole jobs."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from synthetic import BOARD, reference_rig, rodrigues

from rigcheck.demo import RenderOptions, Sensor, board_in_space, render_view
from rigcheck.model import RigidTransform
from rigcheck.opencv import cv2

BOARD_YAML = """\
name: reference
kind: charuco
squares: [9, 12]
square_mm: 9.0
marker_mm: 6.75
dictionary: DICT_4X4_100
measured: {across_mm: 81.0, across_squares: 9, down_mm: 108.0, down_squares: 12, u_mm: 0.02}
"""
RIG_YAML = """\
name: kestrel
cameras:
  - name: upper
  - name: lower
working_distance_mm: 195
"""


@dataclass(frozen=True, kw_only=True)
class Shoot:
    """Folders of stills of both cameras, board file and rig file."""

    folder: Path
    upper: Path
    lower: Path
    board: Path
    rig: Path


def write_picture(path: Path, image) -> None:
    path.write_bytes(cv2.imencode(".png", image)[1].tobytes())


def render_pairs(folder: Path, poses, *, seed: int, rig=None) -> tuple[Path, Path]:
    """PNG folders `upper` and `lower` of the board at poses given in camera 1."""
    rig = rig or reference_rig()
    board = board_in_space(BOARD)
    options = RenderOptions(blur_px=0.7, sensor=Sensor(read_noise_dn=1.0, dn_per_electron=0.02), samples=2)
    rng = np.random.default_rng([41, seed])
    for name in ("upper", "lower"):
        (folder / name).mkdir(parents=True)
    for number, pose in enumerate(poses):
        second = RigidTransform(
            rotation=rig.camera2_from_camera1.rotation @ pose.rotation,
            translation_mm=rig.camera2_from_camera1.apply(pose.translation_mm),
        )
        for name, camera, seen in (("upper", rig.camera1, pose), ("lower", rig.camera2, second)):
            image = render_view(camera, (seen,), board=board, options=options, rng=rng)
            write_picture(folder / name / f"{number:04d}.png", image)
    return folder / "upper", folder / "lower"


def tilted_poses(tilts, *, distance_mm: float = 185.0):
    """Well-tilted views in the middle of both pictures: rotation vectors in degrees."""
    centre, out = BOARD.corners_mm.mean(0), []
    for k, vector in enumerate(tilts):
        rotation = rodrigues(np.radians(vector))
        middle = np.array([4.0 * (-1) ** k, 0.18 * distance_mm, distance_mm])
        out.append(RigidTransform(rotation=rotation, translation_mm=middle - rotation @ centre))
    return out
