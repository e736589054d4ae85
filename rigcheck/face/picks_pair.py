"""What both cameras of a calibrated pair say together: where the irises stand, in millimetres, hence the gaze."""

import numpy as np

from rigcheck.geometry.pair import triangulate
from rigcheck.geometry.projection import intrinsics_vector
from rigcheck.model import FACE_POINTS, Estimate, FaceLandmarks, StereoRig
from rigcheck.model._arrays import FloatArray

__all__ = ["IRIS_ARM_MM", "gaze_deg", "pair_estimates", "vergence_deg"]

# The iris's centre moves on an arc of this radius as the eye turns (10 to 10.5 mm; eye radius 10.5 mm assumed).
IRIS_ARM_MM = 10.3


def vergence_deg(distance_mm: float, interpupillary_mm: float) -> float:
    """Angle between the two eyes' directions when both look at something straight ahead, degrees.

    Parameters
    ----------
    distance_mm : float
        From the middle between the eyes; infinite for something far.
    interpupillary_mm : float
    """
    return float(2.0 * np.degrees(np.arctan2(interpupillary_mm / 2.0, distance_mm)))


def gaze_deg(offset_mm: float) -> float:
    """Turn of one eye that carries its iris so far to one side, degrees."""
    return float(np.degrees(np.arcsin(np.clip(offset_mm / IRIS_ARM_MM, -1.0, 1.0))))


def pair_estimates(face1: FaceLandmarks, face2: FaceLandmarks, rig: StereoRig) -> dict[str, Estimate]:
    """Triangulate irises and corners of the eyes.

    Parameters
    ----------
    face1, face2 : FaceLandmarks
        Of the same moment.
    rig : StereoRig

    Returns
    -------
    dict of str to Estimate
        `iris_across_right_mm` and `…_left_mm`: the iris from the middle of the eye's corners, towards the performer's
        left; `interpupillary_mm`; `eye_span_mm` between the outer corners.

    Notes
    -----
    Sigma is that of the points carried through the triangulation, as if both cameras erred independently.
    """
    places = {name: idx for name, idx in FACE_POINTS.items() if name.startswith(("eye_", "iris_"))}
    at = list(places.values())
    first, second = face1.points_px[at], face2.points_px[at]
    points = dict(zip(places, _triangulated(first, second, rig), strict=True))
    span = points["eye_outer_left"] - points["eye_outer_right"]
    if not all(np.isfinite(point).all() for point in points.values()) or np.linalg.norm(span) < 1.0:
        return {}
    across = span / np.linalg.norm(span)
    per_px = float(np.median([np.linalg.norm(point) for point in points.values()])) / float(
        np.mean(rig.camera1.focal_px)
    )
    estimates = {
        "eye_span_mm": Estimate(
            value=float(np.linalg.norm(span)),
            sigma=per_px * face1.sigma("eye_outer_right"),
            unit="mm",
            n=2,
        ),
        "interpupillary_mm": Estimate(
            value=float(np.linalg.norm(points["iris_left"] - points["iris_right"])),
            sigma=per_px * face1.sigma("iris_right"),
            unit="mm",
            n=2,
        ),
    }
    for side in ("right", "left"):
        middle = (points[f"eye_outer_{side}"] + points[f"eye_inner_{side}"]) / 2.0
        estimates[f"iris_across_{side}_mm"] = Estimate(
            value=float((points[f"iris_{side}"] - middle) @ across),
            sigma=per_px * float(np.hypot(face1.sigma(f"iris_{side}"), face1.sigma(f"eye_inner_{side}"))),
            unit="mm",
            n=2,
        )
    return estimates


def _triangulated(first: FloatArray, second: FloatArray, rig: StereoRig) -> FloatArray:
    pose = rig.camera2_from_camera1
    return triangulate(
        first,
        second,
        (intrinsics_vector(rig.camera1), intrinsics_vector(rig.camera2)),
        (rig.camera1.model, rig.camera2.model),
        rotation=pose.rotation,
        translation=pose.translation_mm,
    )
