"""The demo's own projection, forward and back, so that its truth shares no mistake with the solver.

Written from the published formulas and on purpose without a line of :mod:`rigcheck.geometry`.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from rigcheck.model import CameraModel, RigidTransform
from rigcheck.model._arrays import BoolArray, FloatArray

__all__ = ["RayGrid", "project_points", "ray_grid", "rays_of_pixels"]

_NEWTON_STEPS = 40
_CONVERGED = 1e-12  # in units of the normalised picture plane; 1e-9 px at 1000 px focal length
_TABLE_LENGTH = 4000
_STEEPEST_RAY = 20.0  # tangent of the angle beyond which a ray counts as outside the lens (87 degrees)


def project_points(camera: CameraModel, points_mm: FloatArray) -> FloatArray:
    """Project points through a camera.

    Parameters
    ----------
    camera : CameraModel
    points_mm : (..., 3) float64, mm, camera frame

    Returns
    -------
    (..., 2) float64, px, as recorded; NaN for points that are not in front of the camera.

    References
    ----------
    Brown, "Decentering distortion of lenses", Photogrammetric Engineering 32(3), 1966, with the
    rational radial term of OpenCV's documentation (calib3d); Kannala & Brandt, IEEE PAMI 28(8), 2006, eq. 6.
    """
    points = np.asarray(points_mm, dtype=np.float64)
    depth = np.where(points[..., 2] > 0, points[..., 2], np.nan)
    plane = points[..., :2] / depth[..., None]
    return np.asarray(_bent(camera, plane) * camera.focal_px + np.array(camera.principal_point_px))


def _bent(camera: CameraModel, plane: FloatArray) -> FloatArray:
    """Distort positions (..., 2) on the plane one focal length in front of the lens."""
    if camera.model == "fisheye":
        return plane * _fisheye_scale(camera, plane)[..., None]
    return _brown(camera, plane)


def _brown(camera: CameraModel, plane: FloatArray) -> FloatArray:
    k1, k2, p1, p2, k3, k4, k5, k6 = (*camera.distortion, *(0.0,) * 8)[:8]
    x, y = plane[..., 0], plane[..., 1]
    s = x * x + y * y
    radial = (1 + s * (k1 + s * (k2 + s * k3))) / (1 + s * (k4 + s * (k5 + s * k6)))
    bent_x = x * radial + 2 * p1 * x * y + p2 * (s + 2 * x * x)
    bent_y = y * radial + p1 * (s + 2 * y * y) + 2 * p2 * x * y
    return np.stack([bent_x, bent_y], axis=-1)


def _fisheye_scale(camera: CameraModel, plane: FloatArray) -> FloatArray:
    """Ratio of the bent radius to the straight one; 1 on the axis."""
    k1, k2, k3, k4 = (*camera.distortion, *(0.0,) * 4)[:4]
    radius = np.hypot(plane[..., 0], plane[..., 1])
    angle = np.arctan(radius)
    q = angle * angle
    bent_radius = angle * (1 + q * (k1 + q * (k2 + q * (k3 + q * k4))))
    on_axis = radius < 1e-12
    return np.where(on_axis, 1.0, bent_radius / np.where(on_axis, 1.0, radius))


def rays_of_pixels(camera: CameraModel, pixels_px: FloatArray) -> FloatArray:
    """Find the viewing ray of each pixel: the projection turned round, by Newton's method.

    Parameters
    ----------
    camera : CameraModel
    pixels_px : (..., 2) float64, px, as recorded

    Returns
    -------
    (..., 3) float64
        Direction with unit z, camera frame; NaN where no ray reaches the pixel (outside the field in
        which the lens model is one-to-one).

    Notes
    -----
    The start is the axis-near guess; a solution counts only if the way out to it along its radius is
    monotonic, which leaves out the mirrored branch of a model that folds back.
    """
    pixels = np.asarray(pixels_px, dtype=np.float64)
    wanted = ((pixels - np.array(camera.principal_point_px)) / camera.focal_px).reshape(-1, 2)
    plane, solved = _unbend(camera, wanted)
    solved &= _one_to_one(camera, plane)
    rays = np.full((len(plane), 3), np.nan)
    rays[solved] = np.column_stack([plane[solved], np.ones(int(solved.sum()))])
    return rays.reshape(*pixels.shape[:-1], 3)


def _unbend(camera: CameraModel, wanted: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Invert the distortion for positions (N, 2); also tell which converged."""
    plane = _first_guess(camera, wanted)
    miss = _bent(camera, plane) - wanted
    for _ in range(_NEWTON_STEPS):
        if float(np.abs(miss).max(initial=0.0)) < _CONVERGED:
            break
        along_x, along_y = (_slope(camera, plane, axis) for axis in np.eye(2))
        determinant = along_x[:, 0] * along_y[:, 1] - along_x[:, 1] * along_y[:, 0]
        determinant = np.where(np.abs(determinant) < 1e-9, 1e-9, determinant)
        move_x = (miss[:, 0] * along_y[:, 1] - miss[:, 1] * along_y[:, 0]) / determinant
        move_y = (miss[:, 1] * along_x[:, 0] - miss[:, 0] * along_x[:, 1]) / determinant
        move = np.stack([move_x, move_y], axis=1)
        # A step longer than half the present radius is cut, so that no start jumps over the field's edge.
        length = np.hypot(move_x, move_y) + 1e-30
        limit = 0.5 * (np.hypot(plane[:, 0], plane[:, 1]) + 0.1)
        plane = np.clip(
            plane - move * np.minimum(1.0, limit / length)[:, None], -_STEEPEST_RAY, _STEEPEST_RAY
        )
        miss = _bent(camera, plane) - wanted
    return plane, np.abs(miss).max(axis=1) < 1e-10


