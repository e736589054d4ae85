"""What a solution rests on: the views, the covered area, the spread of tilts."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rigcheck.calibration.solve import Solution
from rigcheck.geometry import fit_residuals
from rigcheck.geometry.board_views import View
from rigcheck.geometry.fit_residuals import rms_px
from rigcheck.geometry.robust import OUTLIER_WEIGHT
from rigcheck.model import ViewResult
from rigcheck.opencv import cv2

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Cells along the longer side of a coverage map.
_COVERAGE_CELLS = 32

__all__ = [
    "camera_rms_px",
    "corner_ids",
    "coverage_map",
    "coverage_of_views",
    "epipolar_rms_px",
    "outlier_share",
    "tilt_spread_deg",
    "view_results",
]


def _rows(solution: Solution, camera: int) -> NDArray[np.bool_]:
    return np.asarray(solution.adjustment.observations.camera_idx == camera)


def camera_rms_px(solution: Solution, camera: int | None = None) -> float:
    """Per-point RMS of the corners that the robust fit kept, px; of both cameras when none is named."""
    return rms_px(solution.adjustment, camera)


def outlier_share(solution: Solution, camera: int) -> float:
    """Share of a camera's corners that the robust fit left out."""
    mine = _rows(solution, camera)
    return float((solution.adjustment.weights[mine] < OUTLIER_WEIGHT).mean())


def view_results(solution: Solution) -> tuple[ViewResult, ...]:
    """Each view with its residuals, pose, tilt and distance."""
    return fit_residuals.view_results(solution.adjustment, solution.views, solution.board)


def coverage_map(solution: Solution, camera: int) -> IntArray:
    """In how many views each cell of the picture lay within the seen part of the board, (rows, columns)."""
    return coverage_of_views(solution.views, camera, solution.setups[camera].image_size_px)


def coverage_of_views(views: Sequence[View], camera: int, image_size_px: tuple[int, int]) -> IntArray:
    """Tell the same of views that no solution is known of, for a picture of (width, height)."""
    width, height = image_size_px
    cell = max(width, height) / _COVERAGE_CELLS
    shape = max(1, round(height / cell)), max(1, round(width / cell))
    out = np.zeros(shape, dtype=np.int64)
    scale = np.array([shape[1] / width, shape[0] / height])
    for view in views:
        side = view[camera]
        if side is None:
            continue
        # Cell (0, 0)'s centre stands at half a cell; OpenCV fills by pixel centres.
        corners = ((side.corners_px + 0.5) * scale - 0.5).astype(np.float32)
        hull = np.rint(cv2.convexHull(corners).reshape(-1, 2) * 256).astype(np.int32)
        mask = np.zeros(shape, dtype=np.uint8)
        cv2.fillConvexPoly(mask, hull.reshape(-1, 1, 2), 1, shift=8)
        out += mask
    return out


def tilt_spread_deg(solution: Solution, camera: int) -> float:
    """Spread of board orientations in the direction in which they spread least, degrees.

    Notes
    -----
    Standard deviation of the board normal's slope angles about the camera's x and y, smallest over all
    directions. Near zero for flat-on sets, however many pictures: parallel planes add nothing (Zhang 2000).
    Boards all tilted about one axis give zero too, since the focal length across it stays weak.
    """
    state = solution.adjustment.state
    normals = [
        (state.rotation if camera == 1 else np.eye(3)) @ state.board_rotations[number][:, 2]
        for number, view in enumerate(solution.views)
        if view[camera] is not None
    ]
    n = np.array(normals)
    n = n * np.sign(n[:, 2:])
    slopes = np.degrees(np.arctan2(n[:, :2], n[:, 2:]))
    if len(slopes) < 2:
        return 0.0
    return float(np.sqrt(max(float(np.linalg.eigvalsh(np.cov(slopes.T))[0]), 0.0)))


def epipolar_rms_px(solution: Solution) -> tuple[float, int]:
    """RMS Sampson distance over corners that both cameras saw and the fit kept, px; and their number."""
    return fit_residuals.epipolar_rms_px(solution.adjustment, solution.views)


def corner_ids(solution: Solution) -> IntArray:
    """Id of every corner of the adjustment, in its order."""
    return fit_residuals.corner_ids(solution.views)
