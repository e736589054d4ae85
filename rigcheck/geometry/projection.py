"""From points before a camera to pixels and back, with derivatives.

Intrinsics travel here as one vector: ``[fx, fy, cx, cy, skew, distortion...]`` with all eight
brown or all four fisheye coefficients, in OpenCV's order (k1 k2 p1 p2 k3 k4 k5 k6, and k1 k2 k3 k4).

References
----------
Brown, "Close-range camera calibration", Photogrammetric Engineering 37(8), 1971.
Kannala & Brandt, "A generic camera model and calibration method for conventional, wide-angle, and
fish-eye lenses", IEEE PAMI 28(8), 2006 (the equidistant polynomial).
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rigcheck.model import CameraModel, LensModel

FloatArray = NDArray[np.float64]

N_PINHOLE = 5
FULL_DISTORTION = {"brown": 8, "fisheye": 4}

__all__ = [
    "FULL_DISTORTION",
    "N_PINHOLE",
    "ProjectionDerivatives",
    "distort",
    "intrinsics_vector",
    "project",
    "project_by_point",
    "project_with_derivatives",
    "undistort",
    "unproject",
]


@dataclass(frozen=True, kw_only=True, eq=False)
class ProjectionDerivatives:
    """Pixels (N, 2) with their derivatives by the point (N, 2, 3) and the intrinsics (N, 2, P)."""

    pixels: FloatArray
    by_point: FloatArray
    by_intrinsics: FloatArray


def intrinsics_vector(camera: CameraModel) -> FloatArray:
    """Intrinsics of a camera as one vector with every coefficient; skew is zero."""
    full = np.zeros(N_PINHOLE + FULL_DISTORTION[camera.model])
    full[:2], full[2:4] = camera.focal_px, camera.principal_point_px
    full[N_PINHOLE : N_PINHOLE + len(camera.distortion)] = camera.distortion
    return full


def _brown(xy: FloatArray, d: FloatArray) -> tuple[FloatArray, FloatArray]:
    x, y = xy[:, 0], xy[:, 1]
    k1, k2, p1, p2, k3, k4, k5, k6 = d
    r2 = x * x + y * y
    top = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    bottom = 1.0 + r2 * (k4 + r2 * (k5 + r2 * k6))
    radial = top / bottom
    slope = (k1 + r2 * (2.0 * k2 + 3.0 * k3 * r2) - radial * (k4 + r2 * (2.0 * k5 + 3.0 * k6 * r2))) / bottom
    out = np.stack(
        [
            x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x),
            y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y,
        ],
        axis=1,
    )
    by_xy = np.empty((len(x), 2, 2))
    by_xy[:, 0, 0] = radial + 2.0 * x * x * slope + 2.0 * p1 * y + 6.0 * p2 * x
    by_xy[:, 0, 1] = by_xy[:, 1, 0] = 2.0 * x * y * slope + 2.0 * p1 * x + 2.0 * p2 * y
    by_xy[:, 1, 1] = radial + 2.0 * y * y * slope + 6.0 * p1 * y + 2.0 * p2 * x
    return out, by_xy


def _brown_by_coefficients(xy: FloatArray, d: FloatArray) -> FloatArray:
    x, y = xy[:, 0], xy[:, 1]
    k1, k2, _, _, k3, k4, k5, k6 = d
    r2 = x * x + y * y
    power = 1.0 / (1.0 + r2 * (k4 + r2 * (k5 + r2 * k6)))
    radial = (1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))) * power
    by_d = np.empty((len(x), 2, 8))
    for above, below in ((0, 5), (1, 6), (4, 7)):
        power = power * r2
        np.multiply(xy, power[:, None], out=by_d[:, :, above])
        np.multiply(by_d[:, :, above], -radial[:, None], out=by_d[:, :, below])
    by_d[:, 0, 2] = by_d[:, 1, 3] = 2.0 * x * y
    by_d[:, 0, 3], by_d[:, 1, 2] = r2 + 2.0 * x * x, r2 + 2.0 * y * y
    return by_d


def _fisheye(xy: FloatArray, d: FloatArray) -> tuple[FloatArray, FloatArray]:
    near, safe, theta, powers = _angles(xy)
    theta_d = theta * (1.0 + powers @ d)
    scale = np.where(near, 1.0, theta_d / safe)
    # d(theta_d)/dr = (1 + 3 k1 t^2 + 5 k2 t^4 + ...) / (1 + r^2)
    r2 = (xy**2).sum(1)
    slope = (1.0 + powers @ (d * np.array([3.0, 5.0, 7.0, 9.0]))) / (1.0 + r2)
    scale_by_r_over_r = np.where(near, 0.0, (slope - scale) / safe**2)
    by_xy = (
        scale[:, None, None] * np.eye(2) + scale_by_r_over_r[:, None, None] * xy[:, :, None] * xy[:, None, :]
    )
    return xy * scale[:, None], by_xy


def _fisheye_by_coefficients(xy: FloatArray) -> FloatArray:
    near, safe, theta, powers = _angles(xy)
    return np.asarray(xy[:, :, None] * (np.where(near, 1.0, theta / safe)[:, None] * powers)[:, None, :])


def _angles(xy: FloatArray) -> tuple[NDArray[np.bool_], FloatArray, FloatArray, FloatArray]:
    """Whether on the axis, distance from it (1 there), angle from it, and its even powers, (N, 4)."""
    r = np.sqrt((xy**2).sum(1))
    near = r < 1e-8
    theta = np.arctan(r)
    t2 = theta * theta
    return near, np.where(near, 1.0, r), theta, np.stack([t2, t2**2, t2**3, t2**4], axis=1)


def distort(
    xy: FloatArray, distortion: FloatArray, model: LensModel
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Distorted normalised coordinates with derivatives.

    Parameters
    ----------
    xy : (N, 2) float64
        Normalised coordinates (X/Z, Y/Z).
    distortion : (8,) for brown, (4,) for fisheye
    model : {"brown", "fisheye"}

    Returns
    -------
    distorted : (N, 2) float64
    by_xy : (N, 2, 2) float64
    by_distortion : (N, 2, 8) or (N, 2, 4) float64
    """
    by_distortion = (
        _brown_by_coefficients(xy, distortion) if model == "brown" else _fisheye_by_coefficients(xy)
    )
    return (*_distorted(xy, distortion, model), by_distortion)


