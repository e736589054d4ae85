"""How a face stands to a camera: an average head fitted to the landmarks, with all that is not known of it."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from rigcheck.face.framing_points import UprightFace
from rigcheck.face.head_model import MESH_PLACES, STRETCH_SIGMAS, head_points, mesh_points, stretched
from rigcheck.geometry.descent import least_squares
from rigcheck.geometry.projection import intrinsics_vector, project, unproject
from rigcheck.geometry.rotation import exp_rotation
from rigcheck.geometry.upright import recorded_points, upright_points, upright_size
from rigcheck.model import CameraModel
from rigcheck.model._arrays import FloatArray

__all__ = ["HeadFit", "Optics", "camera_place", "fit_head", "ideal_points", "picture_points"]

# Fitted to: what hardly moves with the expression; chin and lips with an allowance.
_POINTS = (
    "eye_outer_right",
    "eye_inner_right",
    "eye_inner_left",
    "eye_outer_left",
    "alar_base_right",
    "alar_base_left",
    "wing_right",
    "wing_left",
    "subnasale",
    "nose_tip",
    "mouth_corner_right",
    "mouth_corner_left",
    "chin",
)
# What a point of one face lies off the stretched average head, mm; larger where the expression moves it.
_OWN_SHAPE_MM = {"mouth_corner_right": 4.0, "mouth_corner_left": 4.0, "chin": 4.0, "nose_tip": 4.0}
_OTHER_SHAPE_MM = 2.0
# An open mouth takes the chin down, and shortens the mouth.
_CHIN_PER_GAP = 0.7
_N_STRETCHES = len(STRETCH_SIGMAS)
_TURN = slice(5, 8)
_SHIFT = slice(8, 10)
_LOG_DISTANCE, _LOG_FOCAL = 10, 11
_FEWEST_POINTS = 5
_STEP = 1e-5  # of parameters, for derivatives: fractions and radians, all of the order of one
_USUAL_FOCAL = 1.2
_SPAN = ("eye_outer_right", "eye_outer_left")
_DEPTH_POINTS = {"alar_base_right", "alar_base_left", "subnasale", "nose_tip", "mouth_corner_right", "chin"}


@dataclass(frozen=True, kw_only=True)
class Optics:
    """What is known of one camera and its distance.

    `camera` is its calibration, or None. `focal_px` is what the lens data say, known to `focal_sigma` (a fraction);
    None when not known. `distance_mm` to the nostril base is known to `distance_sigma` (a fraction).
    """

    image_size_px: tuple[int, int]
    mount_rotation_deg: int = 0
    camera: CameraModel | None = None
    focal_px: float | None = None
    focal_sigma: float = 0.03
    distance_mm: float = 200.0
    distance_sigma: float = 0.25

    @property
    def log_focal(self) -> tuple[float, float]:
        """Natural logarithm of the focal length in px, and its standard uncertainty."""
        if self.camera is not None:
            return float(np.log(np.mean(self.camera.focal_px))), 1e-4
        if self.focal_px is not None:
            return float(np.log(self.focal_px)), self.focal_sigma
        return float(np.log(_USUAL_FOCAL * max(self.image_size_px))), 0.6


@dataclass(frozen=True, kw_only=True, eq=False)
class HeadFit:
    """The average head as it stands to one camera, in that camera's upright frame.

    Upright frame: x right and y down in the upright picture, z forward. `parameters` (12,): five stretches, turn
    (rotation vector), nostril base over its distance (x, y), logarithms of distance (mm) and focal length (px);
    `covariance` is theirs. `misfit` is the root mean square of the residuals in their own sigmas.
    """

    parameters: FloatArray
    covariance: FloatArray
    start: FloatArray
    misfit: float
    n_points: int

    @property
    def rotation(self) -> FloatArray:
        """Rotation of `camera_from_face`, (3, 3)."""
        return self.rotation_at(self.parameters)

    @property
    def translation_mm(self) -> FloatArray:
        """Nostril base in the camera's upright frame, (3,) mm."""
        return translation_at(self.parameters)

    @property
    def px_per_mm(self) -> float:
        """Scale at the nostril base, across the view."""
        return float(np.exp(self.parameters[_LOG_FOCAL] - self.parameters[_LOG_DISTANCE]))

    @property
    def focal_px(self) -> float:
        """Focal length, px."""
        return float(np.exp(self.parameters[_LOG_FOCAL]))

    def rotation_at(self, parameters: FloatArray) -> FloatArray:
        """Rotations of `camera_from_face` for other parameters (..., 12)."""
        return np.asarray(exp_rotation(parameters[..., _TURN]) @ self.start)

    def pixels_at(self, parameters: FloatArray, points_mm: FloatArray) -> FloatArray:
        """Pixels from the principal point, (..., N, 2), of points (N, 3) of the average head, for (..., 12)."""
        return _pixels(parameters, self.start, points_mm)

    def sigma_of(self, value: Callable[[FloatArray], FloatArray]) -> float:
        """Standard uncertainty, to first order, of a number that `value` gives (K,) for parameters (K, 12)."""
        return float(self.sigmas_of(lambda parameters: value(parameters)[..., None])[0])

    def sigmas_of(self, values: Callable[[FloatArray], FloatArray]) -> FloatArray:
        """Those of several numbers (M,) that `values` gives (K, M) for parameters (K, 12)."""
        steps = 0.1 * np.sqrt(np.diag(self.covariance)).clip(1e-9)
        slope = _slope(values, self.parameters, steps)
        return np.asarray(np.sqrt((slope * (self.covariance @ slope)).sum(axis=0).clip(0.0)))


