"""The mouth laid out straight: columns from corner to corner, rows down the face."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.picks_shape import face_axes
from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2

__all__ = ["FINE_COLUMNS", "LOWER_INNER", "UPPER_INNER", "MouthStrip", "mouth_strip"]

# Edge of the upper and the lower lip along the opening, the performer's right corner to the left.
UPPER_INNER = (78, 191, 80, 81, 82, 13, 312, 311, 310, 415, 308)
LOWER_INNER = (78, 95, 88, 178, 87, 14, 317, 402, 318, 324, 308)
# Rows are so far apart that finer pictures tell no more than a seam's width; smoothed by this share of it.
_STEP = 0.003
_SOFTEN = 0.6
FINE_COLUMNS = 240  # enough for the lines between teeth
_FROM_CORNERS = 0.06  # share of the opening's width left out at either end


@dataclass(frozen=True, kw_only=True, eq=False)
class MouthStrip:
    """Code values over black along the mouth.

    `levels` (R, C); `height` (R,) where each row lies from the middle of the inner lips, down positive, in
    outer-eye distances; `upper`, `lower` (C,) where the points put the lips' edges, the same; `along` (C,) the share
    of the way from the performer's right corner of the opening to the left; `unit_px` the outer-eye distance;
    `places_px` (R, C, 2) in the picture as recorded.
    """

    levels: FloatArray
    height: FloatArray
    upper: FloatArray
    lower: FloatArray
    along: FloatArray
    unit_px: float
    places_px: FloatArray

    @property
    def step(self) -> float:
        """Between rows, in outer-eye distances."""
        return float(self.height[1] - self.height[0])


def mouth_strip(
    picture: NDArray[np.uint8] | NDArray[np.uint16],
    points_px: FloatArray,
    *,
    black_dn: float = 0.0,
    reach: float = 0.15,
    columns: int = 48,
) -> MouthStrip | None:
    """Lay the mouth out straight.

    Parameters
    ----------
    picture : (H, W)
        As recorded.
    points_px : (478, 2) float64, px, as recorded
    black_dn : float
        Code value of darkness.
    reach : float
        Rows reach so far above the upper and below the lower lip's edge, in outer-eye distances.
    columns : int

    Returns
    -------
    MouthStrip or None
        None when a point is not known or the mouth lies outside the picture.
    """
    needed = points_px[[*UPPER_INNER, *LOWER_INNER]]
    if not np.isfinite(needed).all():
        return None
    _, _, unit = face_axes(points_px)
    first, last = points_px[UPPER_INNER[0]], points_px[UPPER_INNER[-1]]
    width = float(np.linalg.norm(last - first))
    if unit < 1.0 or width < 8.0:
        return None
    axis = (last - first) / width
    down = np.array([-axis[1], axis[0]]) * (np.sign(face_axes(points_px)[1] @ [-axis[1], axis[0]]) or 1.0)
    along = np.linspace(_FROM_CORNERS, 1.0 - _FROM_CORNERS, columns)
    upper, lower = (
        _edge(points_px[list(edge)] - first, axis, down, along * width) for edge in (UPPER_INNER, LOWER_INNER)
    )
    middle = (upper + lower) / 2.0
    half = reach * unit + float(np.max(lower - upper)) / 2.0
    step = max(_STEP * unit, 1.0)
    rows = step * np.arange(-int(half / step), int(half / step) + 1)
    base = first + np.outer(along * width, axis) + np.outer(middle, down)
    places = base[None] + rows[:, None, None] * down
    size = np.array(picture.shape[1::-1])
    if (places < 0).any() or (places > size - 1.0).any():
        return None
    return MouthStrip(
        levels=_sampled(picture, places, _SOFTEN * step) - black_dn,
        height=np.asarray(rows / unit, dtype=np.float64),
        upper=(upper - middle) / unit,
        lower=(lower - middle) / unit,
        along=along,
        unit_px=unit,
        places_px=places,
    )


def _edge(points: FloatArray, axis: FloatArray, down: FloatArray, at: FloatArray) -> FloatArray:
    along, below = points @ axis, points @ down
    order = np.argsort(along)
    return np.asarray(np.interp(at, along[order], below[order]))


def _sampled(
    picture: NDArray[np.uint8] | NDArray[np.uint16], places: FloatArray, soft_px: float
) -> FloatArray:
    """Bilinear samples of the slightly smoothed picture; only the part needed is smoothed."""
    low = np.maximum(np.floor(places.min(axis=(0, 1))).astype(int) - 4, 0)
    high = np.ceil(places.max(axis=(0, 1))).astype(int) + 5
    part = cv2.GaussianBlur(picture[low[1] : high[1], low[0] : high[0]].astype(np.float32), (0, 0), soft_px)
    at = (places - low).astype(np.float32)
    return np.asarray(cv2.remap(part, at[..., 0], at[..., 1], cv2.INTER_LINEAR), dtype=np.float64)
