"""Which lens model: the simplest that predicts views it was not fitted to as well as the best does.

References
----------
Schwarz, "Estimating the dimension of a model", Annals of Statistics 6(2), 1978 (BIC).
Breiman et al., Classification and Regression Trees, 1984, section 3.4.3 (one-standard-error rule).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rigcheck.calibration.start import LENSES, WRONG_BOARD_HINT, Lens, single_camera_layout, start_camera
from rigcheck.errors import EstimationError
from rigcheck.geometry.adjustment import Adjustment, Stopping, adjust
from rigcheck.geometry.board_views import CameraSetup, View, gather
from rigcheck.geometry.bundle import Observations, RigState, SharedLayout
from rigcheck.geometry.projection import FULL_DISTORTION, N_PINHOLE
from rigcheck.geometry.robust import OUTLIER_WEIGHT, evaluate_loss
from rigcheck.model import BoardSpec, ModelScore

FloatArray = NDArray[np.float64]

_FOLDS = 5
_QUICK = Stopping(relative_cost=1e-8, relative_step=1e-5, iterations=25)
# Fits to some of the views start where the fit to all ended, and only losses are compared: a hundredth of a standard
# deviation away from the optimum, they are higher by a ten-thousandth of what one parameter is worth.
_QUICKEST = Stopping(relative_cost=1e-6, relative_step=1e-2, iterations=25, goes_on=True)

__all__ = ["LensChoice", "choose_lens", "fit_camera"]


@dataclass(frozen=True, kw_only=True, eq=False)
class LensChoice:
    """The chosen lens of one camera, where its fit ended, and how every candidate did.

    `held_out_ratio` is None where there was no choice.
    """

    lens: Lens
    state: RigState
    scores: tuple[ModelScore, ...]
    held_out_ratio: float | None


def with_lens(state: RigState, lens: Lens, model_before: str) -> RigState:
    """Start for another lens model from a state fitted with one: pinhole part and poses are kept."""
    before = state.intrinsics[0]
    full = np.zeros(N_PINHOLE + FULL_DISTORTION[lens.model])
    full[:N_PINHOLE] = before[:N_PINHOLE]
    if lens.model == model_before:
        kept = [N_PINHOLE + k for k in lens.coefficients]
        full[kept] = before[kept]
    return replace(state, intrinsics=(full,))


def fit_camera(
    observations: Observations, lens: Lens, start: RigState, *, stopping: Stopping | None = None
) -> Adjustment:
    """Robust fit of one camera with one lens model."""
    layout = single_camera_layout(lens, n_shape=observations.shape_basis.shape[1])
    return adjust(observations, layout, start, loss="tukey", stopping=stopping)


def _candidates(
    observations: Observations,
    views: Sequence[View],
    board: BoardSpec,
    setup: CameraSetup,
    *,
    camera: int,
    lenses: Sequence[Lens],
) -> dict[str, Adjustment]:
    sides = [side for view in views if (side := view[camera]) is not None]
    first = start_camera(sides, board, observations, setup, lens=LENSES["brown2"])
    fits: dict[str, Adjustment] = {}
    start, model = first.state, "brown"
    for lens in lenses:
        try:
            fitted = fit_camera(observations, lens, with_lens(start, lens, model), stopping=_QUICK)
        except ValueError:
            continue  # with this lens model a corner cannot be before the camera
        fits[lens.name] = fitted
        if lens.model == "brown":
            start = fitted.state
    return fits


def _folds(n_views: int) -> list[NDArray[np.int64]]:
    count = min(_FOLDS, n_views)
    return [np.arange(fold, n_views, count) for fold in range(count)]


def _held_out_losses(
    fit: Adjustment, lens: Lens, trusted: NDArray[np.bool_], scale: float
) -> tuple[FloatArray, float]:
    """Mean squared scaled residual of each view when it was not fitted, and their RMS in px."""
    o = fit.observations
    n_views = int(o.view_idx[-1]) + 1
    losses, squares, points = np.full(n_views, np.nan), 0.0, 0
    nothing_free = SharedLayout(
        models=(lens.model,), free=(np.zeros(len(fit.state.intrinsics[0]), dtype=bool),)
    )
    for fold in _folds(n_views):
        out = np.isin(o.view_idx, fold)
        kept_views = np.setdiff1d(np.arange(n_views), fold)
        trained = adjust(
            o.select(~out), fit.layout, _with_views(fit.state, kept_views), loss="tukey", stopping=_QUICKEST
        )
        start = replace(
            _with_views(fit.state, fold), intrinsics=trained.state.intrinsics, shape=trained.state.shape
        )
        tested = adjust(o.select(out), nothing_free, start, loss="huber", stopping=_QUICKEST)
        used = trusted[out]
        lengths2 = (tested.prediction.residuals**2).sum(1)
        scaled = lengths2 / (tested.observations.sigma_px * scale) ** 2
        for number, view in enumerate(fold):
            mine = used & (tested.observations.view_idx == number)
            losses[view] = scaled[mine].sum() if mine.any() else 0.0
        squares, points = squares + float(lengths2[used].sum()), points + int(used.sum())
    return losses, float(np.sqrt(squares / max(points, 1)))


def _with_views(state: RigState, views: NDArray[np.int64]) -> RigState:
    return replace(
        state,
        board_rotations=state.board_rotations[views],
        board_translations=state.board_translations[views],
    )


def choose_lens(
    views: Sequence[View],
    board: BoardSpec,
    setup: CameraSetup,
    *,
    camera: int,
    lenses: Sequence[Lens] | None = None,
    terms: tuple[tuple[int, int], ...] = (),
) -> LensChoice:
    """Fit one camera with every candidate lens and choose.

    Parameters
    ----------
    views : sequence of View
        All with a side of this camera.
    board : BoardSpec
    setup : CameraSetup
    camera : int
        Which side of the views.
    lenses : sequence of Lens, optional
        Candidates, simplest first; all of them when not given.
    terms : tuple of (i, j)
        Terms of the board's shape that are free.

    Returns
    -------
    LensChoice

    Notes
    -----
    BIC picks the best model at one common noise scale. A simpler one of the same family replaces it when,
    view for view, its loss in views left out exceeds the best's by no more than one standard error of that
    difference: corner errors alike within a view deceive BIC, not views left out.
    """
    candidates = tuple(LENSES.values()) if lenses is None else tuple(lenses)
    observations = gather(views, board, cameras=[camera], terms=terms)
    fits = _candidates(observations, views, board, setup, camera=camera, lenses=candidates)
    if not fits:
        raise EstimationError(
            f"{setup.name}: no lens model explains the {len(views)} views of the board.",
            hint=WRONG_BOARD_HINT,
        )
    by_name = {lens.name: lens for lens in candidates}
    scale = min(fit.scale for fit in fits.values())
    bic = {name: _bic(fit, scale) for name, fit in fits.items()}
    leader = min(bic, key=lambda name: bic[name])
    # A corner far out in the full fit says nothing about a lens.
    trusted = fits[leader].weights >= OUTLIER_WEIGHT
    # Only what could win is tried on views left out: the leader and the simpler ones of its family; of one lens none.
    could_win = [n for n in fits if n == leader or _simpler(by_name[n], by_name[leader])]
    contenders = could_win if len(candidates) > 1 else []
    held_out = {n: _held_out_losses(fits[n], by_name[n], trusted, scale) for n in contenders}
    losses = {name: lost for name, (lost, _) in held_out.items()}
    chosen = _simplest_as_good(losses, leader, sorted(contenders, key=lambda n: by_name[n].n_coefficients))
    scores = tuple(
        ModelScore(
            camera=setup.name,
            name=name,
            n_parameters=fits[name].layout.size,
            bic=bic[name],
            held_out_rms_px=held_out[name][1] if name in held_out else None,
            chosen=name == chosen,
            note=_note(name, chosen, leader),
        )
        for name in fits
    )
    return LensChoice(
        lens=by_name[chosen],
        state=fits[chosen].state,
        scores=scores,
        held_out_ratio=held_out[chosen][1] / max(_trusted_rms(fits[chosen], trusted), 1e-12)
        if chosen in held_out
        else None,
    )


def _simplest_as_good(losses: dict[str, FloatArray], leader: str, contenders: Sequence[str]) -> str:
    """The first of the contenders, simplest first, that views left out do not tell from the leader."""
    for name in contenders:
        worse = losses[name] - losses[leader]
        spread = float(np.std(worse, ddof=1) * np.sqrt(len(worse))) if len(worse) > 1 else 0.0
        if name == leader or float(worse.sum()) <= spread:
            return name
    return leader


def _simpler(lens: Lens, leader: Lens) -> bool:
    return lens.model == leader.model and lens.n_coefficients < leader.n_coefficients


def _trusted_rms(fit: Adjustment, trusted: NDArray[np.bool_]) -> float:
    squares = (fit.prediction.residuals[trusted] ** 2).sum()
    return float(np.sqrt(squares / max(int(trusted.sum()), 1)))


def _bic(fit: Adjustment, scale: float) -> float:
    lengths = fit.lengths * (fit.scale / scale)
    misfit = 2.0 * float(evaluate_loss(lengths, "tukey").cost.sum())
    return misfit + fit.layout.size * float(np.log(2 * fit.observations.n))


def _note(name: str, chosen: str, leader: str) -> str:
    if name == chosen == leader:
        return "lowest BIC"
    if name == chosen:
        return f"predicts views left out as well as {leader}, with fewer terms"
    return "lowest BIC, but no better in views left out" if name == leader else ""
