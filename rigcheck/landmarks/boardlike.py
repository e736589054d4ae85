"""Whether a picture shows a pattern of squares rather than a face."""

import numpy as np
from numpy.typing import NDArray

from rigcheck.opencv import cv2

__all__ = ["looks_like_board"]

_LONGER_SIDE = 640
_LEAST_SQUARES = 8
_LEAST_AREA_PX = (
    100.0  # squares of a board held before a face are far larger; markers, freckles and hairs are not
)
_ALIKE = 2.5  # how far areas of one board's squares may differ, seen at a slant


def looks_like_board(grey: NDArray[np.uint8]) -> bool:
    """Whether many dark four-sided patches of like size are seen.

    Parameters
    ----------
    grey : (H, W) uint8
    """
    scale = min(1.0, _LONGER_SIDE / max(grey.shape))
    small = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    dark = cv2.adaptiveThreshold(small, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, 61, 10)
    dark = cv2.erode(dark, np.ones((3, 3), dtype=np.uint8))  # parts squares that touch at corners
    contours, _ = cv2.findContours(dark, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
    areas = np.sort([area for area in map(_four_sided_area, contours) if area > 0.0])
    if len(areas) < _LEAST_SQUARES:
        return False
    most = max(np.searchsorted(areas, areas * _ALIKE, side="right") - np.arange(len(areas)))
    return bool(most >= _LEAST_SQUARES)


def _four_sided_area(contour: NDArray[np.integer | np.floating]) -> float:
    """Area of a convex four-sided contour, else 0."""
    if len(contour) < 4:
        return 0.0
    area = float(cv2.contourArea(contour))
    if area < _LEAST_AREA_PX:
        return 0.0
    outline = cv2.approxPolyDP(contour, 0.05 * float(cv2.arcLength(contour, True)), True).reshape(-1, 2)
    if len(outline) != 4 or not cv2.isContourConvex(outline.reshape(-1, 1, 2)):
        return 0.0
    corners = outline.astype(np.float64)
    sides = np.linalg.norm(corners - np.roll(corners, -1, axis=0), axis=1)
    square = float(sides.min()) > 0.5 * float(sides.max())
    return area if square and 0.9 < float(cv2.contourArea(outline)) / area < 1.12 else 0.0