def translation_at(parameters: FloatArray) -> FloatArray:
    """Nostril base in the camera's upright frame for parameters (..., 12) of a HeadFit, (..., 3) mm."""
    ray = np.concatenate([parameters[..., _SHIFT], np.ones((*parameters.shape[:-1], 1))], axis=-1)
    return np.asarray(np.exp(parameters[..., _LOG_DISTANCE, None]) * ray)


def _slope(
    value: Callable[[FloatArray], FloatArray], parameters: FloatArray, steps: FloatArray
) -> FloatArray:
    """Derivatives (12, ...) of `value`, (K, 12) to (K, ...), by central differences, all in one call."""
    count = len(parameters)
    moved = np.concatenate([parameters + np.diag(steps), parameters - np.diag(steps)])
    ends = value(moved)
    return np.asarray((ends[:count] - ends[count:]) / (2.0 * steps.reshape(-1, *[1] * (ends.ndim - 1))))


def camera_place(fit: HeadFit, parameters: FloatArray | None = None) -> FloatArray:
    """Projection centre of the camera in the face frame, (3,) mm, or (..., 3) for parameters (..., 12)."""
    used = fit.parameters if parameters is None else parameters
    back = np.swapaxes(fit.rotation_at(used), -1, -2)
    return np.asarray(-(back @ translation_at(used)[..., None])[..., 0])


def ideal_points(points_px: FloatArray, optics: Optics) -> FloatArray:
    """Points of the upright picture as a lens without distortion would show them, from the principal point.

    Parameters
    ----------
    points_px : (N, 2) float64, px, upright picture
    optics : Optics
        Without a calibration the principal point is taken as the picture's centre, distortion as none.

    Returns
    -------
    (N, 2) float64, px, upright, for the mean focal length
    """
    size = optics.image_size_px
    turn = optics.mount_rotation_deg
    if optics.camera is None:
        return np.asarray(points_px - (np.array(upright_size(size, turn)) - 1.0) / 2.0)
    recorded = recorded_points(points_px, size, turn)
    known = np.isfinite(recorded).all(axis=1)
    rays = np.full(recorded.shape, np.nan)
    if known.any():
        rays[known] = unproject(recorded[known], intrinsics_vector(optics.camera), optics.camera.model)
    # Turning about the principal point: a picture of one pixel has its centre at (0, 0).
    return np.asarray(upright_points(rays, (1, 1), turn) * np.mean(optics.camera.focal_px))


def picture_points(ideal_px: FloatArray, optics: Optics) -> FloatArray:
    """Where the upright picture shows points of a lens without distortion: what `ideal_points` undoes.

    Parameters
    ----------
    ideal_px : (..., 2) float64, px from the principal point, upright, for the mean focal length
    optics : Optics

    Returns
    -------
    (..., 2) float64, px, upright picture

    Notes
    -----
    A calibration says nothing of what lies beyond the picture: there the lens is taken to stretch as at the farthest
    corner that it reaches.
    """
    camera, turn = optics.camera, optics.mount_rotation_deg
    if camera is None:
        return np.asarray(ideal_px + (np.array(upright_size(optics.image_size_px, turn)) - 1.0) / 2.0)
    rays = recorded_points(ideal_px.reshape(-1, 2) / np.mean(camera.focal_px), (1, 1), turn)
    beyond = np.maximum(np.linalg.norm(rays, axis=1, keepdims=True) / _reach(camera), 1.0)
    within = np.column_stack([rays / beyond, np.ones(len(rays))])
    seen = project(within, intrinsics_vector(camera), camera.model)
    centre = np.array(camera.principal_point_px)
    recorded = centre + beyond * (seen - centre)
    return upright_points(recorded, optics.image_size_px, turn).reshape(ideal_px.shape)


@lru_cache(maxsize=8)
def _reach(camera: CameraModel) -> float:
    """Tangent of the angle off the axis of the farthest corner of the picture that the lens model reaches."""
    width, height = camera.image_size_px
    corners = np.array([(x, y) for x in (-0.5, width - 0.5) for y in (-0.5, height - 0.5)])
    reach = np.linalg.norm(unproject(corners, intrinsics_vector(camera), camera.model), axis=1)
    return float(reach[np.isfinite(reach)].max(initial=1e-9))


