"""What epipolar distances can tell of a change of a pair: five degrees of freedom, the baseline's length held.

Order everywhere: convergence, across, twist (degrees, toe-in positive), then the move of camera 2's centre along the
view and square to both view and baseline (mm); see :func:`rigcheck.geometry.rig_change.pose_change`.
"""

import numpy as np
from numpy.typing import NDArray

from rigcheck.geometry.rig_change import pose_change, pose_change_derivative
from rigcheck.geometry.rotation import exp_rotation, pair_axes
from rigcheck.model import RigidTransform

FloatArray = NDArray[np.float64]

# Rows of pose_change that are observable, and the row that is held.
_ROWS = [0, 1, 2, 4, 5]
_LENGTH = 6

__all__ = ["moved_pair", "observable_change", "pose_by_observable"]


def moved_pair(pose: RigidTransform, change: FloatArray) -> RigidTransform:
    """The pose (camera2_from_camera1) after an observable change (5,); the baseline keeps its length."""
    axes = pair_axes(pose.rotation, pose.translation_mm)
    rotation = exp_rotation(-axes.matrix.T @ np.radians(change[:3])) @ pose.rotation
    centre = -pose.rotation.T @ pose.translation_mm
    moved = centre + pose.rotation.T @ (axes.twist * change[3] + axes.convergence * change[4])
    moved *= np.linalg.norm(centre) / np.linalg.norm(moved)
    return RigidTransform(rotation=rotation, translation_mm=-rotation @ moved)


def observable_change(before: RigidTransform, after: RigidTransform) -> FloatArray:
    """The observable part (5,) of a change of pose; what of it only stretches the baseline is left out.

    Notes
    -----
    A longer baseline is scaled back first: the same directions with the old length.
    """
    length = np.linalg.norm(before.translation_mm) / np.linalg.norm(after.translation_mm)
    same = RigidTransform(rotation=after.rotation, translation_mm=after.translation_mm * length)
    return np.asarray(pose_change(before, same)[_ROWS])


def pose_by_observable(pose: RigidTransform) -> FloatArray:
    """Derivative (6, 5) of the pose (three left turns in rad, translation in mm) by an observable change."""
    by_pose = pose_change_derivative(pose)[[*_ROWS, _LENGTH]]
    return np.asarray(np.linalg.inv(by_pose)[:, :5])