def _slope(camera: CameraModel, plane: FloatArray, axis: FloatArray) -> FloatArray:
    """Differentiate the bent positions (N, 2) along one axis, by central difference."""
    step = 1e-6 * axis
    return np.asarray((_bent(camera, plane + step) - _bent(camera, plane - step)) / 2e-6)


def _first_guess(camera: CameraModel, wanted: FloatArray) -> FloatArray:
    """Invert the radial part by a table, up to the radius where it stops growing."""
    radial = camera
    if camera.model == "brown":
        k1, k2, _, _, *others = (*camera.distortion, *(0.0,) * 8)[:8]
        radial = replace(camera, distortion=(k1, k2, 0.0, 0.0, *others))
    straight = np.tan(np.linspace(0.0, np.arctan(_STEEPEST_RAY), _TABLE_LENGTH))
    bent = _bent(radial, np.stack([straight, np.zeros_like(straight)], axis=1))[:, 0]
    falls = np.flatnonzero(np.diff(bent) <= 0)
    end = len(bent) if len(falls) == 0 else int(falls[0]) + 1
    radius = np.hypot(wanted[:, 0], wanted[:, 1])
    found = np.interp(radius, bent[:end], straight[:end])
    scale = np.where(radius < 1e-12, 1.0, found / np.where(radius < 1e-12, 1.0, radius))
    return np.asarray(wanted * scale[:, None])


def _one_to_one(camera: CameraModel, plane: FloatArray) -> BoolArray:
    """Tell where the bent radius grows all the way from the axis out to each position (N, 2)."""
    shares = np.linspace(0.0, 1.0, 26)[1:]
    radii = np.stack(
        [np.hypot(*np.moveaxis(_bent(camera, plane * share), -1, 0)) for share in shares], axis=1
    )
    return np.asarray((np.diff(radii, axis=1) >= -1e-12).all(axis=1))


@dataclass(frozen=True, kw_only=True, eq=False)
class RayGrid:
    """Rays at a coarse grid over the picture, margin included; in between they are interpolated.

    `rays` is (rows, columns, 3), float64, NaN outside the lens's field. Node (r, c) stands at the picture
    position ``first_px + step_px * (c, r)``.
    """

    step_px: int
    first_px: float
    rays: FloatArray


@lru_cache(maxsize=8)
def ray_grid(camera: CameraModel, step_px: int, margin_nodes: int = 3) -> RayGrid:
    """Compute the rays at every `step_px` pixels, once per camera.

    Parameters
    ----------
    camera : CameraModel
    step_px : int
        Spacing. Interpolating the board position linearly between nodes errs by at most
        step² / 8 times its second derivative: below 1e-3 px at 4 px for the demo's lenses.
    margin_nodes : int
        Nodes beyond the picture on each side.
    """
    width, height = camera.image_size_px
    first = 0.5 * (step_px - 1) - margin_nodes * step_px  # node 0 is the centre of a step × step cell
    columns = -(-width // step_px) + 2 * margin_nodes
    rows = -(-height // step_px) + 2 * margin_nodes
    x, y = np.meshgrid(first + step_px * np.arange(columns), first + step_px * np.arange(rows))
    rays = rays_of_pixels(camera, np.stack([x, y], axis=-1))
    rays.setflags(write=False)
    return RayGrid(step_px=step_px, first_px=first, rays=rays)


def project_from(camera: CameraModel, camera_from_board: RigidTransform, points_mm: FloatArray) -> FloatArray:
    """Project points given in the board frame: (..., 3) mm to (..., 2) px."""
    return project_points(camera, camera_from_board.apply(np.asarray(points_mm, dtype=np.float64)))
