"""How the stereo pose differs between two calibrations, as stored and with the cameras' turns carried into it.

A principal point that differs and a turn that makes up for it describe nearly the same camera. Stored poses then
differ though the cameras do not: each camera's compensating turn is carried into the pose before it is compared
again.
"""

from dataclasses import dataclass

import numpy as np

from rigcheck.drift.joint import ChiSquare, Joint, chi_square
from rigcheck.drift.rig_columns import camera_rows, rig_selector
from rigcheck.geometry.mapping import mapping_by_intrinsics, picture_grid
from rigcheck.geometry.projection import intrinsics_vector, unproject
from rigcheck.geometry.rig_change import POSE_PARTS, pose_change, pose_change_derivative
from rigcheck.geometry.rotation import exp_rotation, skew
from rigcheck.model import Calibration, Estimate, RigidTransform, StereoCalibration
from rigcheck.model._arrays import FloatArray

__all__ = ["PoseDifference", "carried_pose", "pose_difference"]


@dataclass(frozen=True, kw_only=True)
class PoseDifference:
    """Change of each named part of the pose, as stored and with the cameras' turns carried into it.

    `agreement` is the squared Mahalanobis distance of the six carried parts, whatever the lens models; None where no
    covariance of the difference is known.
    """

    stored: dict[str, Estimate]
    carried: dict[str, Estimate]
    agreement: ChiSquare | None

    def measurements(self) -> dict[str, Estimate]:
        """Both, named for the record."""
        out = {f"stereo.difference.{name}": one for name, one in self.stored.items()}
        out |= {f"stereo.difference_carried.{name}": one for name, one in self.carried.items()}
        found = self.agreement
        if found is not None:
            out["agreement.pose_chi_square"] = Estimate(value=found.value, n=found.freedom)
            out["agreement.pose_p_value"] = Estimate(value=found.p_value, n=found.freedom)
        return out


def carried_pose(pose: RigidTransform, turns_rad: tuple[FloatArray, ...]) -> RigidTransform:
    """Pose of the same two cameras after each camera's own frame was turned.

    Parameters
    ----------
    pose : RigidTransform
        camera2_from_camera1.
    turns_rad : two (3,) arrays
        Each takes directions of the camera's old frame to its new one.
    """
    first, second = (exp_rotation(turn) for turn in turns_rad)
    return RigidTransform(
        rotation=second @ pose.rotation @ first.T, translation_mm=second @ pose.translation_mm
    )


def pose_difference(
    first: Calibration, second: Calibration, turns_rad: tuple[FloatArray, ...], joint: Joint
) -> PoseDifference | None:
    """Compare two stereo poses; None for one camera.

    Parameters
    ----------
    first, second : Calibration
    turns_rad : two (3,) arrays
        Each camera's compensating turn, from the first calibration's frame to the second's.
    joint : Joint
    """
    if first.stereo is None or second.stereo is None:
        return None
    before, after = first.stereo.camera2_from_camera1, second.stereo.camera2_from_camera1
    pose = _pose_rows(first.stereo, len(rig_selector(first)))
    other = _pose_rows(second.stereo, len(rig_selector(second)))
    change = pose_change(carried_pose(before, turns_rad), after)
    by = pose + _by_turns(first, first.stereo), other + _by_turns(second, second.stereo)
    return PoseDifference(
        stored=_estimates(pose_change(before, after), pose, other, joint),
        carried=_estimates(change, *by, joint),
        agreement=_agreement(change[:6], by[0][:6], by[1][:6], joint),
    )


def _agreement(
    change: FloatArray, by_first: FloatArray, by_second: FloatArray, joint: Joint
) -> ChiSquare | None:
    """Distance of the parts but the baseline's length, which is the movement along it again."""
    if not joint.known:
        return None
    covariance = joint.covariance(by_first, by_second)
    scale = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    return chi_square(change, covariance, scale)


def _pose_rows(stereo: StereoCalibration, size: int) -> FloatArray:
    """Derivative (7, R) of the named parts by the rig's numbers."""
    out = np.zeros((len(POSE_PARTS), size))
    out[:, -6:] = pose_change_derivative(stereo.camera2_from_camera1)
    return out


def _by_turns(calibration: Calibration, stereo: StereoCalibration) -> FloatArray:
    """What the intrinsics add to a carried pose, by the turns that make up for them, (7, R)."""
    pose = stereo.camera2_from_camera1
    by_pose = pose_change_derivative(pose)
    # Of the pose by each camera's turn: that of camera 1 enters through its inverse.
    by_turn = [
        np.vstack([-pose.rotation, np.zeros((3, 3))]),
        np.vstack([np.eye(3), -skew(pose.translation_mm)]),
    ]
    out = np.zeros((len(POSE_PARTS), len(rig_selector(calibration))))
    for index, entry in enumerate(calibration.cameras):
        pixels = picture_grid(entry.camera.image_size_px)
        rays = unproject(pixels, intrinsics_vector(entry.camera), entry.camera.model)
        _, turn = mapping_by_intrinsics(entry.camera, pixels[np.isfinite(rays).all(1)])
        # The carried part stands on the other side of the difference.
        out[:, camera_rows(calibration, index)] = -by_pose @ by_turn[index] @ turn
    return out


def _estimates(
    change: FloatArray, by_first: FloatArray, by_second: FloatArray, joint: Joint
) -> dict[str, Estimate]:
    out = {}
    for row, name in enumerate(POSE_PARTS):
        unit = name.rpartition("_")[2]
        sigma = joint.sigma(by_first[row], by_second[row])
        out[name] = Estimate(value=float(change[row]), sigma=sigma, unit=unit)
    return out