def _distorted(xy: FloatArray, distortion: FloatArray, model: LensModel) -> tuple[FloatArray, FloatArray]:
    """Distorted coordinates and their derivatives by `xy`: what undoing takes, at half the cost."""
    return _brown(xy, distortion) if model == "brown" else _fisheye(xy, distortion)


def project_with_derivatives(
    points: FloatArray, intrinsics: FloatArray, model: LensModel
) -> ProjectionDerivatives:
    """Pixels of points in the camera's frame, with analytic derivatives.

    Parameters
    ----------
    points : (N, 3) float64, camera frame, Z > 0
    intrinsics : (13,) brown or (9,) fisheye
    model : {"brown", "fisheye"}

    Notes
    -----
    Points at or behind the projection centre (Z <= 0) are not detected here; they give finite but
    meaningless pixels. Callers that cannot exclude them check the sign of Z.
    """
    pixels, by_point, xy, xd = _project(points, intrinsics, model)
    fx, fy, _, _, skewness = intrinsics[:N_PINHOLE]
    by_d = (
        _brown_by_coefficients(xy, intrinsics[N_PINHOLE:])
        if model == "brown"
        else _fisheye_by_coefficients(xy)
    )
    by_intrinsics = np.zeros((len(points), 2, len(intrinsics)))
    for row, (along, beside) in enumerate(((fx, skewness), (fy, 0.0))):
        np.multiply(by_d[:, row], along, out=by_intrinsics[:, row, N_PINHOLE:])
        if beside:
            by_intrinsics[:, row, N_PINHOLE:] += beside * by_d[:, 1]
    by_intrinsics[:, 0, 0], by_intrinsics[:, 1, 1] = xd[:, 0], xd[:, 1]
    by_intrinsics[:, 0, 2] = by_intrinsics[:, 1, 3] = 1.0
    by_intrinsics[:, 0, 4] = xd[:, 1]
    return ProjectionDerivatives(pixels=pixels, by_point=by_point, by_intrinsics=by_intrinsics)


class _Projected(NamedTuple):
    """Pixels, their derivatives by the point, and normalised coordinates before and after distortion."""

    pixels: FloatArray
    by_point: FloatArray
    xy: FloatArray
    distorted: FloatArray


