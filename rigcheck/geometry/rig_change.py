"""From one pair to another: how points on the face move, and the change of pose by name.

The pixels are held: a point is projected into the pictures with the rig as it was and triangulated with the
rig as it is. Harm is the RMS movement in depth over the face volume.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.geometry.face_volume import FaceGrid, depth_derivatives, face_grid
from rigcheck.geometry.pair import triangulate
from rigcheck.geometry.projection import intrinsics_vector, project
from rigcheck.geometry.rotation import log_rotation, nearest_rotation, pair_axes, skew
from rigcheck.model import RigidTransform, StereoRig

FloatArray = NDArray[np.float64]

# Order of the rows of :func:`pose_change` and :func:`pose_change_derivative`.
POSE_PARTS = (
    "convergence_deg",
    "across_deg",
    "twist_deg",
    "along_baseline_mm",
    "along_view_mm",
    "square_to_both_mm",
    "baseline_mm",
)

__all__ = [
    "POSE_PARTS",
    "FaceShift",
    "depth_by_rig",
    "face_shift",
    "pose_change",
    "pose_change_derivative",
]


@dataclass(frozen=True, kw_only=True, eq=False)
class FaceShift:
    """How triangulated points move, along the grid's axes (across, along, depth), mm.

    `shift_mm` (N, 3); rows are NaN where a point cannot be triangulated. `shape_mm` (N, 3) is what is left
    after the best common movement of the whole face (a turn and a shift), which changes no shape.
    """

    grid: FaceGrid
    shift_mm: FloatArray
    shape_mm: FloatArray

    @property
    def depth_mm(self) -> float:
        """RMS movement in depth."""
        return float(np.sqrt(np.nanmean(self.shift_mm[:, 2] ** 2)))

    @property
    def lateral_mm(self) -> float:
        """RMS length of the movement square to the depth."""
        return float(np.sqrt(np.nanmean((self.shift_mm[:, :2] ** 2).sum(1))))

    @property
    def shape_depth_mm(self) -> float:
        """RMS movement in depth that no common movement of the face explains."""
        return float(np.sqrt(np.nanmean(self.shape_mm[:, 2] ** 2)))

    @property
    def lost(self) -> int:
        """Points that could not be triangulated."""
        return int((~np.isfinite(self.shift_mm).all(1)).sum())


def face_shift(
    before: StereoRig,
    after: StereoRig,
    *,
    working_distance_mm: float,
    upright_deg: int = 0,
    cells: tuple[int, int, int] | None = None,
) -> FaceShift:
    """Movement of points over the face when pictures of `before` are read with `after`.

    Parameters
    ----------
    before, after : StereoRig
    working_distance_mm, upright_deg, cells
        As for :func:`rigcheck.geometry.face_volume.face_grid`; the box stands before `before`.

    Returns
    -------
    FaceShift
        In the frame of camera 1, which a change of its intrinsics turns along with everything else; what is
        left of that in the face's shape is `shape_mm`.
    """
    pose = before.camera2_from_camera1
    more = {} if cells is None else {"cells": cells}
    grid = face_grid(
        pose.rotation,
        pose.translation_mm,
        working_distance_mm=working_distance_mm,
        upright_deg=upright_deg,
        **more,
    )
    first, second = before.camera1, before.camera2
    pixels1 = project(grid.points_mm, intrinsics_vector(first), first.model)
    pixels2 = project(pose.apply(grid.points_mm), intrinsics_vector(second), second.model)
    now = after.camera2_from_camera1
    points = triangulate(
        pixels1,
        pixels2,
        (intrinsics_vector(after.camera1), intrinsics_vector(after.camera2)),
        (after.camera1.model, after.camera2.model),
        rotation=now.rotation,
        translation=now.translation_mm,
    )
    shift = points - grid.points_mm
    return FaceShift(
        grid=grid, shift_mm=shift @ grid.axes.T, shape_mm=_shape(grid.points_mm, points) @ grid.axes.T
    )


def _shape(before: FloatArray, after: FloatArray) -> FloatArray:
    """What is left of a movement after the best turn and shift (orthogonal Procrustes)."""
    seen = np.isfinite(after).all(1)
    out = np.full_like(after, np.nan)
    if seen.sum() < 3:
        return out
    middle_before, middle_after = before[seen].mean(0), after[seen].mean(0)
    from_middle = before[seen] - middle_before
    turn = nearest_rotation((after[seen] - middle_after).T @ from_middle)
    out[seen] = (after[seen] - middle_after) - from_middle @ turn.T
    return out


def depth_by_rig(rig: StereoRig, grid: FaceGrid) -> FloatArray:
    """Derivative of the depth of the grid's points by the rig, (N, P1 + P2 + 6), the pixels held.

    Order as in :func:`rigcheck.geometry.face_volume.depth_derivatives`; depth along the grid's third axis.
    """
    cameras, pose = (rig.camera1, rig.camera2), rig.camera2_from_camera1
    derivatives = depth_derivatives(
        grid.points_mm,
        (intrinsics_vector(cameras[0]), intrinsics_vector(cameras[1])),
        (cameras[0].model, cameras[1].model),
        rotation=pose.rotation,
        translation=pose.translation_mm,
    )
    return np.asarray(grid.axes[2] @ derivatives)


def pose_change(before: RigidTransform, after: RigidTransform) -> FloatArray:
    """Change of the stereo pose by name.

    Parameters
    ----------
    before, after : RigidTransform
        camera2_from_camera1.

    Returns
    -------
    (7,) float64
        In the order of `POSE_PARTS`. Turns of camera 2 against camera 1, degrees, toe-in positive; then how far
        camera 2's centre moved in camera 1's frame, mm: away from camera 1, forwards along the view, and square
        to both (along the axis of convergence); the change of the baseline's length.

    Raises
    ------
    ValueError
        When the pair's axes do not exist (see :func:`rigcheck.geometry.rotation.pair_axes`).
    """
    axes = pair_axes(before.rotation, before.translation_mm)
    turn = log_rotation(after.rotation @ before.rotation.T)
    centres = [-pose.rotation.T @ pose.translation_mm for pose in (before, after)]
    moved = before.rotation @ (centres[1] - centres[0])
    lengths = [float(np.linalg.norm(pose.translation_mm)) for pose in (before, after)]
    return np.concatenate(
        [
            -np.degrees(axes.matrix @ turn),
            [-axes.across @ moved, axes.twist @ moved, axes.convergence @ moved],
            [lengths[1] - lengths[0]],
        ]
    )


def pose_change_derivative(pose: RigidTransform) -> FloatArray:
    """Derivative (7, 6) of :func:`pose_change` by three left turns of the rotation (rad) and the translation."""
    axes, t = pair_axes(pose.rotation, pose.translation_mm), pose.translation_mm
    moved = np.hstack([-skew(t), -np.eye(3)])
    out = np.zeros((7, 6))
    out[:3, :3] = -np.degrees(axes.matrix)
    out[3:6] = np.stack([-axes.across, axes.twist, axes.convergence]) @ moved
    out[6, 3:] = t / np.linalg.norm(t)
    return out
