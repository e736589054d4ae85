"""Closed forms for a flat board: focal length and pose from homographies.

References
----------
Zhang, "A flexible new technique for camera calibration", IEEE PAMI 22(11), 2000, sections 2-3.
"""

import numpy as np
from numpy.typing import NDArray

from rigcheck.geometry.rotation import nearest_rotation

FloatArray = NDArray[np.float64]

__all__ = ["focal_from_homographies", "homography", "pose_from_homography"]


def homography(plane: FloatArray, image: FloatArray) -> FloatArray:
    """Least-squares homography image ~ H plane (normalised direct linear transform).

    Parameters
    ----------
    plane, image : (N, 2) float64, N >= 4, not all on a line

    Returns
    -------
    (3, 3) float64, H[2, 2] may be any value; scaled to unit Frobenius norm
    """

    def normalised(points: FloatArray) -> tuple[FloatArray, FloatArray]:
        centre = points.mean(0)
        size = np.sqrt(2.0) / max(float(np.sqrt(((points - centre) ** 2).sum(1)).mean()), 1e-300)
        transform = np.array([[size, 0, -size * centre[0]], [0, size, -size * centre[1]], [0, 0, 1.0]])
        return (points - centre) * size, transform

    a, from_a = normalised(plane)
    b, from_b = normalised(image)
    one, zero = np.ones(len(a)), np.zeros((len(a), 3))
    left = np.column_stack([a, one])
    rows = np.concatenate(
        [
            np.column_stack([left, zero, -b[:, :1] * left]),
            np.column_stack([zero, left, -b[:, 1:] * left]),
        ]
    )
    h = np.linalg.svd(rows, full_matrices=False)[2][-1].reshape(3, 3)
    full = np.linalg.solve(from_b, h @ from_a)
    return np.asarray(full / np.linalg.norm(full))


def focal_from_homographies(homographies: FloatArray, centre_px: FloatArray) -> float | None:
    """Focal length with square pixels and the principal point given (Zhang 2000, eq. 3-4).

    Parameters
    ----------
    homographies : (V, 3, 3) float64
        Board plane to pixels.
    centre_px : (2,) float64

    Returns
    -------
    float or None
        None when the views do not determine it: flat-on boards constrain nothing.

    Notes
    -----
    Each view gives h1' w h2 = 0 and h1' w h1 = h2' w h2 with w = diag(1/f^2, 1/f^2, 1). The views'
    equations are combined by least squares in 1/f^2; a value that is not positive means none.
    """
    shift = np.array([[1.0, 0.0, -centre_px[0]], [0.0, 1.0, -centre_px[1]], [0.0, 0.0, 1.0]])
    h = shift @ homographies
    h = h / np.linalg.norm(h[:, :, :2], axis=(1, 2), keepdims=True)
    h1, h2 = h[:, :, 0], h[:, :, 1]
    slope = np.concatenate([(h1 * h2)[:, :2].sum(1), (h1**2 - h2**2)[:, :2].sum(1)])
    offset = np.concatenate([(h1 * h2)[:, 2], (h1**2 - h2**2)[:, 2]])
    if float(slope @ slope) == 0.0:
        return None
    inverse_square = -float(slope @ offset) / float(slope @ slope)
    return float(inverse_square**-0.5) if inverse_square > 0 else None


def pose_from_homography(h: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Pose of a board from its homography to normalised coordinates (Zhang 2000, section 3.1).

    Parameters
    ----------
    h : (3, 3) float64
        Board plane (mm) to (X/Z, Y/Z).

    Returns
    -------
    rotation : (3, 3), translation : (3,) mm
        camera_from_board, the board before the camera.
    """
    size = 0.5 * (np.linalg.norm(h[:, 0]) + np.linalg.norm(h[:, 1]))
    h = h / size if h[2, 2] > 0 else -h / size
    rotation = nearest_rotation(np.column_stack([h[:, 0], h[:, 1], np.cross(h[:, 0], h[:, 1])]))
    return rotation, h[:, 2]
