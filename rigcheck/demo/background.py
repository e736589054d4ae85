"""What is behind the board: a dim room, far out of focus."""

import numpy as np

from rigcheck.demo.mount import Picture32
from rigcheck.opencv import cv2

__all__ = ["dim_room"]

_CELL_PX = 4  # painted at a quarter of the size: it is out of focus anyway


def dim_room(rng: np.random.Generator, size_px: tuple[int, int], *, blur_px: float = 9.0) -> Picture32:
    """Paint a dim workshop, out of focus: (H, W) float32, code values.

    Parameters
    ----------
    rng : numpy.random.Generator
    size_px : (width, height)
    blur_px : float
        Gaussian sigma of its blur.
    """
    width, height = (side // _CELL_PX + 1 for side in size_px)
    room = np.full((height, width), 9.0, dtype=np.float32)
    for size in (60.0, 18.0, 5.0):
        patches = rng.standard_normal((height, width), dtype=np.float32)
        room += cv2.GaussianBlur(patches, (0, 0), size) * np.float32(1.2 * size)
    for _ in range(9):  # shelves, cases, a doorway
        x, y = rng.uniform(-0.1, 1.0, 2) * (width, height)
        w, h = rng.uniform(0.05, 0.35, 2) * (width, height)
        corners = np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]])
        cv2.fillPoly(room, [np.rint(corners).astype(np.int32)], float(rng.uniform(4, 19)))
    for _ in range(5):  # lamps far away
        spot = (int(rng.uniform(0, width)), int(rng.uniform(0, height)))
        cv2.circle(room, spot, int(rng.uniform(2, 6)), float(rng.uniform(30, 90)), -1)
    soft = cv2.GaussianBlur(np.clip(room, 2, 110), (0, 0), blur_px / _CELL_PX)
    full = cv2.resize(soft, (width * _CELL_PX, height * _CELL_PX), interpolation=cv2.INTER_CUBIC)
    return np.asarray(full[: size_px[1], : size_px[0]], dtype=np.float32)
