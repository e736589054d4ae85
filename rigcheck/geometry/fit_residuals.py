"""What a solved adjustment leaves unexplained: by camera, by view, and between the two cameras."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rigcheck.geometry.adjustment import Adjustment
from rigcheck.geometry.board_views import View
from rigcheck.geometry.bundle import RigState
from rigcheck.geometry.pair import sampson_distance_px
from rigcheck.geometry.robust import OUTLIER_WEIGHT
from rigcheck.model import BoardSpec, Observation, RigidTransform, ViewResult, ViewSide

IntArray = NDArray[np.int64]

__all__ = ["corner_ids", "epipolar_rms_px", "rms_px", "view_results"]


def rms_px(adjustment: Adjustment, camera: int | None = None) -> float:
    """Per-point RMS of the corners that the robust fit kept, px; of both cameras when none is named."""
    kept = adjustment.weights >= OUTLIER_WEIGHT
    if camera is not None:
        kept &= adjustment.observations.camera_idx == camera
    squares = (adjustment.prediction.residuals[kept] ** 2).sum()
    return float(np.sqrt(squares / max(int(kept.sum()), 1)))


def view_results(adjustment: Adjustment, views: Sequence[View], board: BoardSpec) -> tuple[ViewResult, ...]:
    """Each view with its residuals, pose, tilt and distance.

    Parameters
    ----------
    adjustment : Adjustment
    views : sequence of View
        Those it was fitted to, in its order.
    board : BoardSpec

    Notes
    -----
    Tilt is the angle between the board's normal and camera 1's optical axis; distance is Z of the
    board's middle in camera 1.
    """
    o, state = adjustment.observations, adjustment.state
    middle = board.corners_mm.mean(0)
    out = []
    for number, view in enumerate(views):
        sides = []
        for camera, observation in enumerate(view):
            rows = np.flatnonzero((o.view_idx == number) & (o.camera_idx == camera))
            sides.append(None if observation is None else _side(adjustment, observation, rows))
        pose = RigidTransform(
            rotation=state.board_rotations[number], translation_mm=state.board_translations[number]
        )
        out.append(
            ViewResult(
                view_idx=number,
                sides=tuple(sides),
                camera1_from_board=pose,
                tilt_deg=float(np.degrees(np.arccos(np.clip(abs(pose.rotation[2, 2]), 0, 1)))),
                distance_mm=float(pose.apply(middle)[2]),
            )
        )
    return tuple(out)


def _side(adjustment: Adjustment, observation: Observation, rows: IntArray) -> ViewSide:
    residuals, weights = adjustment.prediction.residuals[rows], adjustment.weights[rows]
    kept = weights >= OUTLIER_WEIGHT
    rms = float(np.sqrt((residuals[kept] ** 2).sum() / max(int(kept.sum()), 1)))
    return ViewSide(observation=observation, residuals_px=residuals, weights=weights, rms_px=rms)


def epipolar_rms_px(
    adjustment: Adjustment, views: Sequence[View], rig: RigState | None = None
) -> tuple[float, int]:
    """RMS Sampson distance over corners that both cameras saw and the fit kept, px; and their number.

    `rig` gives other intrinsics and another stereo pose than the fit's own.
    """
    state, o = rig or adjustment.state, adjustment.observations
    key = o.view_idx * 100_000 + corner_ids(views)
    kept = adjustment.weights >= OUTLIER_WEIGHT
    first, second = ((o.camera_idx == camera) & kept for camera in (0, 1))
    _, rows1, rows2 = np.intersect1d(key[first], key[second], return_indices=True)
    distances = sampson_distance_px(
        o.pixels[first][rows1],
        o.pixels[second][rows2],
        (state.intrinsics[0], state.intrinsics[1]),
        (adjustment.layout.models[0], adjustment.layout.models[1]),
        rotation=state.rotation,
        translation=state.translation,
    )
    distances = distances[np.isfinite(distances)]
    return float(np.sqrt((distances**2).mean())) if len(distances) else 0.0, len(distances)


def corner_ids(views: Sequence[View]) -> IntArray:
    """Id of every corner of an adjustment of these views, in its order."""
    return np.concatenate([side.corner_ids for view in views for side in view if side is not None])
