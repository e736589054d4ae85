"""Which of many views to solve with: those that add most to what is not yet known.

References
----------
Pukelsheim, Optimal Design of Experiments, 2006, ch. 6 (determinant criterion), built up greedily.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rigcheck.calibration.solve import solve
from rigcheck.calibration.start import LENSES
from rigcheck.geometry.board_views import CameraSetup, View, closed_form_pose, gather
from rigcheck.geometry.bundle import RigState, normal_equations, predict
from rigcheck.geometry.telling import most_telling
from rigcheck.model import BoardSpec, LensModel, RigidTransform

FloatArray = NDArray[np.float64]

# Beyond this many views the uncertainty falls so slowly that solving time is better spent elsewhere.
MOST_VIEWS = 60
_ROUGH_VIEWS = 16
_TRACE = 1e-6

__all__ = ["MOST_VIEWS", "choose_views", "pose_of_view"]


def choose_views(
    views: Sequence[View], board: BoardSpec, setups: Sequence[CameraSetup], *, most: int = MOST_VIEWS
) -> list[int]:
    """Positions of the views to solve with, ascending.

    Parameters
    ----------
    views : sequence of View
        Usable ones (see :func:`rigcheck.geometry.board_views.usable_views`).
    board : BoardSpec
    setups : sequence of CameraSetup
    most : int
        How many to keep; all are kept when there are no more.

    Raises
    ------
    EstimationError
        When not even a rough solution is to be had.

    Notes
    -----
    A rough solution from some views spread over the clip gives every view's information about the shared
    unknowns; the view with the largest gain in log-determinant is taken, again and again. Blurred and noisy
    views carry less by their corners' own sigmas.
    """
    if len(views) <= most:
        return list(range(len(views)))
    return most_telling(_information(views, board, setups), most, trace=_TRACE)


def _information(views: Sequence[View], board: BoardSpec, setups: Sequence[CameraSetup]) -> FloatArray:
    """Reduced information of each view about the shared unknowns, (V, G, G)."""
    both = [n for n, view in enumerate(views) if all(side is not None for side in view)]
    pool = both if len(both) >= _ROUGH_VIEWS else list(range(len(views)))
    picks = sorted({pool[k] for k in np.linspace(0, len(pool) - 1, _ROUGH_VIEWS).round().astype(int)})
    rough = solve([views[n] for n in picks], board, setups, lenses=[LENSES["brown4"]])
    state = _state_of_all(views, board, rough.adjustment.state, rough.adjustment.layout.models)
    observations = gather(views, board, cameras=range(len(setups)), terms=rough.terms)
    prediction = predict(observations, rough.adjustment.layout, state)
    inverse = 1.0 / observations.sigma_px**2
    return normal_equations(observations, prediction, information=inverse, pull=inverse).reduced_by_view


def _state_of_all(
    views: Sequence[View], board: BoardSpec, state: RigState, models: Sequence[LensModel]
) -> RigState:
    """The rough rig with a closed-form pose for every view."""
    poses = [pose_of_view(view, board, state, models) for view in views]
    return replace(
        state,
        board_rotations=np.stack([pose.rotation for pose in poses]),
        board_translations=np.stack([pose.translation_mm for pose in poses]),
    )


def pose_of_view(
    view: View, board: BoardSpec, state: RigState, models: Sequence[LensModel]
) -> RigidTransform:
    """Where the board stands in the camera-1 frame, in closed form from the first camera that sees it.

    Raises
    ------
    ValueError
        When no camera sees it.
    """
    camera = 0 if view[0] is not None else 1
    side = view[camera] if camera < len(view) else None
    if side is None:
        raise ValueError("pose_of_view: a view without a side")
    rotation, translation = closed_form_pose(side, board, state.intrinsics[camera], models[camera])
    if camera == 1:
        rotation, translation = (
            state.rotation.T @ rotation,
            state.rotation.T @ (translation - state.translation),
        )
    return RigidTransform(rotation=rotation, translation_mm=translation)
