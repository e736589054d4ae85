"""The statistics of a verification: today's views weighed against the stored rig, every cause fitted."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rigcheck.drift.causes import (
    SIGNIFICANT_P,
    Explanation,
    candidate_causes,
    explanations,
    lens_columns,
    pose_columns,
)
from rigcheck.drift.exchange import exchanged_explanation
from rigcheck.drift.stored import StoredRig
from rigcheck.drift.today import Today, fit_today
from rigcheck.drift.weighing import FittedChange, Scales, weigh
from rigcheck.errors import EstimationError
from rigcheck.geometry.board_views import View, usable_views
from rigcheck.model._arrays import FloatArray

__all__ = ["Compared", "compare_with_stored"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Compared:
    """Both sides weighed, and every cause fitted, the best first.

    `basic` is a change of pose alone (of one camera: of its lens); `change` what is reported: the pose, and with it
    the lens where the best explanation needs one. `lenses` frees every camera's focal scale and principal point
    beside the pose. `unrest` is by how much variances were enlarged because no cause explains today's views.
    """

    stored: StoredRig
    today: Today
    scales: Scales
    explained: tuple[Explanation, ...]
    basic: FittedChange
    change: FittedChange
    lenses: FittedChange
    unrest: float

    @property
    def changed(self) -> bool:
        """Whether an untouched rig would show as much less than once in a thousand times."""
        return min(self.scales.total_p, self.basic.gain_p) < SIGNIFICANT_P


def compare_with_stored(views: Sequence[View], stored: StoredRig) -> Compared:
    """Fit today's views and weigh them against the stored rig.

    Parameters
    ----------
    views : sequence of View
        One entry a camera, in the calibration's order.
    stored : StoredRig

    Raises
    ------
    EstimationError
        When no view can be used, or none is seen by both cameras of a pair.
    """
    board = stored.calibration.board
    usable = usable_views(views, board)
    _refuse_too_few(usable, stored)
    today = fit_today(usable, board, stored)
    scales = weigh(today.information, today.score, stored.covariance)
    explained = explanations(
        scales, candidate_causes(stored), n_coordinates=2 * today.adjustment.observations.n
    )
    explained = _with_exchange(explained, today, stored)
    cameras = range(len(stored.models))
    pose = pose_columns(stored)
    every_lens = np.hstack([pose, *(lens_columns(stored, camera) for camera in cameras)])
    basic = pose if len(stored.models) == 2 else every_lens
    best = explained[0].fit
    unrest = max(best.left / max(best.freedom, 1), 1.0) if best.left_p < SIGNIFICANT_P else 1.0
    return Compared(
        stored=stored,
        today=today,
        scales=scales,
        explained=explained,
        basic=scales.fit(basic),
        change=_wider(_reported(scales, stored, explained, basic), unrest),
        lenses=_wider(scales.fit(every_lens), unrest),
        unrest=unrest,
    )


def _with_exchange(
    explained: tuple[Explanation, ...], today: Today, stored: StoredRig
) -> tuple[Explanation, ...]:
    """Try the cameras in each other's place too where nothing else explains today and their models differ."""
    tried = any(one.cause.kind == "exchange" for one in explained)
    if tried or explained[0].fit.left_p >= SIGNIFICANT_P:
        return explained
    exchanged = exchanged_explanation(today, stored)
    if exchanged is None:
        return explained
    return tuple(sorted((*explained, exchanged), key=lambda one: one.score))


def _wider(fit: FittedChange, by: float) -> FittedChange:
    return replace(fit, covariance=fit.covariance * by)


def _reported(
    scales: Scales, stored: StoredRig, explained: Sequence[Explanation], basic: FloatArray
) -> FittedChange:
    """The pose with everything that the best explanation frees beside it.

    A focal length that explains best is freed beside the pose. Whatever else explains best, the pose does as well
    unless, all numbers counted, it does clearly worse: a principal point that moved and a camera that turned do the
    same to the face.
    """
    if len(stored.models) == 1:
        return scales.fit(basic)
    best = explained[0].cause
    if best.kind == "focal" and best.camera is not None:
        return scales.fit(np.hstack([basic, lens_columns(stored, best.camera)[:, :1]]))
    wide = next(one.cause for one in explained if one.cause.with_pose)
    return scales.fit(wide.columns, offset=wide.offset)


def _refuse_too_few(views: Sequence[View], stored: StoredRig) -> None:
    hint = "hold the board still before both cameras, filling half of the picture, for a few seconds"
    names = [entry.camera.name for entry in stored.calibration.cameras]
    if not views:
        raise EstimationError(
            f"{' and '.join(names)}: no view with 8 corners of the board over two rows and columns found; one is "
            "needed.",
            hint=hint,
        )
    if len(names) == 2 and not any(all(side is not None for side in view) for view in views):
        raise EstimationError(
            f"{' and '.join(names)}: no moment found at which both see the board; one is needed.",
            hint=f"{hint}; check that the clips are of the same moment",
        )