def _project(points: FloatArray, intrinsics: FloatArray, model: LensModel) -> _Projected:
    inverse_z = 1.0 / points[:, 2]
    xy = points[:, :2] * inverse_z[:, None]
    fx, fy, cx, cy, skewness = intrinsics[:N_PINHOLE]
    xd, by_xy = _distorted(xy, intrinsics[N_PINHOLE:], model)
    n = len(points)
    # Written out by rows: products of many small matrices cost several times as much.
    pixels, by_point = np.empty((n, 2)), np.empty((n, 2, 3))
    pixels[:, 0], pixels[:, 1] = fx * xd[:, 0] + skewness * xd[:, 1] + cx, fy * xd[:, 1] + cy
    for row, (along, beside) in enumerate(((fx, skewness), (fy, 0.0))):
        by_row = along * by_xy[:, row] + beside * by_xy[:, 1] if beside else along * by_xy[:, row]
        by_row *= inverse_z[:, None]
        by_point[:, row, :2] = by_row
        by_point[:, row, 2] = -(by_row[:, 0] * xy[:, 0] + by_row[:, 1] * xy[:, 1])
    return _Projected(pixels, by_point, xy, xd)


def project(points: FloatArray, intrinsics: FloatArray, model: LensModel) -> FloatArray:
    """Pixels (N, 2) of points (N, 3) in the camera's frame; see :func:`project_with_derivatives`."""
    return _project(points, intrinsics, model).pixels


def project_by_point(
    points: FloatArray, intrinsics: FloatArray, model: LensModel
) -> tuple[FloatArray, FloatArray]:
    """Pixels (N, 2) and their derivatives (N, 2, 3) by the point alone: half of the cost of all derivatives."""
    found = _project(points, intrinsics, model)
    return found.pixels, found.by_point


def undistort(
    distorted: FloatArray, distortion: FloatArray, model: LensModel, *, tolerance: float = 1e-12
) -> FloatArray:
    """Undo :func:`distort` by Newton's method.

    Parameters
    ----------
    distorted : (N, 2) float64, normalised
    distortion : (8,) or (4,)
    model : {"brown", "fisheye"}
    tolerance : float
        Largest step, normalised units, at which a point counts as found.

    Returns
    -------
    (N, 2) float64; NaN where no inverse was found (beyond the fold of the distortion polynomial, or, for
    fisheye, at and beyond 90 degrees off the axis): callers count those.
    """
    xy = distorted.copy()
    if model == "fisheye":
        r = np.sqrt((distorted**2).sum(1, keepdims=True))
        xy = distorted * np.where(r > 1e-8, np.tan(np.minimum(r, 1.5)) / np.where(r > 1e-8, r, 1.0), 1.0)
    done, det = np.zeros(len(xy), dtype=bool), np.ones(len(xy))
    for _ in range(50):
        value, by_xy = _distorted(xy, distortion, model)
        det = by_xy[:, 0, 0] * by_xy[:, 1, 1] - by_xy[:, 0, 1] * by_xy[:, 1, 0]
        safe = np.where(np.abs(det) > 1e-9, det, np.nan)
        error = value - distorted
        step_x = (by_xy[:, 1, 1] * error[:, 0] - by_xy[:, 0, 1] * error[:, 1]) / safe
        step_y = (by_xy[:, 0, 0] * error[:, 1] - by_xy[:, 1, 0] * error[:, 0]) / safe
        step = np.stack([step_x, step_y], axis=1)
        length = np.sqrt((step**2).sum(1))
        xy = xy - step * np.minimum(1.0, 0.5 / np.maximum(length, 1e-300))[:, None]
        done = length < tolerance
        if done.all():
            break
    # Found points hardly moved in the last step: what was read before it tells on which side of the fold they are.
    xy[~done | ~(det > 0)] = np.nan
    return xy


def unproject(pixels: FloatArray, intrinsics: FloatArray, model: LensModel) -> FloatArray:
    """Normalised coordinates (X/Z, Y/Z) seen at pixels.

    Parameters
    ----------
    pixels : (N, 2) float64, px, as recorded
    intrinsics : (13,) or (9,)
    model : {"brown", "fisheye"}

    Returns
    -------
    (N, 2) float64; NaN where the lens model has no inverse (see :func:`undistort`)
    """
    fx, fy, cx, cy, skewness = intrinsics[:N_PINHOLE]
    y = (pixels[:, 1] - cy) / fy
    x = (pixels[:, 0] - cx - skewness * y) / fx
    return undistort(np.stack([x, y], axis=1), intrinsics[N_PINHOLE:], model)
