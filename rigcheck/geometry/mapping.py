"""How two descriptions of one camera differ over its picture: where a direction lands in either.

A turn of the camera's own frame changes no picture of the world, so the part of a difference that a turn
explains is told apart from what is left.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.geometry.projection import intrinsics_vector, project_with_derivatives, unproject
from rigcheck.geometry.rotation import exp_rotation, log_rotation, skew
from rigcheck.model import CameraModel

FloatArray = NDArray[np.float64]

PICTURE_GRID = 25
_STEPS = 8

__all__ = ["PICTURE_GRID", "MappingDifference", "mapping_by_intrinsics", "mapping_difference", "picture_grid"]


@dataclass(frozen=True, kw_only=True, eq=False)
class MappingDifference:
    """Where the second camera puts the direction that the first sees at each pixel, less that pixel.

    `pixels` (M, 2), `raw_px` (M, 2), `left_px` (M, 2): after the best turn `turn_rad` (3,), which takes
    directions of the first camera's frame to the second's. `unmapped_share` is the share of the grid for which
    a lens model has no direction.
    """

    pixels: FloatArray
    raw_px: FloatArray
    left_px: FloatArray
    turn_rad: FloatArray
    unmapped_share: float

    @property
    def raw_rms_px(self) -> float:
        """RMS length before the turn."""
        return float(np.sqrt((self.raw_px**2).sum(1).mean()))

    @property
    def raw_max_px(self) -> float:
        """Longest before the turn."""
        return float(np.sqrt((self.raw_px**2).sum(1).max()))

    @property
    def left_rms_px(self) -> float:
        """RMS length after the turn."""
        return float(np.sqrt((self.left_px**2).sum(1).mean()))

    @property
    def left_max_px(self) -> float:
        """Longest after the turn."""
        return float(np.sqrt((self.left_px**2).sum(1).max()))


def picture_grid(size_px: tuple[int, int], count: int = PICTURE_GRID) -> FloatArray:
    """Pixels (count * count, 2) evenly over a picture, its corner pixels included, row by row."""
    x, y = np.linspace(0, size_px[0] - 1, count), np.linspace(0, size_px[1] - 1, count)
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)


def mapping_difference(first: CameraModel, second: CameraModel) -> MappingDifference:
    """Compare two descriptions of one camera over a grid on the picture.

    Parameters
    ----------
    first, second : CameraModel
        With pictures of the same size; the lens models may differ.

    Returns
    -------
    MappingDifference

    Raises
    ------
    ValueError
        When the sizes differ, or fewer than three points of the grid have a direction.

    Notes
    -----
    The turn is the one with the least sum of squared differences in the second camera's pixels (Gauss-Newton).
    Directions at or beyond 90 degrees off the axis are left out.
    """
    if first.image_size_px != second.image_size_px:
        raise ValueError("mapping_difference: pictures of the same size are needed")
    grid = picture_grid(first.image_size_px)
    rays = unproject(grid, intrinsics_vector(first), first.model)
    # Beyond the fold of the second's polynomial a projection is a number without meaning.
    known = np.isfinite(rays).all(1)
    known &= np.isfinite(unproject(grid, intrinsics_vector(second), second.model)).all(1)
    if known.sum() < 3:
        raise ValueError("mapping_difference: the lens models have no common part of the picture")
    pixels, points = grid[known], np.column_stack([rays[known], np.ones(int(known.sum()))])
    intrinsics = intrinsics_vector(second)
    raw = project_with_derivatives(points, intrinsics, second.model).pixels - pixels
    rotation = np.eye(3)
    for _ in range(_STEPS):
        turned = points @ rotation.T
        found = project_with_derivatives(turned, intrinsics, second.model)
        by_turn = (-found.by_point @ skew(turned)).reshape(-1, 3)
        step = np.linalg.lstsq(by_turn, -(found.pixels - pixels).reshape(-1), rcond=None)[0]
        rotation = exp_rotation(step) @ rotation
    left = project_with_derivatives(points @ rotation.T, intrinsics, second.model).pixels - pixels
    return MappingDifference(
        pixels=pixels,
        raw_px=raw,
        left_px=left,
        turn_rad=log_rotation(rotation),
        unmapped_share=1.0 - float(known.mean()),
    )


def mapping_by_intrinsics(camera: CameraModel, pixels: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Derivatives by the full intrinsics: of what is left of a mapping after the best turn, and of that turn.

    Parameters
    ----------
    camera : CameraModel
    pixels : (M, 2) float64
        With a direction in this camera.

    Returns
    -------
    left : (M, 2, P) float64, px
        How the landing points of the directions now at `pixels` move, the best common turn taken out.
    turn : (3, P) float64, rad
        The turn that undoes most of that movement.
    """
    intrinsics = intrinsics_vector(camera)
    points = np.column_stack([unproject(pixels, intrinsics, camera.model), np.ones(len(pixels))])
    found = project_with_derivatives(points, intrinsics, camera.model)
    by_turn = (-found.by_point @ skew(points)).reshape(-1, 3)
    by_intrinsics = found.by_intrinsics.reshape(len(by_turn), -1)
    turn = -np.linalg.lstsq(by_turn, by_intrinsics, rcond=None)[0]
    left = (by_intrinsics + by_turn @ turn).reshape(len(pixels), 2, -1)
    return np.asarray(left), np.asarray(turn)
