"""Whether today's footage shows each camera's lens and sensor in the other's place."""

from dataclasses import replace

import numpy as np

from rigcheck.drift.causes import Cause, Explanation, pose_columns
from rigcheck.drift.stored import StoredRig
from rigcheck.drift.today import Today, fit_today
from rigcheck.drift.weighing import weigh
from rigcheck.errors import EstimationError

__all__ = ["exchanged_explanation", "exchanged_rig"]


def exchanged_rig(stored: StoredRig) -> StoredRig:
    """The stored pair with each camera's lens and sensor in the other's place, standing where they stood."""
    first, second = stored.layout.intrinsics_slices
    order = np.r_[second, first, stored.layout.stereo_slice]
    names = [stored.names[k] for k in order]
    cameras = stored.calibration.cameras
    return replace(
        stored,
        calibration=replace(stored.calibration, cameras=(cameras[1], cameras[0])),
        models=stored.models[::-1],
        free=stored.free[::-1],
        intrinsics=stored.intrinsics[::-1],
        names=tuple(names),
        covariance=stored.covariance[np.ix_(order, order)],
    )


def exchanged_explanation(today: Today, stored: StoredRig) -> Explanation | None:
    """Today's views against the exchanged rig, any pose allowed; None where the two cannot be exchanged.

    Notes
    -----
    For lenses described by different models; of like models the exchange is one more cause among the others
    (:mod:`rigcheck.drift.causes`).
    """
    sizes = {entry.camera.image_size_px for entry in stored.calibration.cameras}
    if len(stored.models) != 2 or len(sizes) != 1:
        return None
    other = exchanged_rig(stored)
    try:
        again = fit_today(today.views, today.board, other)
    except EstimationError:
        return None
    fit = weigh(again.information, again.score, other.covariance).fit(pose_columns(other))
    price = float(np.log(2 * again.adjustment.observations.n)) * (fit.columns.shape[1] + 1)
    cause = Cause(kind="exchange", camera=None, columns=pose_columns(stored), with_pose=True)
    # Its pose is told in the order of the exchanged cameras' parameters, in which the pose comes last as well.
    return Explanation(
        cause=cause,
        fit=replace(fit, columns=cause.columns, offset=np.zeros(stored.size)),
        score=fit.left + price,
    )
