"""Lens distortion as maps: for each pixel where to look in the other picture, in shares of its width and height.

Two maps a camera, both of the size of the recorded picture. *Straightened* pictures have the same camera matrix and
no distortion. Pixel (0, 0) is the centre of the top-left pixel, so its place is (0.5 / width, 0.5 / height); places
count from the top-left corner of the picture, down.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from rigcheck.geometry.projection import intrinsics_vector, project, unproject
from rigcheck.model import CameraModel

FloatArray = NDArray[np.float64]

_TOGETHER = 16_384  # pixels
_SAME = 1e-6  # normalised units

__all__ = ["recorded_from_straightened", "straightened_from_recorded"]


def recorded_from_straightened(camera: CameraModel) -> NDArray[np.float32]:
    """Where each pixel of the straightened picture lies in the recorded one: the map that takes distortion out.

    Parameters
    ----------
    camera : CameraModel

    Returns
    -------
    (H, W, 3) float32
        Place across, place down, and 1 where there is a place, else all 0. Places may lie beyond 0 to 1: outside
        the picture.

    Notes
    -----
    A place that the lens model puts where it cannot be taken back from (beyond its fold) is none.
    """
    vector, focal = intrinsics_vector(camera), np.array(camera.focal_px)

    def places(pixels: FloatArray) -> FloatArray:
        xy = (pixels - camera.principal_point_px) / focal
        found = project(np.concatenate([xy, np.ones((len(xy), 1))], axis=1), vector, camera.model)
        back = unproject(found, vector, camera.model)
        true = np.asarray(np.abs(back - xy).max(axis=1) < _SAME)
        return np.asarray(np.where(true[:, None], found, np.nan))

    return _map(places, camera.image_size_px)


def straightened_from_recorded(camera: CameraModel) -> NDArray[np.float32]:
    """Where each pixel of the recorded picture lies in the straightened one: the map that puts distortion back.

    Parameters and result as of :func:`recorded_from_straightened`.
    """
    vector, focal = intrinsics_vector(camera), np.array(camera.focal_px)

    def places(pixels: FloatArray) -> FloatArray:
        found = unproject(pixels, vector, camera.model) * focal + camera.principal_point_px
        return np.asarray(found)

    return _map(places, camera.image_size_px)


def _map(places: Callable[[FloatArray], FloatArray], size_px: tuple[int, int]) -> NDArray[np.float32]:
    """Ask for the places of all pixels, some rows at a time: what is done stays in the processor's cache."""
    width, height = size_px
    out = np.zeros((height, width, 3), dtype=np.float32)
    rows = max(_TOGETHER // width, 1)
    for first in range(0, height, rows):
        last = min(first + rows, height)
        x, y = np.meshgrid(np.arange(width, dtype=np.float64), np.arange(first, last, dtype=np.float64))
        with np.errstate(invalid="ignore", over="ignore"):
            found = places(np.stack([x.ravel(), y.ravel()], axis=1))
        known = np.asarray(np.isfinite(found).all(axis=1))
        shares = np.where(known[:, None], (found + 0.5) / np.array(size_px), 0.0)
        out[first:last] = np.concatenate([shares, known[:, None]], axis=1).reshape(last - first, width, 3)
    return out
