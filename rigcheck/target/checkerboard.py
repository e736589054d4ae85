"""Plain checkerboards: OpenCV finds the grid, the colours of the squares say which way round it is."""

import numpy as np
from numpy.typing import NDArray

from rigcheck.model import BoardSpec
from rigcheck.opencv import cv2
from rigcheck.target.layout import board_layout
from rigcheck.target.markers import CornerStart
from rigcheck.target.neighbours import local_map

FloatArray = NDArray[np.float64]

__all__ = ["checkerboard_starts", "oriented_grid"]

MIN_COLOUR_SHARE = 0.9


def checkerboard_starts(
    image: NDArray[np.uint8], spec: BoardSpec, *, quick: bool = False
) -> CornerStart | None:
    """Find a checkerboard's inner corners, numbered by the board's convention.

    Parameters
    ----------
    image : (H, W) uint8
    spec : BoardSpec
        A checkerboard; see :func:`rigcheck.target.check_board`.
    quick : bool
        Ask the older detector alone, once.

    Returns
    -------
    CornerStart or None
        Every inner corner, or None where the whole board was not seen.

    Notes
    -----
    Two of OpenCV's detectors are asked, since each misses boards that the other finds: the older
    one with adaptive threshold first (it is quick to say no), then the sector-based one.
    """
    for grid in _candidates(image, spec.corner_grid, quick):
        ordered = oriented_grid(image, grid, spec)
        if ordered is not None:
            columns, rows = spec.corner_grid
            board = _board_points(columns, rows)
            steps = local_map(board, board, ordered).steps_px
            return CornerStart(ids=np.arange(columns * rows), points_px=ordered, steps_px=steps)
    return None


def _board_points(columns: int, rows: int) -> FloatArray:
    x, y = (grid.ravel() + 1.0 for grid in np.meshgrid(np.arange(columns), np.arange(rows)))
    return np.stack([x, y], axis=1)


def _candidates(image: NDArray[np.uint8], corner_grid: tuple[int, int], quick: bool) -> "list[FloatArray]":
    columns, rows = corner_grid
    flags = cv2.CALIB_CB_ADAPTIVE_THRESH
    if not quick:
        flags |= cv2.CALIB_CB_NORMALIZE_IMAGE
    found, corners = cv2.findChessboardCorners(image, corner_grid, flags=flags)
    if not found and not quick:
        found, corners = cv2.findChessboardCornersSB(image, corner_grid, flags=cv2.CALIB_CB_NORMALIZE_IMAGE)
    if not found or corners is None:
        return []
    return [np.asarray(corners, dtype=np.float64).reshape(rows, columns, 2)]


def oriented_grid(image: NDArray[np.uint8], grid: FloatArray, spec: BoardSpec) -> FloatArray | None:
    """Put a found grid of corners in the board's order.

    Parameters
    ----------
    image : (H, W) uint8
    grid : (rows, columns, 2) float64, px
        Inner corners in an order that may be turned by 180 degrees or mirrored.
    spec : BoardSpec

    Returns
    -------
    (N, 2) float64 or None
        Corners in id order: the square at the board's origin is black and the board is seen from
        its front. None where the squares' colours fit neither way round.
    """
    across, down = grid[:, -1] - grid[:, 0], grid[-1] - grid[0]
    if _cross(across.mean(axis=0), down.mean(axis=0)) < 0:
        grid = grid[:, ::-1]
    # Squares between four found corners: the first of them is square (1, 1) of the board.
    centres = 0.25 * (grid[:-1, :-1] + grid[1:, :-1] + grid[:-1, 1:] + grid[1:, 1:])
    limit = np.array(image.shape[::-1]) - 1
    columns, rows = np.moveaxis(np.clip(np.rint(centres), 0, limit).astype(np.int64), -1, 0)
    smooth = cv2.blur(image, (3, 3))
    values = smooth[rows, columns].astype(np.float64)
    black = board_layout(spec).black[1:-1, 1:-1]
    as_found, turned = (_colour_share(values, pattern) for pattern in (black, black[::-1, ::-1]))
    if max(as_found, turned) < MIN_COLOUR_SHARE:
        return None
    if turned > as_found:
        grid = grid[::-1, ::-1]
    return np.ascontiguousarray(grid.reshape(-1, 2))


def _cross(a: FloatArray, b: FloatArray) -> float:
    return float(a[0] * b[1] - a[1] * b[0])


def _colour_share(values: FloatArray, black: NDArray[np.bool_]) -> float:
    """Share of neighbouring squares whose order of brightness is the pattern's."""
    right = (values[:, 1:] > values[:, :-1]) == (black[:, :-1])
    below = (values[1:] > values[:-1]) == (black[:-1])
    return float(np.concatenate([right.ravel(), below.ravel()]).mean())
