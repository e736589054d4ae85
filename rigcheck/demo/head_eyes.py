"""Painted eyes: pupil, iris of the published width, white with a few veins."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rigcheck.demo.head_material import Paint, ramp
from rigcheck.demo.head_mesh import head_surface
from rigcheck.demo.head_performer import Performer, PosedHead
from rigcheck.demo.head_raster import Patch
from rigcheck.model._arrays import IntArray

__all__ = ["IRIS_MM", "PUPIL_MM", "paint_eyes"]

Float32 = NDArray[np.float32]

IRIS_MM = 11.7  # across, as seen from outside (white to white)
PUPIL_MM = 4.0
_SOFT_MM = 0.16  # half the width over which the iris's edge fades


@lru_cache(maxsize=32)
def _colours(seed: int) -> tuple[float, tuple[float, ...]]:
    """Reflectance of the iris, and phases of its streaks."""
    rng = np.random.default_rng([82, 2, seed])
    return float(rng.uniform(0.035, 0.16)), tuple(float(phase) for phase in rng.uniform(0, 2 * np.pi, 6))


def paint_eyes(paint: Paint, performer: Performer, posed: PosedHead, patch: Patch, eyes: IntArray) -> None:
    """Paint the pixels `eyes` (n,) of a patch, which show an eyeball, in place."""
    part = head_surface().part[patch.triangle[eyes]]
    for side, eye in enumerate(posed.eyes):
        at = eyes[part == side + 1]
        if len(at) == 0:
            continue
        local = patch.spread(posed.corners32, at) - eye.centre_mm.astype(np.float32)[:, None]
        axis = eye.axis.astype(np.float32)
        right = np.cross(axis, [0.0, 1.0, 0.0])
        right = (right / np.linalg.norm(right)).astype(np.float32)
        x, y = right @ local, np.cross(right, axis).astype(np.float32) @ local
        radius = np.where(axis @ local > 0, np.hypot(x, y), np.float32(99))
        paint.luminance[at] = _eye_luminance(radius, np.arctan2(y, x), performer.texture_seed)
        paint.slope[:, at] = 0.0
        paint.shine[at], paint.gloss[at] = 1.0, 1.0


def _eye_luminance(radius: Float32, angle: Float32, seed: int) -> Float32:
    """Reflectance at a distance from the eye's axis, mm, and an angle about it."""
    brown, phases = _colours(seed)
    streaks = np.zeros_like(radius)
    for k, phase in enumerate(phases):
        wave = np.float32(phase) + np.float32(0.5) * np.sin(np.float32(2.1) * radius + k)
        streaks += np.sin((9 + 8 * k) * angle + wave) / np.float32(1 + 0.3 * k)
    iris = brown * (1 + 0.28 * streaks * ramp(radius, 1.8, 3.0)) * (1 + 0.5 * ramp(-radius, -3.6, -2.4))
    iris *= 1 - 0.6 * ramp(radius, IRIS_MM / 2 - 1.1, IRIS_MM / 2 - 0.1)
    iris = iris * ramp(radius, PUPIL_MM / 2 - 0.15, PUPIL_MM / 2 + 0.15) + 0.004
    veins = 1 - 0.22 * np.abs(np.sin(7 * angle + 1.3 * np.sin(0.9 * radius + phases[1]))) ** 24
    white = 0.34 * veins * (1 - 0.28 * ramp(radius, 9.0, 14.0))
    share = ramp(radius, IRIS_MM / 2 - _SOFT_MM, IRIS_MM / 2 + _SOFT_MM)
    return np.asarray(iris * (1 - share) + white * share, dtype=np.float32)
