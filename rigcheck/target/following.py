"""Corners of a board in motion, quickly: good to a few hundredths of a pixel, where a calibration asks for better."""

import numpy as np
from numpy.typing import NDArray

from rigcheck.opencv import cv2
from rigcheck.target.markers import CornerStart

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

__all__ = ["FOLLOWED_SIGMA_PX", "refined_quickly"]

# Published for OpenCV's refinement on real boards: 0.03 to 0.04 px.
FOLLOWED_SIGMA_PX = 0.04
LEAST_HALF_PX, MOST_HALF_PX = 2, 8
MOST_SQUARES = 0.4  # the window ends before the neighbouring corner
MAX_SHIFT_SQUARES = 0.2
_STEPS, _LEAST_STEP_PX = 20, 0.01


def refined_quickly(
    image: NDArray[np.uint8], start: CornerStart, margin_squares: float
) -> tuple[FloatArray, BoolArray]:
    """Refine corners by their grey-value gradients.

    Parameters
    ----------
    image : (H, W) uint8
    start : CornerStart
        N predictions.
    margin_squares : float
        White margin between a square's edge and its marker: the window ends there.

    Returns
    -------
    points_px : (N, 2) float64
        As predicted where they could not be refined.
    refined : (N,) bool
        False where the window leaves the picture or the corner ran away from its prediction.

    Notes
    -----
    One window for all, by the median square: a board at 200 mm is seen at much the same size from edge to edge.

    References
    ----------
    Förstner & Gülch, "A fast operator for detection and precise location of distinct points", 1987, as in
    ``cv2.cornerSubPix``.
    """
    if not len(start.ids):
        return start.points_px, np.zeros(0, dtype=np.bool_)
    square_px = float(np.sqrt(np.median(np.abs(np.linalg.det(start.steps_px)))))
    reach = square_px * min(margin_squares, MOST_SQUARES)
    half = int(np.clip(reach if np.isfinite(reach) else 0.0, LEAST_HALF_PX, MOST_HALF_PX))
    size = np.array(image.shape[::-1])
    room = half + 2
    inside = ((start.points_px > room) & (start.points_px < size - 1 - room)).all(axis=1)
    points = start.points_px.copy()
    if inside.any():
        criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, _STEPS, _LEAST_STEP_PX)
        rough = points[inside].astype(np.float32).reshape(-1, 1, 2)
        found = cv2.cornerSubPix(image, rough, (half, half), (-1, -1), criteria)
        points[inside] = np.asarray(found).reshape(-1, 2)
    near = np.linalg.norm(points - start.points_px, axis=1) < max(MAX_SHIFT_SQUARES * square_px, 1.0)
    return np.where((inside & near)[:, None], points, start.points_px), np.asarray(inside & near)
