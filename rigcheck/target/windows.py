"""The pixels around a corner that its fit is made from: a cross along the two edges."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Patch = NDArray[np.float32]

__all__ = ["ARM_PX", "ARM_SQUARES", "Windows", "cut_windows"]

ARM_PX = 8.0
ARM_SQUARES = 0.45
MIN_HALF_WIDTH_PX = 1.6
GUARD_BLURS = 2.0
# A corner near the picture's edge may lose this much less than all of its window.
MIN_SHARE = 0.6


@dataclass(frozen=True, kw_only=True, eq=False)
class Windows:
    """Pixels of each corner, flattened: positions relative to `centre`, values, use or not.

    The pixels in use come first in each row; `weights` are 1 for these and 0 for what fills the row up.
    """

    centre: NDArray[np.int64]
    x: Patch
    y: Patch
    values: Patch
    weights: Patch
    inside: NDArray[np.bool_]

    def chosen(self, rows: slice | NDArray[np.int64]) -> "Windows":
        """Keep some of the corners, and no more pixels than the largest of them has."""
        weights = self.weights[rows]
        most = max(int(weights.sum(axis=1).max(initial=1.0)), 1)
        return Windows(
            centre=self.centre[rows],
            x=np.ascontiguousarray(self.x[rows, :most]),
            y=np.ascontiguousarray(self.y[rows, :most]),
            values=np.ascontiguousarray(self.values[rows, :most]),
            weights=np.ascontiguousarray(weights[:, :most]),
            inside=self.inside[rows],
        )


def _half_widths(
    steps: FloatArray, margin_squares: float, blur_px: FloatArray, most_blurs: float
) -> tuple[FloatArray, FloatArray]:
    """Half width across and half length along the arms, both (N, 2), in squares along x and y."""
    area = np.abs(steps[:, 0, 0] * steps[:, 1, 1] - steps[:, 0, 1] * steps[:, 1, 0])
    lengths = np.sqrt((steps * steps).sum(axis=1))
    # Distance between the edges of neighbouring squares, measured square to the edge.
    across_px = area[:, None] / lengths[:, ::-1]
    guard_px = 1.0 + (GUARD_BLURS - 1.0) * blur_px[:, None]
    half_px = np.minimum(margin_squares * across_px - guard_px, most_blurs * blur_px[:, None])
    half = np.clip(half_px, MIN_HALF_WIDTH_PX, ARM_PX) / across_px
    length = np.minimum(ARM_SQUARES, ARM_PX / lengths)
    return np.minimum(half, ARM_SQUARES), np.minimum(np.maximum(length, half), ARM_SQUARES)


def cut_windows(
    image: NDArray[np.uint8],
    points_px: FloatArray,
    steps_px: FloatArray,
    *,
    margin_squares: float,
    blur_px: FloatArray,
    min_pixels: int,
    most_blurs: float = np.inf,
) -> Windows:
    """Cut the window of each corner; see :class:`rigcheck.target.crossing.Crossings` for what describes them.

    Notes
    -----
    Each arm ends before half the way to the neighbouring corner, and its width stays within the white margin,
    so that neither the neighbouring corner nor the marker enters. A corner with no more than `min_pixels`, or
    that lost much of its window to the picture's edge, is not `inside`. Half widths end at `most_blurs` sigmas.
    """
    half, length = _half_widths(steps_px, margin_squares, blur_px, most_blurs)
    reach = np.abs(steps_px) @ length[:, :, None]
    radius = int(np.ceil(reach.max(initial=1.0))) + 1
    centre = np.rint(points_px).astype(np.int64)
    offsets = np.arange(-radius, radius + 1, dtype=np.float32)
    u, v = _in_squares(steps_px, points_px - centre, offsets)
    arms = (u < half[:, :1, None]) | (v < half[:, 1:, None])
    arms &= (u < length[:, :1, None]) & (v < length[:, 1:, None])
    height, width = image.shape
    at = offsets.astype(np.int64)
    columns, rows = centre[:, :1] + at, centre[:, 1:] + at
    exists = ((rows >= 0) & (rows < height))[:, :, None] & ((columns >= 0) & (columns < width))[:, None, :]
    used = arms & exists
    corner, row, column = np.nonzero(used)
    count = np.bincount(corner, minlength=len(centre))
    place = np.arange(len(corner)) - np.repeat(np.cumsum(count) - count, count)
    shape = (len(centre), max(int(count.max(initial=1)), 1))
    flat = corner * shape[1] + place
    values = image[centre[corner, 1] + row - radius, centre[corner, 0] + column - radius]
    return Windows(
        centre=centre,
        x=_filled(shape, flat, offsets[column]),
        y=_filled(shape, flat, offsets[row]),
        values=_filled(shape, flat, values),
        weights=_filled(shape, flat, np.ones(1, dtype=np.float32)),
        inside=(count > min_pixels) & (count > MIN_SHARE * arms.sum(axis=(1, 2))),
    )


def _in_squares(steps: FloatArray, shift: FloatArray, offsets: Patch) -> tuple[Patch, Patch]:
    """How far the pixels around lie from the corner along the board's x and y, (N, S, S), squares."""
    inverse = np.linalg.inv(steps).astype(np.float32)
    start = (inverse @ shift[:, :, None].astype(np.float32))[:, :, None]
    both = [
        np.abs(
            inverse[:, k, :1, None] * offsets[None, None, :]
            + (inverse[:, k, 1:, None] * offsets[None, :, None] - start[:, k, :, :])
        )
        for k in (0, 1)
    ]
    return both[0], both[1]


def _filled(shape: tuple[int, int], flat: NDArray[np.int64], values: NDArray[np.generic]) -> Patch:
    out = np.zeros(shape, dtype=np.float32)
    out.ravel()[flat] = values
    return out
