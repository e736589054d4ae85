"""Whether the faces two cameras show at one moment are one face, seen by this rig."""

from dataclasses import dataclass, replace

import numpy as np

from rigcheck.geometry.pair import sampson_distance_px, triangulate
from rigcheck.geometry.projection import intrinsics_vector
from rigcheck.geometry.upright import upright_points
from rigcheck.landmarks.gates import face_shape
from rigcheck.model import FACE_POINTS, Estimate, FaceLandmarks, Finding, StereoRig
from rigcheck.model._arrays import FloatArray

__all__ = ["CrossCheck", "check_by_rig", "check_by_shape", "widened"]

_POINTS = (
    "iris_right",
    "iris_left",
    "eye_inner_right",
    "eye_inner_left",
    "alar_base_right",
    "alar_base_left",
    "subnasale",
    "mouth_corner_right",
    "mouth_corner_left",
)
_MOST_CHI = 3.0  # RMS of the epipolar distance over its sigma from which two faces are not one
_DISTANCE_MM = (60.0, 600.0)
# Dodgson, Proc. SPIE 5291, 2004: interpupillary distance of nearly all adults is 45 to 80 mm, children from 40. Wider
# by the irises' turning in at short range (3 mm) and by the error of triangulated landmarks.
_IRIS_DISTANCE_MM = (34.0, 90.0)
_MOST_SIZE_RATIO = 1.7
_MOST_ROLL_APART_DEG = 30.0


@dataclass(frozen=True, kw_only=True)
class CrossCheck:
    """Two cameras' faces held against each other.

    `chi` is the RMS of epipolar distances over their sigma, 1 when the sigmas are honest, None without a
    calibration; `iris_distance_mm` is triangulated. `finding` says what does not fit; None when all does.
    """

    chi: float | None
    iris_distance: Estimate | None
    finding: Finding | None


def check_by_rig(face1: FaceLandmarks, face2: FaceLandmarks, rig: StereoRig) -> CrossCheck:
    """Hold two faces against each other by the calibrated pair.

    Parameters
    ----------
    face1, face2 : FaceLandmarks
        Of camera 1 and camera 2 at one moment.
    rig : StereoRig

    Notes
    -----
    Blind to errors along epipolar lines, and to those both meshes share. Too few common points: nothing is found.
    """
    names = [name for name in _POINTS if face1.has(name) and face2.has(name)]
    if len(names) < 3:
        return CrossCheck(chi=None, iris_distance=None, finding=None)
    indices = [FACE_POINTS[name] for name in names]
    pixels1, pixels2 = face1.points_px[indices], face2.points_px[indices]
    intrinsics = intrinsics_vector(rig.camera1), intrinsics_vector(rig.camera2)
    models = rig.camera1.model, rig.camera2.model
    pose = rig.camera2_from_camera1
    distances = sampson_distance_px(
        pixels1, pixels2, intrinsics, models, rotation=pose.rotation, translation=pose.translation_mm
    )
    points = triangulate(
        pixels1, pixels2, intrinsics, models, rotation=pose.rotation, translation=pose.translation_mm
    )
    sigma = np.sqrt((face1.sigma_px[indices] ** 2 + face2.sigma_px[indices] ** 2) / 2)
    chi = float(np.sqrt(np.mean((distances / sigma) ** 2)))
    apart = _iris_distance(points, names, face1, rig)
    return CrossCheck(chi=chi, iris_distance=apart, finding=_misfit(chi, points, apart))


def check_by_shape(face1: FaceLandmarks, face2: FaceLandmarks, turns_deg: tuple[int, int]) -> CrossCheck:
    """Hold two faces against each other without a calibration: like size and roll once upright.

    Parameters
    ----------
    face1, face2 : FaceLandmarks
        Of camera 1 and camera 2 at one moment.
    turns_deg : tuple of int
        Clockwise turn that makes each upright.
    """
    shapes = [
        face_shape(upright_points(face.points_px, face.image_size_px, turn))
        for face, turn in zip((face1, face2), turns_deg, strict=True)
    ]
    widths = [
        shape.eye_distance_px / face.image_size_px[0]
        for shape, face in zip(shapes, (face1, face2), strict=True)
    ]
    roll = shapes[0].roll_deg - shapes[1].roll_deg
    finding = None
    if not all(np.isfinite([*widths, roll])):
        pass
    elif max(widths) > _MOST_SIZE_RATIO * min(widths):
        finding = _finding(f"one shows it {max(widths) / min(widths):.1f} times as large as the other")
    elif abs(roll) > _MOST_ROLL_APART_DEG:
        finding = _finding(f"one shows it rolled by {abs(roll):.0f}° against the other")
    return CrossCheck(chi=None, iris_distance=None, finding=finding)


def widened(face: FaceLandmarks, check: CrossCheck) -> FaceLandmarks:
    """Widen every sigma of a face by as much as the other camera contradicts them; never narrow."""
    if check.chi is None or not check.chi > 1.0:
        return face
    return replace(face, sigma_px=face.sigma_px * check.chi)


def _iris_distance(
    points: FloatArray, names: list[str], face: FaceLandmarks, rig: StereoRig
) -> Estimate | None:
    if not {"iris_right", "iris_left"} <= set(names):
        return None
    right, left = points[names.index("iris_right")], points[names.index("iris_left")]
    if not np.isfinite([right, left]).all():
        return None
    per_px = float(right[2] + left[2]) / 2 / rig.camera1.focal_px[0]
    sigma = per_px * float(np.hypot(face.sigma("iris_right"), face.sigma("iris_left")))
    return Estimate(value=float(np.linalg.norm(right - left)), sigma=sigma, unit="mm", n=1)


def _misfit(chi: float, points: FloatArray, apart: Estimate | None) -> Finding | None:
    behind = ~np.isfinite(points).all(axis=1)
    if behind.any():
        return _finding("lines of sight to the same points do not meet before the cameras")
    if chi > _MOST_CHI:
        return _finding(f"points lie {chi:.1f} times their uncertainty off their epipolar lines")
    distance = float(np.median(points[:, 2]))
    if not _DISTANCE_MM[0] <= distance <= _DISTANCE_MM[1]:
        return _finding(f"by the calibration the face would be {distance:.0f} mm away")
    if apart is not None and apart.value is not None:
        low, high = _IRIS_DISTANCE_MM
        if not low <= apart.value <= high:
            return _finding(f"by the calibration the irises would be {apart.value:.0f} mm apart")
    return None


def _finding(what: str) -> Finding:
    return Finding(
        code="cameras_disagree",
        sentence=f"The two cameras' faces do not fit each other: {what}. Check that the clips belong together, that "
        "the calibration is this rig's, and that neither camera was exchanged with the other.",
    )
