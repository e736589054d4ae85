"""Joint robust bundle adjustment of one or two cameras seeing a board: from a start to where the cost no longer falls.

References
----------
Triggs, McLauchlan, Hartley & Fitzgibbon, "Bundle adjustment - a modern synthesis", 2000, sections 4-6.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from rigcheck.geometry.bundle import (
    GaussianPrior,
    NormalEquations,
    Observations,
    Prediction,
    RigState,
    SharedLayout,
    normal_equations,
    predict,
)
from rigcheck.geometry.robust import OUTLIER_WEIGHT, Loss, evaluate_loss, noise_scale
from rigcheck.model import FitSummary
from rigcheck.model._arrays import FloatArray

Status = Literal["converged", "stalled", "iteration_limit"]

__all__ = ["Adjustment", "Stopping", "adjust"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Adjustment:
    """A solved adjustment.

    `weights` (N,) is psi(s)/s of each corner at the end; `scale` multiplies every given sigma.
    """

    observations: Observations
    layout: SharedLayout
    state: RigState
    loss: Loss
    scale: float
    prediction: Prediction
    weights: FloatArray
    prior: GaussianPrior | None
    summary: FitSummary

    @property
    def lengths(self) -> FloatArray:
        """Residual lengths over sigma and scale, (N,)."""
        return _lengths(self.observations, self.prediction, self.scale)


@dataclass(frozen=True, kw_only=True)
class Stopping:
    """When the solver stops: relative fall of the cost, gradient-based step, iterations.

    `goes_on` says that it starts where a robust fit of the same unknowns ended: gross outliers are known by then.
    """

    relative_cost: float = 1e-10
    relative_step: float = 1e-9
    iterations: int = 150
    goes_on: bool = False


@dataclass(kw_only=True, eq=False)
class _Progress:
    """What one descent carries from step to step."""

    state: RigState
    prediction: Prediction
    cost: float
    moved: FloatArray
    damping: float = 1e-4
    iterations: int = 0
    status: Status = "iteration_limit"


def _lengths(observations: Observations, prediction: Prediction, scale: float) -> FloatArray:
    r = prediction.residuals
    return np.asarray(np.sqrt((r**2).sum(1)) / (observations.sigma_px * scale))


def _cost(
    observations: Observations, prediction: Prediction, loss: Loss, scale: float, prior: float
) -> float:
    if not (prediction.depth > 0).all() or not np.isfinite(prediction.residuals).all():
        return float("inf")
    return float(evaluate_loss(_lengths(observations, prediction, scale), loss).cost.sum()) + prior


def _prior_cost(prior: GaussianPrior | None, moved: FloatArray) -> float:
    if prior is None:
        return 0.0
    away = moved - prior.offset
    return float(0.5 * away @ prior.information @ away)


def _scaled_solution(matrix: FloatArray, right: FloatArray) -> FloatArray:
    """Minimum-norm solution after scaling to a unit diagonal: pixels, radians and coefficients compare."""
    if not len(right):
        return right
    size = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-30))
    scaled = np.linalg.lstsq(matrix * size[:, None] * size[None, :], size * right, rcond=1e-14)[0]
    return np.asarray(size * scaled)


def _damped_step(
    equations: NormalEquations, damping: float, prior: GaussianPrior | None, moved: FloatArray
) -> tuple[FloatArray, FloatArray, float]:
    """Solve for one Levenberg-Marquardt step; returns shared, private and the largest scaled step."""
    shared, gradient = equations.shared.copy(), equations.shared_gradient_by_view.sum(0)
    if prior is not None:
        shared += prior.information
        gradient = gradient - prior.information @ (moved - prior.offset)
    diagonal = np.diag(shared).copy()
    shared[np.diag_indices_from(shared)] += damping * np.maximum(diagonal, 1e-30)
    private = equations.private.copy()
    six = np.arange(6)
    private[:, six, six] *= 1.0 + damping
    over = np.swapaxes(np.linalg.solve(private, np.swapaxes(equations.cross, 1, 2)), 1, 2)
    reduced = shared - (over @ np.swapaxes(equations.cross, 1, 2)).sum(0)
    right = gradient - np.einsum("vgp,vp->g", over, equations.private_gradient)
    step = _scaled_solution(reduced, right)
    rest = equations.private_gradient - np.einsum("vgp,g->vp", equations.cross, step)
    private_step = np.linalg.solve(private, rest[..., None])[..., 0]
    largest = float(np.abs(step * np.sqrt(np.maximum(diagonal, 0))).max(initial=0.0))
    own = np.sqrt(np.maximum(np.diagonal(equations.private, axis1=1, axis2=2), 0))
    return step, private_step, max(largest, float(np.abs(private_step * own).max(initial=0.0)))


def _descend(
    o: Observations,
    layout: SharedLayout,
    progress: _Progress,
    *,
    loss: Loss,
    scale: float,
    prior: GaussianPrior | None,
    stopping: Stopping,
) -> None:
    while progress.iterations < stopping.iterations:
        values = evaluate_loss(_lengths(o, progress.prediction, scale), loss)
        weight = values.weight / (o.sigma_px * scale) ** 2
        equations = normal_equations(o, progress.prediction, information=weight, pull=weight)
        progress.iterations += 1
        for _ in range(12):
            shared, private, size = _damped_step(equations, progress.damping, prior, progress.moved)
            trial = progress.state.moved(layout, shared, private)
            prediction = predict(o, layout, trial)
            moved = progress.moved + shared
            cost = _cost(o, prediction, loss, scale, _prior_cost(prior, moved))
            if cost <= progress.cost * (1 + 1e-14):
                break
            progress.damping *= 10.0
        else:
            progress.status = "converged" if size < 1e-4 else "stalled"
            return
        fall = progress.cost - cost
        progress.state, progress.prediction, progress.cost = trial, prediction, cost
        progress.moved, progress.damping = moved, max(progress.damping * 0.1, 1e-12)
        if size < stopping.relative_step or fall <= stopping.relative_cost * max(cost, 1e-300):
            progress.status = "converged"
            return


_MESSAGES: dict[Status, str] = {
    "converged": "the cost no longer falls",
    "stalled": "no step lowers the cost although the gradient is not zero",
    "iteration_limit": "the iteration limit was reached first",
}


def _summary(
    o: Observations, progress: _Progress, *, n_shared: int, initial: float, scale: float, weights: FloatArray
) -> FitSummary:
    r = progress.prediction.residuals
    return FitSummary(
        status=progress.status,
        message=_MESSAGES[progress.status],
        iterations=progress.iterations,
        initial_cost=initial,
        final_cost=progress.cost,
        n_points=o.n,
        n_parameters=n_shared + 6 * len(progress.state.board_rotations),
        rms_px=float(np.sqrt((r**2).sum() / o.n)),
        noise_px=float(scale * np.median(o.sigma_px)),
        condition_number=0.0,
        downweighted=int((weights < OUTLIER_WEIGHT).sum()),
    )


def adjust(
    observations: Observations,
    layout: SharedLayout,
    start: RigState,
    *,
    loss: Loss = "tukey",
    prior: GaussianPrior | None = None,
    stopping: Stopping | None = None,
) -> Adjustment:
    """Fit every unknown to the observed corners.

    Parameters
    ----------
    observations : Observations
    layout : SharedLayout
        Its `n_shape` is 0 (the start's shape, if any, is held) or the number of shape coefficients.
    start : RigState
        Close enough that every corner projects in front of its camera.
    loss : {"squares", "huber", "tukey"}
        "tukey" descends with Huber's loss first: it forgets gross outliers, and needs a good start to
        do so safely; not where the fit goes on from such a start (`Stopping.goes_on`).
    prior : GaussianPrior, optional
    stopping : Stopping, optional

    Returns
    -------
    Adjustment

    Raises
    ------
    ValueError
        When a corner lies behind its camera at the start.

    Notes
    -----
    The noise scale is estimated from the median residual and held while the cost falls; it is renewed
    between descents until it stays within 1 %. A degenerate set of views does not raise: directions that
    the data do not determine keep their start (minimum-norm step), and show as a huge covariance.
    """
    stopping = stopping or Stopping()
    n_parameters = layout.size + 6 * len(start.board_rotations)
    prediction = predict(observations, layout, start)
    progress = _Progress(
        state=start, prediction=prediction, cost=0.0, moved=np.zeros(layout.size), damping=1e-4
    )
    if not (prediction.depth > 0).all():
        raise ValueError("adjust: a corner lies behind its camera at the start")
    stages: tuple[Loss, ...] = ("huber", "tukey") if loss == "tukey" and not stopping.goes_on else (loss,)
    scale, initial = 1.0, float("nan")
    for stage in stages:
        for _ in range(6):
            renewed = _renewed_scale(observations, progress.prediction, loss, n_parameters)
            settled = progress.iterations > 0 and abs(renewed / scale - 1) < 0.01 and stage == stages[-1]
            scale = renewed
            progress.cost = _cost(
                observations, progress.prediction, stage, scale, _prior_cost(prior, progress.moved)
            )
            initial = progress.cost if np.isnan(initial) else initial
            progress.status = "iteration_limit"
            _descend(observations, layout, progress, loss=stage, scale=scale, prior=prior, stopping=stopping)
            if settled or loss == "squares":
                break
            if (
                stage != stages[-1]
                and abs(_renewed_scale(observations, progress.prediction, loss, n_parameters) / scale - 1)
                < 0.05
            ):
                break
    return _finish(observations, layout, progress, loss=loss, scale=scale, prior=prior, initial=initial)


def _renewed_scale(o: Observations, prediction: Prediction, loss: Loss, n_parameters: int) -> float:
    if loss == "squares":
        return 1.0
    return max(noise_scale(_lengths(o, prediction, 1.0), n_parameters), 1e-9)


def _finish(
    o: Observations,
    layout: SharedLayout,
    progress: _Progress,
    *,
    loss: Loss,
    scale: float,
    prior: GaussianPrior | None,
    initial: float,
) -> Adjustment:
    values = evaluate_loss(_lengths(o, progress.prediction, scale), loss)
    return Adjustment(
        observations=o,
        layout=layout,
        state=progress.state,
        loss=loss,
        scale=scale,
        prediction=progress.prediction,
        weights=values.weight,
        prior=prior,
        summary=_summary(
            o, progress, n_shared=layout.size, initial=initial, scale=scale, weights=values.weight
        ),
    )
