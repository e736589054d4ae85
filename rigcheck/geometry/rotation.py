"""Rotations: vectors, matrices, and the three named turns of a camera pair."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

__all__ = [
    "PairAxes",
    "angle_between",
    "angles_apart",
    "exp_rotation",
    "log_rotation",
    "nearest_rotation",
    "pair_axes",
    "poses_between",
    "skew",
]


def skew(vectors: ArrayLike) -> FloatArray:
    """Cross-product matrices: ``skew(a) @ b == cross(a, b)``.

    Parameters
    ----------
    vectors : (..., 3) array_like

    Returns
    -------
    (..., 3, 3) float64
    """
    v = np.asarray(vectors, dtype=np.float64)
    out = np.zeros((*v.shape[:-1], 3, 3))
    out[..., 0, 1], out[..., 0, 2] = -v[..., 2], v[..., 1]
    out[..., 1, 0], out[..., 1, 2] = v[..., 2], -v[..., 0]
    out[..., 2, 0], out[..., 2, 1] = -v[..., 1], v[..., 0]
    return out


def exp_rotation(rotation_vectors: ArrayLike) -> FloatArray:
    """Rotation matrices of rotation vectors (Rodrigues' formula).

    Parameters
    ----------
    rotation_vectors : (..., 3) array_like, rad

    Returns
    -------
    (..., 3, 3) float64

    Notes
    -----
    Stable at zero: series are used below 1e-4 rad.
    """
    v = np.asarray(rotation_vectors, dtype=np.float64)
    angle2 = (v**2).sum(-1)[..., None, None]
    angle = np.sqrt(angle2)
    small = angle < 1e-4
    safe = np.where(small, 1.0, angle)
    a = np.where(small, 1.0 - angle2 / 6.0, np.sin(safe) / safe)
    b = np.where(small, 0.5 - angle2 / 24.0, (1.0 - np.cos(safe)) / safe**2)
    k = skew(v)
    return np.asarray(np.eye(3) + a * k + b * (k @ k))


def log_rotation(rotation: ArrayLike) -> FloatArray:
    """Rotation vector of one rotation matrix.

    Parameters
    ----------
    rotation : (3, 3) array_like

    Returns
    -------
    (3,) float64, rad, length within [0, pi]

    Notes
    -----
    Near pi the axis is read from the symmetric part; at exactly pi its sign is arbitrary.
    """
    r = np.asarray(rotation, dtype=np.float64)
    sine = 0.5 * np.array([r[2, 1] - r[1, 2], r[0, 2] - r[2, 0], r[1, 0] - r[0, 1]])
    sin_angle = float(np.linalg.norm(sine))
    cos_angle = 0.5 * (float(np.trace(r)) - 1.0)
    angle = float(np.arctan2(sin_angle, cos_angle))
    if sin_angle > 1e-6:
        return sine * (angle / sin_angle)
    if cos_angle > 0:
        return sine
    outer = 0.5 * (r + np.eye(3))
    axis = outer[:, int(np.argmax(np.diag(outer)))]
    axis = axis / np.linalg.norm(axis)
    if axis @ sine < 0:
        axis = -axis
    return axis * angle


def nearest_rotation(matrix: ArrayLike) -> FloatArray:
    """Rotation matrix closest in the Frobenius norm (orthogonal Procrustes).

    Parameters
    ----------
    matrix : (3, 3) array_like
    """
    u, _, vt = np.linalg.svd(np.asarray(matrix, dtype=np.float64))
    d = np.diag([1.0, 1.0, float(np.sign(np.linalg.det(u @ vt)))])
    return np.asarray(u @ d @ vt)


def angle_between(rotation_a: FloatArray, rotation_b: FloatArray) -> float:
    """Angle of the turn from one rotation to another, rad."""
    return float(np.linalg.norm(log_rotation(rotation_a @ rotation_b.T)))


def poses_between(
    first: tuple[FloatArray, FloatArray], second: tuple[FloatArray, FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """Pose of camera 2 from camera 1 by each board pose that both see: rotations (N, 3, 3), translations (N, 3).

    Parameters
    ----------
    first, second : rotations (N, 3, 3) and translations (N, 3)
        camera_from_board of either camera, row for row of one moment.
    """
    rotations = second[0] @ np.swapaxes(first[0], 1, 2)
    return rotations, np.asarray(second[1] - np.einsum("nij,nj->ni", rotations, first[1]))


def angles_apart(rotations: FloatArray) -> FloatArray:
    """Angles of the turns between all of some rotations, rad: (N, N) of (N, 3, 3).

    Notes
    -----
    The sine of half the angle is the matrices' Frobenius distance over the root of 8, since the trace of a rotation is
    1 + 2 cos(angle). Near pi that loses digits.
    """
    distances = np.linalg.norm(rotations[:, None] - rotations[None], axis=(2, 3))
    return np.asarray(2.0 * np.arcsin(np.minimum(distances / np.sqrt(8.0), 1.0)))


@dataclass(frozen=True, kw_only=True, eq=False)
class PairAxes:
    """Unit axes, camera-2 frame, about which camera 2's named turns are counted.

    `across` lies along the baseline (from camera 2 to camera 1), `twist` along the pair's viewing direction
    with its share along the baseline removed, `convergence` square to both, its sign such that a positive
    turn of the camera adds toe-in. (across, convergence, twist) is orthonormal.
    """

    across: FloatArray
    convergence: FloatArray
    twist: FloatArray

    @property
    def matrix(self) -> FloatArray:
        """(3, 3): rows convergence, across, twist."""
        return np.stack([self.convergence, self.across, self.twist])


def pair_axes(rotation: FloatArray, translation: FloatArray) -> PairAxes:
    """Axes of the named turns of a pair (`camera2_from_camera1`).

    Parameters
    ----------
    rotation : (3, 3) float64
    translation : (3,) float64
        Camera 1's projection centre in the camera-2 frame.

    Raises
    ------
    ValueError
        When the baseline is zero, or lies along the viewing direction: the names have no meaning then.

    Notes
    -----
    The viewing direction is the mean of both optical axes. A turn of the *camera* by +a about an axis changes
    `rotation` to exp(-a axis) rotation.
    """
    length = float(np.linalg.norm(translation))
    if length == 0.0:
        raise ValueError("pair_axes: the two cameras share one projection centre")
    across = translation / length
    view = rotation[:, 2] + np.array([0.0, 0.0, 1.0])
    view = view / np.linalg.norm(view)
    twist = view - (view @ across) * across
    if np.linalg.norm(twist) < 0.05:
        raise ValueError("pair_axes: the baseline lies along the viewing direction")
    twist = twist / np.linalg.norm(twist)
    # Turning the viewing direction towards camera 1 is a turn about view x across.
    return PairAxes(across=across, convergence=np.cross(twist, across), twist=twist)
