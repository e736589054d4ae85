"""From views to a solution: each camera first, then both together."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rigcheck.calibration.lens import LensChoice, choose_lens
from rigcheck.calibration.prior import IntrinsicsPrior
from rigcheck.calibration.start import Lens, free_mask
from rigcheck.errors import EstimationError
from rigcheck.geometry.adjustment import Adjustment, Stopping, adjust
from rigcheck.geometry.board_shape import FURTHER, QUADRATIC, shape_terms
from rigcheck.geometry.board_views import CameraSetup, View, gather, usable_views
from rigcheck.geometry.bundle import RigState, SharedLayout
from rigcheck.geometry.covariance import SharedCovariance, shared_covariance
from rigcheck.geometry.robust import evaluate_loss
from rigcheck.geometry.rotation import angles_apart, poses_between
from rigcheck.model import BoardSpec, FrameRef, Rejection

FloatArray = NDArray[np.float64]

# Zhang (2000): two orientations fix four pinhole unknowns without skew; a third leaves something to check by.
MIN_VIEWS = 3
# Only costs are compared: what is left to fall is far below what one term must pay.
_TO_COMPARE = Stopping(relative_cost=1e-7, relative_step=1e-3, iterations=40)

__all__ = ["MIN_VIEWS", "Solution", "solve"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Solution:
    """A solved calibration in the solver's own terms.

    `views` are those used, in the order of the adjustment; `choices` one a camera; `terms` are the free
    terms of the board's shape (:mod:`rigcheck.geometry.board_shape`).
    """

    views: tuple[View, ...]
    board: BoardSpec
    setups: tuple[CameraSetup, ...]
    choices: tuple[LensChoice, ...]
    adjustment: Adjustment
    covariance: SharedCovariance
    terms: tuple[tuple[int, int], ...]
    prior: IntrinsicsPrior | None
    rejected: tuple[Rejection, ...]


def solve(
    views: Sequence[View],
    board: BoardSpec,
    setups: Sequence[CameraSetup],
    *,
    lenses: Sequence[Lens] | None = None,
    flat_board: bool = False,
    prior: IntrinsicsPrior | None = None,
) -> Solution:
    """Calibrate one camera, or two jointly, from views of a board.

    Parameters
    ----------
    views : sequence of View
        One entry a camera, None where it did not see the board.
    board : BoardSpec
    setups : sequence of CameraSetup
        One or two.
    lenses : sequence of Lens, optional
        Candidate lens models; all when not given. One only: no choice is made.
    flat_board : bool
        Take the board as flat instead of solving for its shape.
    prior : IntrinsicsPrior, optional
        A workshop calibration's intrinsics; its lens models are kept, and one pair of views is enough.

    Returns
    -------
    Solution

    Raises
    ------
    EstimationError
        When there are too few views, or they leave something wholly undetermined; the number that shows it
        is named.

    Notes
    -----
    Intrinsics stay free in the joint fit: freezing them at each camera's own solution biases the baseline.
    """
    usable = usable_views(views, board)
    _enough_views(usable, setups, least=MIN_VIEWS if prior is None else 1)
    terms = () if flat_board else shape_terms(board, QUADRATIC)
    choices = (
        _chosen(usable, board, setups, lenses, terms)
        if prior is None
        else _given(usable, board, prior, terms)
    )
    adjustment = _together(usable, board, choices, terms=terms, prior=prior)
    _refuse_undetermined(adjustment, setups)
    covariance = _covariance(adjustment)
    more = shape_terms(board, QUADRATIC + FURTHER)
    if terms and len(more) > len(terms):
        richer = _with_more_shape(usable, board, adjustment, terms=more, prior=prior, stopping=_TO_COMPARE)
        if _clearly_better(adjustment, richer, covariance.inflation):
            richer = _with_more_shape(usable, board, richer, terms=more, prior=prior)
            adjustment, covariance, terms = richer, _covariance(richer), more
    return Solution(
        views=tuple(usable),
        board=board,
        setups=tuple(setups),
        choices=choices,
        adjustment=adjustment,
        covariance=covariance,
        terms=terms,
        prior=prior,
        rejected=_left_out(views, usable),
    )


def _left_out(views: Sequence[View], usable: Sequence[View]) -> tuple[Rejection, ...]:
    kept = {id(side) for view in usable for side in view if side is not None}
    return tuple(
        Rejection(ref=side.ref, code="too-few-corners", sentence=_too_few(side.n, side.ref))
        for view in views
        for side in view
        if side is not None and id(side) not in kept
    )


def _too_few(n: int, ref: FrameRef) -> str:
    return f"{ref.label}: {n} corners, or all on one line; a pose needs 8 over two rows and columns"


def _enough_views(views: Sequence[View], setups: Sequence[CameraSetup], *, least: int) -> None:
    hint = (
        "film the board tilted 30-45 degrees to each side, near and far, over the whole picture, "
        "held still for a moment in each pose"
    )
    for camera, setup in enumerate(setups):
        count = sum(view[camera] is not None for view in views)
        if count < least:
            raise EstimationError(
                f"{setup.name}: {count} usable views of the board found, {least} needed at the least.",
                hint=hint,
            )
    if len(setups) == 2:
        pairs = sum(view[0] is not None and view[1] is not None for view in views)
        if pairs < 1:
            raise EstimationError(
                f"{setups[0].name} and {setups[1].name}: no moment found at which both see the board; "
                "one is needed, ten or more are wanted.",
                hint="hold the board where both cameras see it; check that the clips are of the same moment",
            )


def _undetermined(found: str) -> EstimationError:
    return EstimationError(
        f"The views leave part of the calibration undetermined ({found}; up to 1e14 can be solved).",
        hint="film the board tilted 30-45 degrees to each side, not only flat-on, and over the whole picture",
    )


def _refuse_undetermined(adjustment: Adjustment, setups: Sequence[CameraSetup]) -> None:
    for intrinsics, setup in zip(adjustment.state.intrinsics, setups, strict=True):
        longer = max(setup.image_size_px)
        if not 0.05 * longer < intrinsics[:2].min() <= intrinsics[:2].max() < 200 * longer:
            raise _undetermined(
                f"{setup.name}: focal length {intrinsics[0]:.0f}, {intrinsics[1]:.0f} px "
                f"for a picture {setup.image_size_px[0]} x {setup.image_size_px[1]} px"
            )


def _relative_pose(
    first: RigState, second: RigState, pairs: Sequence[tuple[int, int]]
) -> tuple[FloatArray, FloatArray]:
    """camera2_from_camera1 that most pairs agree on: the pair nearest to all others."""
    one, other = np.array(pairs).T
    rotations, translations = poses_between(
        (first.board_rotations[one], first.board_translations[one]),
        (second.board_rotations[other], second.board_translations[other]),
    )
    apart = angles_apart(rotations)
    away = np.linalg.norm(translations[:, None] - translations[None], axis=-1)
    score = np.median(
        apart / max(float(np.median(apart)), 1e-9) + away / max(float(np.median(away)), 1e-9), axis=1
    )
    best = int(np.argmin(score))
    return rotations[best], translations[best]


def _chosen(
    views: Sequence[View],
    board: BoardSpec,
    setups: Sequence[CameraSetup],
    lenses: Sequence[Lens] | None,
    terms: tuple[tuple[int, int], ...],
) -> tuple[LensChoice, ...]:
    def choose(camera: int) -> LensChoice:
        seen = [view for view in views if view[camera] is not None]
        return choose_lens(seen, board, setups[camera], camera=camera, lenses=lenses, terms=terms)

    # Array by array numpy lets the other camera's thread run.
    with ThreadPoolExecutor(max_workers=len(setups)) as pool:
        return tuple(pool.map(choose, range(len(setups))))


def _given(
    views: Sequence[View], board: BoardSpec, prior: IntrinsicsPrior, terms: tuple[tuple[int, int], ...]
) -> tuple[LensChoice, ...]:
    choices = []
    for camera, lens in enumerate(prior.lenses):
        sides = [side for view in views if (side := view[camera]) is not None]
        state = prior.state(camera, sides, board, len(terms))
        choices.append(LensChoice(lens=lens, state=state, scores=(), held_out_ratio=None))
    return tuple(choices)


def _covariance(adjustment: Adjustment) -> SharedCovariance:
    try:
        return shared_covariance(adjustment)
    except np.linalg.LinAlgError as error:
        raise _undetermined(str(error)) from error


def _with_more_shape(
    views: Sequence[View],
    board: BoardSpec,
    fit: Adjustment,
    *,
    terms: tuple[tuple[int, int], ...],
    prior: IntrinsicsPrior | None,
    stopping: Stopping | None = None,
) -> Adjustment:
    """The same fit with further terms of the board's shape free, at the same noise scale to compare costs."""
    layout = replace(fit.layout, n_shape=len(terms))
    shape = np.zeros(len(terms))
    shape[: len(fit.state.shape)] = fit.state.shape
    observations = gather(views, board, cameras=range(len(layout.models)), terms=terms)
    start = replace(fit.state, shape=shape)
    known = None if prior is None else prior.gaussian(layout, start)
    return adjust(observations, layout, start, loss="tukey", prior=known, stopping=stopping)


