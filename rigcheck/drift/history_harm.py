"""What a change of one number of a rig does in depth on the face, from the few numbers that a result keeps."""

from collections.abc import Mapping

import numpy as np

from rigcheck.geometry.rig_change import depth_by_rig, face_shift
from rigcheck.geometry.rotation import exp_rotation, pair_axes
from rigcheck.model import CameraModel, RigidTransform, StereoRig
from rigcheck.model._arrays import FloatArray

_SIZE = (1080, 1440)
_FOCAL_PX = 1400.0
_TURNS = ("convergence", "across", "twist")

__all__ = ["depth_per_unit"]


def depth_per_unit(
    *, baseline_mm: float, convergence_deg: float, working_distance_mm: float
) -> Mapping[str, float]:
    """RMS movement in depth over the face for one unit of change, mm.

    Parameters
    ----------
    baseline_mm, convergence_deg, working_distance_mm : float

    Returns
    -------
    mapping
        Of ``stereo.convergence_deg``, ``stereo.across_deg``, ``stereo.twist_deg`` (for 1 degree),
        ``stereo.baseline_mm`` (for 1 mm) and ``focal`` (one camera's focal length, for its own length: multiply
        by the share it changed).

    Notes
    -----
    Of a plain pair without distortion, its cameras side by side and toed in alike. The pixels are held, so
    a focal length of 1400 px stands for any; the face box makes the side of the baseline matter by some per cent.
    """
    rig = _plain_pair(baseline_mm, convergence_deg)
    grid = face_shift(rig, rig, working_distance_mm=working_distance_mm).grid
    by = depth_by_rig(rig, grid)
    pose = rig.camera2_from_camera1
    axes = pair_axes(pose.rotation, pose.translation_mm)
    # A camera that turns about its own centre takes the translation along.
    by_turn = by[:, -6:-3] - by[:, -3:] @ _skew(pose.translation_mm)
    out = {f"stereo.{name}_deg": _rms(np.radians(1.0) * by_turn @ getattr(axes, name)) for name in _TURNS}
    out["stereo.baseline_mm"] = _rms(by[:, -3:] @ pose.translation_mm / baseline_mm)
    out["focal"] = _rms(_FOCAL_PX * by[:, :2].sum(1))
    return out


def _rms(values: FloatArray) -> float:
    return float(np.sqrt((values**2).mean()))


def _skew(v: FloatArray) -> FloatArray:
    return np.array([[0.0, -v[2], v[1]], [v[2], 0.0, -v[0]], [-v[1], v[0], 0.0]])


def _plain_pair(baseline_mm: float, convergence_deg: float) -> StereoRig:
    half = np.radians(convergence_deg) / 2.0
    first, second = (exp_rotation([0.0, sign * half, 0.0]) for sign in (-1.0, 1.0))
    centre = np.array([baseline_mm, 0.0, 0.0])
    camera = CameraModel(
        name="a",
        image_size_px=_SIZE,
        model="brown",
        focal_px=(_FOCAL_PX, _FOCAL_PX),
        principal_point_px=((_SIZE[0] - 1) / 2, (_SIZE[1] - 1) / 2),
    )
    return StereoRig(
        camera1=camera,
        camera2=camera,
        camera2_from_camera1=RigidTransform(rotation=second @ first.T, translation_mm=-second @ centre),
    )
