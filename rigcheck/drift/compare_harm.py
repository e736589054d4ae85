"""What the difference of two calibrations does on the face: how much, where, and which part of it does it."""

from dataclasses import dataclass, replace

import numpy as np

from rigcheck.drift.compare_pose import carried_pose
from rigcheck.drift.joint import Joint
from rigcheck.drift.rig_columns import rig_selector
from rigcheck.geometry.face_volume import FACE_BOX_MM
from rigcheck.geometry.honest_rms import honest_rms
from rigcheck.geometry.rig_change import (
    POSE_PARTS,
    FaceShift,
    depth_by_rig,
    face_shift,
    pose_change,
    pose_change_derivative,
)
from rigcheck.geometry.rotation import exp_rotation
from rigcheck.model import Calibration, Estimate, RigidTransform, StereoRig
from rigcheck.model._arrays import BoolArray, FloatArray

_MAP_CELLS = (13, 16, 1)
# The baseline's length is the movement along it again.
_PARTS = POSE_PARTS[:6]
_NO_DISTANCE = (
    "the working distance is not known: keep result.json beside calibration.yaml, or give a rig file"
)

__all__ = ["FaceHarm", "HarmMap", "Viewing", "face_harm"]


@dataclass(frozen=True, kw_only=True)
class Viewing:
    """How the face stands before the cameras."""

    working_distance_mm: float | None
    upright_deg: int = 0


@dataclass(frozen=True, kw_only=True, eq=False)
class HarmMap:
    """Movement in depth on the middle plane of the face volume, (rows, columns), mm, signed: farther is positive."""

    x_mm: FloatArray
    y_mm: FloatArray
    depth_mm: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class FaceHarm:
    """The numbers, the map, and the RMS depth that each part of the difference makes by itself, mm.

    `parts` is keyed by a camera's name (its lens and sensor, the best turn carried into the pose) and by the parts
    of the pose; they add as squares only where they are independent.
    """

    measurements: dict[str, Estimate]
    harm_map: HarmMap | None
    parts: dict[str, float]


def face_harm(
    first: Calibration,
    second: Calibration,
    turns_rad: tuple[FloatArray, ...],
    joint: Joint,
    viewing: Viewing,
) -> FaceHarm:
    """Movement of points on the face when the first's pictures are read with the second.

    Parameters
    ----------
    first, second : Calibration
    turns_rad : tuple of (3,) arrays
        Each camera's compensating turn.
    joint : Joint
    viewing : Viewing
    """
    distance = viewing.working_distance_mm
    if distance is None:
        none = Estimate(value=None, unit="mm", reason=_NO_DISTANCE)
        return FaceHarm(measurements={"harm.depth_mm": none}, harm_map=None, parts={})
    if first.stereo is None or second.stereo is None:
        found = _focal_harm(first, second, joint, distance)
        return FaceHarm(measurements={"harm.depth_mm": found}, harm_map=None, parts={})
    shift = _shift(first.rig, second.rig, viewing)
    seen = np.asarray(np.isfinite(shift.shift_mm).all(1))
    if not seen.any():
        none = Estimate(
            value=None, unit="mm", reason="no point of the face can be placed with the second calibration"
        )
        return FaceHarm(measurements={"harm.depth_mm": none}, harm_map=None, parts={})
    n = int(seen.sum())

    def number(value: float) -> Estimate:
        return Estimate(value=value, unit="mm", n=n)

    out = _depth(shift, seen, (first.rig, second.rig), joint) | {
        "harm.lateral_mm": number(shift.lateral_mm),
        "harm.shape_depth_mm": number(shift.shape_depth_mm),
        "harm.largest_depth_mm": number(float(np.abs(shift.shift_mm[seen, 2]).max())),
        "harm.lost_share": Estimate(value=1.0 - float(seen.mean()), n=len(shift.shift_mm)),
        "harm.working_distance_mm": Estimate(value=distance, unit="mm"),
    }
    plane = _shift(first.rig, second.rig, viewing, cells=_MAP_CELLS)
    parts = _parts(first.rig, second.rig, turns_rad, viewing)
    return FaceHarm(measurements=out, harm_map=_harm_map(plane), parts=parts)