def _clearly_better(fit: Adjustment, richer: Adjustment, inflation: float) -> bool:
    """Whether further shape terms pay for themselves: BIC, errors alike within a view counted once."""
    costs = [
        2.0 * float(evaluate_loss(one.lengths * (one.scale / richer.scale), one.loss).cost.sum())
        for one in (fit, richer)
    ]
    price = (richer.layout.n_shape - fit.layout.n_shape) * float(np.log(2 * fit.observations.n))
    return costs[0] - costs[1] > price * max(inflation, 1.0)


def _together(
    views: Sequence[View],
    board: BoardSpec,
    choices: Sequence[LensChoice],
    *,
    terms: tuple[tuple[int, int], ...],
    prior: IntrinsicsPrior | None,
) -> Adjustment:
    """The adjustment that is reported: everything free at once, from where each camera's own fit ended."""
    states = [choice.state for choice in choices]
    start = states[0] if len(states) == 1 else _joint_start(views, states)
    layout = SharedLayout(
        models=tuple(choice.lens.model for choice in choices),
        free=tuple(free_mask(choice.lens) for choice in choices),
        n_shape=len(terms),
    )
    observations = gather(views, board, cameras=range(len(choices)), terms=terms)
    known = None if prior is None else prior.gaussian(layout, start)
    try:
        return adjust(observations, layout, start, loss="tukey", prior=known)
    except ValueError as error:
        raise EstimationError(
            "The views of the board do not fit together: the cameras' relative pose puts it behind one of them.",
            hint="check that both clips are of the same moment and of the same board, and their order",
        ) from error


def _joint_start(views: Sequence[View], states: Sequence[RigState]) -> RigState:
    first, second = states
    index: list[dict[int, int]] = []
    for camera in range(2):
        mine = [number for number, view in enumerate(views) if view[camera] is not None]
        index.append({number: position for position, number in enumerate(mine)})
    pairs = [(index[0][n], index[1][n]) for n in range(len(views)) if n in index[0] and n in index[1]]
    rotation, translation = _relative_pose(first, second, pairs)
    rotations, translations = [], []
    for number in range(len(views)):
        if number in index[0]:
            rotations.append(first.board_rotations[index[0][number]])
            translations.append(first.board_translations[index[0][number]])
        else:
            position = index[1][number]
            rotations.append(rotation.T @ second.board_rotations[position])
            translations.append(rotation.T @ (second.board_translations[position] - translation))
    return RigState(
        intrinsics=(first.intrinsics[0], second.intrinsics[0]),
        rotation=rotation,
        translation=translation,
        shape=0.5 * (first.shape + second.shape),
        board_rotations=np.stack(rotations),
        board_translations=np.stack(translations),
    )
