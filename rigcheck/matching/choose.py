"""Where in picture 1 a match is worth trying: textured, well lit, spread over the mask."""

import numpy as np
from numpy.typing import NDArray

from rigcheck.model._arrays import BoolArray, IntArray
from rigcheck.opencv import cv2

__all__ = ["chosen_places", "well_lit"]

Float32 = NDArray[np.float32]

# Share of full scale from which a pixel counts as blown, and how far from it nothing is compared, px.
_BLOWN, _BLOWN_REACH_PX = 0.985, 7
# A small highlight: brighter than its wider surroundings by this factor.
_HIGHLIGHT = 1.6
_TRIED_PER_MATCH = 1.6


def well_lit(picture: NDArray[np.uint8] | NDArray[np.uint16], full_dn: float) -> BoolArray:
    """Pixels (H, W) clear of blown light and of small highlights, which do not lie on the skin.

    Parameters
    ----------
    picture : (H, W)
    full_dn : float
        Largest code value.

    Notes
    -----
    A broad, soft highlight is not seen here: it carries no detail of its own, and a patch in which it matters
    differs in brightness between the cameras (see :mod:`rigcheck.matching.outliers`).
    """
    small = cv2.resize(picture, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA).astype(np.float32)
    around = cv2.blur(small, (31, 31))
    bright = ((small > _HIGHLIGHT * around) & (small > 0.35 * full_dn)).astype(np.uint8)
    wider = cv2.resize(cv2.dilate(bright, np.ones((3, 3), np.uint8)), picture.shape[::-1])
    blown = (picture >= _BLOWN * full_dn).astype(np.uint8)
    if not blown.any():
        return np.asarray(wider == 0)
    side = 2 * _BLOWN_REACH_PX + 1
    return np.asarray((wider == 0) & (cv2.dilate(blown, np.ones((side, side), np.uint8)) == 0))


def chosen_places(smoothed: Float32, allowed: BoolArray, *, wanted: int, reach_px: int) -> IntArray:
    """Whole pixels (N, 2) (x, y) with the most telling texture, one in each cell of a grid.

    Parameters
    ----------
    smoothed : (H, W) float32
    allowed : (H, W) bool
    wanted : int
        Matches hoped for; more places are tried.
    reach_px : int
        Half a patch: nothing nearer to the picture's edge.
    """
    inside = allowed.copy()
    edge = reach_px + 3
    inside[:edge] = inside[-edge:] = False
    inside[:, :edge] = inside[:, -edge:] = False
    area = int(inside.sum())
    if area == 0:
        return np.zeros((0, 2), dtype=np.int64)
    cell = int(max(np.sqrt(area / (wanted * _TRIED_PER_MATCH)), 4))
    height, width = (side // 2 * 2 for side in smoothed.shape)
    half = cv2.resize(smoothed[:height, :width], (width // 2, height // 2), interpolation=cv2.INTER_AREA)
    block = max(reach_px // 2, 2) * 2 + 1
    texture = cv2.cornerMinEigenVal(half, block, ksize=3, borderType=cv2.BORDER_REPLICATE)
    rows, columns = half.shape
    texture = np.where(inside[:height:2, :width:2], texture, 0)
    step = max(cell // 2, 2)
    high, wide = rows // step, columns // step
    if high == 0 or wide == 0:
        return np.zeros((0, 2), dtype=np.int64)
    cells = texture[: high * step, : wide * step].reshape(high, step, wide, step).transpose(0, 2, 1, 3)
    flat = cells.reshape(high * wide, step * step)
    best, strength = flat.argmax(axis=1), flat.max(axis=1)
    row = (np.arange(high * wide) // wide) * step + best // step
    column = (np.arange(high * wide) % wide) * step + best % step
    order = np.flatnonzero(strength > 0)
    return np.stack([2 * column[order], 2 * row[order]], axis=1).astype(np.int64)