def fit_head(face: UprightFace, optics: Optics) -> HeadFit | None:
    """Fit the average head to landmarks: maximum a posteriori over pose, optics and how faces differ.

    Parameters
    ----------
    face : UprightFace
    optics : Optics

    Returns
    -------
    HeadFit or None
        None when fewer than five of the points are known, or none off the line of the eyes.

    Notes
    -----
    Errors of the landmarks count as independent. One view determines size over distance only: size comes from the
    average head unless the distance is known. Mirrored pictures fit as well as true ones.
    """
    names = [name for name in _POINTS if face.has(name)]
    if len(names) < _FEWEST_POINTS or not face.has(*_SPAN) or not _DEPTH_POINTS & set(names):
        return None
    places = [MESH_PLACES[name] for name in names]
    seen = ideal_points(face.points_px[places], optics)
    points = mesh_points() if face.from_mesh else head_points()
    model = np.array([points[name] for name in names])
    start_rotation, start = _start(face, seen, names, optics)
    scale = np.exp(start[_LOG_FOCAL] - start[_LOG_DISTANCE])
    gap_mm = max(face.mouth_gap, 0.0) * face.eye_distance_px / scale if face.has("lower_lip_inner") else 0.0
    own = np.array([_OWN_SHAPE_MM.get(name, _OTHER_SHAPE_MM) for name in names])
    own[[name == "chin" for name in names]] += _CHIN_PER_GAP * gap_mm
    sigma = np.hypot(face.sigma_px[places], own * scale)[:, None]
    centre, spread = _prior(start, optics)

    def residuals(parameters: FloatArray) -> FloatArray:
        off = (_pixels(parameters, start_rotation, model) - seen) / sigma
        return np.concatenate(
            [off.reshape(*parameters.shape[:-1], -1), (parameters - centre) / spread], axis=-1
        )

    def slopes(parameters: FloatArray) -> FloatArray:
        return _slope(residuals, parameters, np.full(len(parameters), _STEP)).T

    found = least_squares(residuals, slopes, start)
    slope, left = slopes(found), residuals(found)[: 2 * len(names)]
    return HeadFit(
        parameters=found,
        covariance=np.asarray(np.linalg.inv(slope.T @ slope)),
        start=start_rotation,
        misfit=float(np.sqrt(np.mean(left**2))),
        n_points=len(names),
    )


def _pixels(parameters: FloatArray, start_rotation: FloatArray, points_mm: FloatArray) -> FloatArray:
    rotation = exp_rotation(parameters[..., _TURN]) @ start_rotation
    head = stretched(points_mm, parameters[..., :_N_STRETCHES])
    seen = head @ np.swapaxes(rotation, -1, -2) + translation_at(parameters)[..., None, :]
    focal_px = np.exp(parameters[..., _LOG_FOCAL, None, None])
    return np.asarray(focal_px * seen[..., :2] / seen[..., 2:])


def _start(
    face: UprightFace, seen: FloatArray, names: list[str], optics: Optics
) -> tuple[FloatArray, FloatArray]:
    """Straight on, rolled as the eyes are; distance or focal length from the eyes' distance."""
    across = face.point("eye_outer_left") - face.point("eye_outer_right")
    roll = float(np.arctan2(across[1], across[0]))
    model = head_points()
    scale = face.eye_distance_px / float(np.linalg.norm(model[_SPAN[1]] - model[_SPAN[0]]))
    log_focal, focal_sigma = optics.log_focal
    log_distance = float(np.log(optics.distance_mm))
    if focal_sigma > optics.distance_sigma:
        log_focal = log_distance + float(np.log(scale))
    else:
        log_distance = log_focal - float(np.log(scale))
    middle = np.nanmean(seen, axis=0)
    flat = np.array([model[name][:2] for name in names]).mean(axis=0) * scale
    turned = exp_rotation(np.array([0.0, 0.0, roll]))
    start = np.zeros(12)
    start[_SHIFT] = (middle - turned[:2, :2] @ flat) / np.exp(log_focal)
    start[_LOG_DISTANCE], start[_LOG_FOCAL] = log_distance, log_focal
    return turned, start


def _prior(start: FloatArray, optics: Optics) -> tuple[FloatArray, FloatArray]:
    """Centre and standard deviation of each parameter before anything is seen; turn and shift hardly bound."""
    centre, spread = np.zeros(12), np.full(12, 1.0)
    spread[:_N_STRETCHES] = STRETCH_SIGMAS
    spread[_TURN] = 0.6
    spread[_SHIFT] = 10.0
    centre[_LOG_DISTANCE], spread[_LOG_DISTANCE] = np.log(optics.distance_mm), optics.distance_sigma
    centre[_LOG_FOCAL], spread[_LOG_FOCAL] = optics.log_focal
    return centre, spread