def _depth(
    shift: FaceShift, seen: BoolArray, rigs: tuple[StereoRig, StereoRig], joint: Joint
) -> dict[str, Estimate]:
    """Harm, what the calibrations' errors add to it taken off; as it stands where their errors are the same."""
    depth, n = shift.shift_mm[seen, 2], int(seen.sum())
    if not joint.known:
        return {"harm.depth_mm": Estimate(value=float(np.sqrt((depth**2).mean())), unit="mm", n=n)}
    by = [depth_by_rig(rig, shift.grid)[seen] for rig in rigs]
    found = honest_rms(depth, joint.covariance(by[0], by[1]))
    return {
        "harm.depth_mm": Estimate(value=found.value, sigma=found.sigma, unit="mm", n=n),
        "harm.by_errors_mm": Estimate(value=found.by_errors, unit="mm", n=n),
    }


def _shift(
    before: StereoRig, after: StereoRig, viewing: Viewing, cells: tuple[int, int, int] | None = None
) -> FaceShift:
    distance = viewing.working_distance_mm or 0.0
    return face_shift(
        before, after, working_distance_mm=distance, upright_deg=viewing.upright_deg, cells=cells
    )


def _harm_map(plane: FaceShift) -> HarmMap:
    x, y = (
        size * ((np.arange(n) + 0.5) / n - 0.5) for size, n in zip(FACE_BOX_MM, _MAP_CELLS[:2], strict=False)
    )
    return HarmMap(x_mm=x, y_mm=y, depth_mm=plane.shift_mm[:, 2].reshape(_MAP_CELLS[:2]).T)


def _focal_harm(a: Calibration, b: Calibration, joint: Joint, distance_mm: float) -> Estimate:
    """One camera: a depth at the working distance read off its focal length, Z df / f."""
    focal = np.array([a.cameras[0].camera.focal_px, b.cameras[0].camera.focal_px])
    change = float((0.5 * distance_mm * (focal[1] - focal[0]) / focal[0]).sum())
    by = []
    for calibration, f in zip((a, b), focal, strict=True):
        gradient = np.zeros(len(rig_selector(calibration)))
        gradient[:2] = 0.5 * distance_mm / f
        by.append(gradient)
    return Estimate(value=abs(change), sigma=joint.sigma(by[0], by[1]), unit="mm", n=1)


def _parts(
    before: StereoRig, after: StereoRig, turns_rad: tuple[FloatArray, ...], viewing: Viewing
) -> dict[str, float]:
    """Harm of each part by itself: one camera's mapping, or one named part of the pose."""
    none, pose = np.zeros(3), before.camera2_from_camera1
    with_first = replace(
        before, camera1=after.camera1, camera2_from_camera1=carried_pose(pose, (turns_rad[0], none))
    )
    with_second = replace(
        before, camera2=after.camera2, camera2_from_camera1=carried_pose(pose, (none, turns_rad[1]))
    )
    out = {
        before.camera1.name: _shift(before, with_first, viewing).depth_mm,
        before.camera2.name: _shift(before, with_second, viewing).depth_mm,
    }
    start = replace(after, camera2_from_camera1=carried_pose(pose, turns_rad))
    by_pose = np.linalg.inv(pose_change_derivative(start.camera2_from_camera1)[:6])
    change = pose_change(start.camera2_from_camera1, after.camera2_from_camera1)
    for row, name in enumerate(_PARTS):
        step = by_pose[:, row] * change[row]
        carried = start.camera2_from_camera1
        moved = RigidTransform(
            rotation=exp_rotation(step[:3]) @ carried.rotation,
            translation_mm=carried.translation_mm + step[3:],
        )
        out[name] = _shift(start, replace(start, camera2_from_camera1=moved), viewing).depth_mm
    return out
