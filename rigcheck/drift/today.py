"""Today's views of the board fitted on their own, and what they say about the stored rig."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rigcheck.drift.stored import StoredRig
from rigcheck.errors import EstimationError
from rigcheck.geometry.adjustment import Adjustment, Stopping, adjust
from rigcheck.geometry.board_views import View, closed_form_pose, gather
from rigcheck.geometry.bundle import GaussianPrior, RigState
from rigcheck.geometry.covariance import robust_equations, shared_covariance
from rigcheck.geometry.rotation import log_rotation
from rigcheck.model import BoardSpec
from rigcheck.model._arrays import FloatArray

# Wider than any change that leaves a rig the same rig: they only keep what few views cannot tell from running away.
_LOOSE_FOCAL = 0.005
_LOOSE_CENTRE = 0.005
_LOOSE_DISTORTION_SIGMAS = 5.0
_LOOSE_SHAPE_MM = 1.0
# From fewer views it cannot be told whether errors are alike within a view.
_ENOUGH_VIEWS = 4

__all__ = ["Today", "fit_today", "started_at"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Today:
    """A fit to today's views alone.

    `information` (P, P) is what the views say about the rig's parameters, board poses and shape eliminated;
    `score` (P,) the pull of the views on the parameters at their stored values, so that today's own answer is
    stored + information^-1 score. `inflation` is by how much errors alike within a view enlarge every variance.
    """

    views: tuple[View, ...]
    board: BoardSpec
    adjustment: Adjustment
    information: FloatArray
    score: FloatArray
    inflation: float


def fit_today(views: Sequence[View], board: BoardSpec, stored: StoredRig) -> Today:
    """Fit everything that was free in the calibration to today's views, starting from the stored rig.

    Parameters
    ----------
    views : sequence of View
        Usable ones, one entry a camera, in the calibration's order of cameras.
    board : BoardSpec
    stored : StoredRig

    Raises
    ------
    EstimationError
        When the stored rig puts the board behind a camera.

    Notes
    -----
    A loose Gaussian around the stored intrinsics (focal length 3 %, principal point 3 % of the picture,
    distortion 30 of its sigmas) and around a flat board (1 mm) keeps a single pair solvable; it is taken out
    again of what is said about the rig, the board's shape excepted.
    """
    layout, start = stored.layout, started_at(views, board, stored)
    observations = gather(views, board, cameras=range(len(stored.models)), terms=stored.terms)
    loose = _loose(stored)
    prior = GaussianPrior(offset=np.zeros(layout.size), information=np.diag(loose))
    try:
        fit = adjust(
            observations,
            layout,
            start,
            loss="tukey",
            prior=prior,
            stopping=Stopping(relative_cost=1e-8, relative_step=1e-6, iterations=60),
        )
    except ValueError as error:
        raise EstimationError(
            "Today's views do not fit the stored rig: its relative pose puts the board behind one camera.",
            hint="check that both clips are of the same moment, their order, and that the calibration is of this rig",
        ) from error
    inflation = _inflation(fit, len(views))
    information, score = _said(fit, stored, loose[stored.size :])
    return Today(
        views=tuple(views),
        board=board,
        adjustment=fit,
        information=information / inflation,
        score=score / inflation,
        inflation=inflation,
    )


def _loose(stored: StoredRig) -> FloatArray:
    """Information (G,) of the loose Gaussian; zero for the pose."""
    sigma = np.sqrt(np.maximum(np.diag(stored.covariance), 1e-30))
    out = np.zeros(stored.layout.size)
    parts = zip(stored.layout.intrinsics_slices, stored.calibration.cameras, strict=True)
    for part, entry in parts:
        wide = _LOOSE_DISTORTION_SIGMAS * sigma[part]
        wide[:2] = _LOOSE_FOCAL * np.array(entry.camera.focal_px)
        wide[2:4] = _LOOSE_CENTRE * np.array(entry.camera.image_size_px)
        out[part] = wide**-2.0
    out[stored.layout.shape_slice] = _LOOSE_SHAPE_MM**-2.0
    return out


def started_at(views: Sequence[View], board: BoardSpec, stored: StoredRig) -> RigState:
    """The rig as stored, a flat board where each view's first camera sees it."""
    rotations, translations = [], []
    for view in views:
        camera = 0 if view[0] is not None else 1
        side = view[camera]
        if side is None:
            raise ValueError("fit_today: a view without a side")
        rotation, translation = closed_form_pose(
            side, board, stored.intrinsics[camera], stored.models[camera]
        )
        if camera == 1:
            back = stored.rotation.T
            rotation, translation = back @ rotation, back @ (translation - stored.translation)
        rotations.append(rotation)
        translations.append(translation)
    return stored.state(np.stack(rotations), np.stack(translations))


def _inflation(fit: Adjustment, n_views: int) -> float:
    if n_views < _ENOUGH_VIEWS:
        return 1.0
    covariance = shared_covariance(fit)
    return max(covariance.inflation, 1.0) if covariance.correlated else 1.0


def _said(fit: Adjustment, stored: StoredRig, loose_shape: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Information and score about the rig's parameters (M-estimator's formula), the board's shape eliminated."""
    robust, size = robust_equations(fit), stored.size
    information, score = robust.information, robust.score
    shape = slice(size, None)
    if stored.terms:
        own = information[shape, shape] + np.diag(loose_shape)
        pull = score[shape] - loose_shape * fit.state.shape
        over = np.linalg.solve(own, information[shape, :size]).T
        score = score[:size] - over @ pull
        information = information[:size, :size] - over @ information[shape, :size]
    return np.asarray(information), np.asarray(score + information @ _moved(fit.state, stored))


def _moved(state: RigState, stored: StoredRig) -> FloatArray:
    """How far the fit is from the stored parameters, (P,)."""
    parts = [
        (now - before)[mask]
        for now, before, mask in zip(state.intrinsics, stored.intrinsics, stored.free, strict=True)
    ]
    if len(stored.models) == 2:
        parts.append(log_rotation(state.rotation @ stored.rotation.T))
        parts.append(state.translation - stored.translation)
    return np.concatenate(parts)
