"""A board waved by hand before two cameras that need not run together; corners projected by OpenCV."""

from collections.abc import Callable

import numpy as np
from synthetic import BOARD, FloatArray, opencv_project, rodrigues

from rigcheck.model import StereoRig

# (rotation, translation) of the board before camera 1 at a time in seconds.
Motion = Callable[[float], tuple[FloatArray, FloatArray]]

TREMOR_MM, TREMOR_RAD = 0.03, 0.0003  # at 7 to 11 Hz: the usual band of a hand's tremor


def wave(rng: np.random.Generator, speed_mm_s: float, *, middle_mm=(0.0, 34.0, 190.0)) -> Motion:
    """Sway at 0.25 to 1.3 Hz in all six ways, of this RMS speed, with a hand's tremor on top."""
    sway_hz, sway_phase = rng.uniform(0.25, 1.3, (6, 4)), rng.uniform(0, 2 * np.pi, (6, 4))
    sway = rng.uniform(0.5, 1.0, (6, 4)) / sway_hz
    sway *= speed_mm_s / np.sqrt(0.5 * ((2 * np.pi * sway_hz * sway)[:3] ** 2).sum())
    sway[2] *= 0.5
    sway[3:] *= 0.006
    tremor_hz, tremor_phase = rng.uniform(7, 11, (6, 2)), rng.uniform(0, 2 * np.pi, (6, 2))
    tremor = np.array([TREMOR_MM] * 3 + [TREMOR_RAD] * 3)[:, None] * rng.uniform(0.5, 1.0, (6, 2))
    base, centre = np.array([*middle_mm, 0.0, 0.0, 0.0]), BOARD.corners_mm.mean(0)

    def at(time_s: float) -> tuple[FloatArray, FloatArray]:
        x = base + (sway * np.sin(2 * np.pi * sway_hz * time_s + sway_phase)).sum(1)
        x = x + (tremor * np.sin(2 * np.pi * tremor_hz * time_s + tremor_phase)).sum(1)
        rotation = rodrigues(x[3:])
        return rotation, x[:3] - rotation @ centre

    return at


def straight(velocity_mm_s, *, distance_mm: float = 200.0, around_s: float = 0.0) -> Motion:
    """Flat-on and straight on at constant velocity, in the middle at `around_s`."""
    centre, velocity = BOARD.corners_mm.mean(0), np.asarray(velocity_mm_s, dtype=np.float64)

    def at(time_s: float) -> tuple[FloatArray, FloatArray]:
        return np.eye(3), np.array([0.0, 0.0, distance_mm]) - centre + velocity * (time_s - around_s)

    return at


def corners_at(rig: StereoRig, motion: Motion, camera: int, time_s: float) -> FloatArray:
    """All corners (N, 2) as camera 0 or 1 of the pair sees them at a time; NaN outside of the picture."""
    rotation, translation = motion(time_s)
    model = (rig.camera1, rig.camera2)[camera]
    if camera == 1:
        pose = rig.camera2_from_camera1
        rotation, translation = pose.rotation @ rotation, pose.apply(translation)
    pixels = opencv_project(model, BOARD.corners_mm @ rotation.T + translation)
    inside = (pixels > 4).all(1) & (pixels < np.array(model.image_size_px) - 5).all(1)
    return np.where(inside[:, None], pixels, np.nan)
