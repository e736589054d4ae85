"""Whether the odd lines of a picture show the board where the even ones do: fields of two moments do not."""

import numpy as np
from numpy.typing import NDArray

from rigcheck.model import Observation

__all__ = ["fields_apart_px"]

_LEAST_SIDE_PX = 16


def fields_apart_px(image: NDArray[np.uint8], observation: Observation) -> float | None:
    """Shift of the odd lines against the even ones, over the seen part of the board.

    Parameters
    ----------
    image : (H, W) uint8
    observation : Observation
        Where the board is.

    Returns
    -------
    float or None
        px; about 0 where all lines are of one moment, or the board was at rest. None where the board is too small.

    Notes
    -----
    Each odd line is compared with the mean of the even ones above and below it; what differs is fitted by the
    slopes along x and y (one linear step). What a mean of two lines gets wrong at a level edge is odd about
    the edge, its slope even: they do not mix. Shifts larger than the edges' blur come out too small, yet
    about as large as the blur.
    """
    low = np.maximum(np.floor(observation.corners_px.min(0)).astype(int), 0)
    high = np.ceil(observation.corners_px.max(0)).astype(int) + 1
    part = image[low[1] : high[1], low[0] : high[0]].astype(np.float32)
    if min(part.shape) < _LEAST_SIDE_PX:
        return None
    rows = (part.shape[0] - 1) // 2
    above, odd, below = part[0 : 2 * rows : 2], part[1 : 2 * rows : 2], part[2 : 2 * rows + 1 : 2]
    between = 0.5 * (above + below)
    differs = (odd - between)[:, 1:-1].ravel()
    along_x = 0.5 * (between[:, 2:] - between[:, :-2]).ravel()
    along_y = 0.5 * (below - above)[:, 1:-1].ravel()
    slopes = np.stack([along_x, along_y]).astype(np.float64)
    information = slopes @ slopes.T
    if np.linalg.cond(information) > 1e6:
        return None
    shift = np.linalg.solve(information, slopes @ differs.astype(np.float64))
    return float(np.hypot(*shift))
