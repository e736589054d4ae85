"""A cheap look at a picture: whether the board is there, and roughly where its corners are."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.opencv import cv2
from rigcheck.target.markers import Markers

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

__all__ = ["MARKERS_LONG_SIDE_PX", "SQUARES_LONG_SIDE_PX", "Glance", "shrunken"]

# Markers must still be decoded; a plain grid of squares is found in a smaller picture.
MARKERS_LONG_SIDE_PX = 760
SQUARES_LONG_SIDE_PX = 480


@dataclass(frozen=True, kw_only=True, eq=False)
class Glance:
    """Rough corners of a board, from a shrunken picture.

    Parameters
    ----------
    corner_ids : (N,) int
        Ids in the board's order.
    corners_px : (N, 2) float64
        In the whole picture, px; good to a pixel or two: for motion between neighbouring frames and
        for choosing views, never for a calibration.
    n_markers : int
        Markers that agree with one another; 0 for a checkerboard.
    markers : Markers
        All that were found, in the whole picture.
    """

    corner_ids: IntArray
    corners_px: FloatArray
    n_markers: int
    markers: Markers

    @property
    def n(self) -> int:
        """Number of corners."""
        return len(self.corner_ids)


def shrunken(image: NDArray[np.uint8], long_side_px: int) -> tuple[NDArray[np.uint8], int]:
    """Shrink a picture by a whole factor to a long side of about `long_side_px`.

    Returns
    -------
    (H / factor, W / factor) uint8, factor
        Pixel (x, y) of the small picture is the mean of a block; its centre lies at
        ``(x + 0.5) * factor - 0.5`` in the large one.
    """
    factor = max(1, round(max(image.shape) / long_side_px))
    if factor == 1 or min(image.shape) < factor:
        return image, 1
    height, width = (side // factor for side in image.shape)
    block = image[: height * factor, : width * factor]
    small = cv2.resize(block, (width, height), interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.uint8), factor
