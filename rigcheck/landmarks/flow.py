"""Points followed from one picture to another by pyramidal Lucas-Kanade on locally normalised pictures.

References
----------
Lucas & Kanade, IJCAI 1981; Bouguet, pyramidal implementation, Intel 2000; Kalal et al., ICPR 2010 (forward-backward
error).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.model._arrays import BoolArray, FloatArray
from rigcheck.opencv import cv2

__all__ = ["Flow", "follow", "normalised", "window_px"]

_MOST_ROUND_TRIP_PX = 2.0
_CONTRAST = 40.0  # code values a local standard deviation becomes
_FLOOR = 1.5  # code values of noise that are not amplified
_LEVELS = 4


@dataclass(frozen=True, kw_only=True, eq=False)
class Flow:
    """Where points went: (N, 2) px, the round trip's miss (N,) px, and which are trusted (N,)."""

    points_px: FloatArray
    round_trip_px: FloatArray
    trusted: BoolArray


def window_px(size_px: tuple[int, int]) -> int:
    """Side of the window compared, px: 41 on a longer side of 1440, in proportion, odd, at least 15."""
    return max(15, round(41 * max(size_px) / 1440) // 2 * 2 + 1)


def normalised(grey: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Take local mean and deviation out, so that an exposure change or a shadow does not lose the points.

    Parameters
    ----------
    grey : (H, W) uint8
    """
    side = window_px((grey.shape[1], grey.shape[0]))
    picture = grey.astype(np.float32)
    off = picture - cv2.blur(picture, (side, side))
    spread = cv2.sqrt(cv2.blur(off * off, (side, side)))
    scaled = off / cv2.max(spread, _FLOOR)
    return np.asarray(cv2.convertScaleAbs(cv2.max(scaled * _CONTRAST + 128.0, 0.0)), dtype=np.uint8)


def follow(
    before: NDArray[np.uint8],
    after: NDArray[np.uint8],
    points_px: FloatArray,
    *,
    start_px: FloatArray | None = None,
) -> Flow:
    """Follow points from one normalised picture to another, and back.

    Parameters
    ----------
    before, after : (H, W) uint8
        From :func:`normalised`, of equal size.
    points_px : (N, 2) float64, px, in `before`
    start_px : (N, 2) float64, px, in `after`, optional
        Where to start looking; default: at the same place.

    Returns
    -------
    Flow
        Trusted where the way back misses the start by less than 2 px and the point stays in the picture.
    """
    if len(points_px) == 0:
        nothing = np.zeros(0)
        return Flow(points_px=np.zeros((0, 2)), round_trip_px=nothing, trusted=nothing.astype(bool))
    side = window_px((before.shape[1], before.shape[0]))
    there, ok = _one_way(before, after, points_px, points_px if start_px is None else start_px, side)
    back, ok_back = _one_way(after, before, there, points_px, side)
    miss = np.linalg.norm(back - points_px, axis=1)
    inside = np.all((there >= 0) & (there <= np.array(before.shape[::-1]) - 1.0), axis=1)
    trusted = ok & ok_back & inside & (miss < _MOST_ROUND_TRIP_PX)
    return Flow(points_px=there, round_trip_px=miss, trusted=np.asarray(trusted))


def _one_way(
    before: NDArray[np.uint8], after: NDArray[np.uint8], points: FloatArray, start: FloatArray, side: int
) -> tuple[FloatArray, BoolArray]:
    there, status, _ = cv2.calcOpticalFlowPyrLK(
        before,
        after,
        points.astype(np.float32).reshape(-1, 1, 2),
        start.astype(np.float32).reshape(-1, 1, 2).copy(),
        winSize=(side, side),
        maxLevel=_LEVELS,
        criteria=(cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 30, 0.005),
        flags=cv2.OPTFLOW_USE_INITIAL_FLOW,
    )
    return np.asarray(there, dtype=np.float64).reshape(-1, 2), np.asarray(status, dtype=bool).reshape(-1)
