"""How well the shared unknowns of an adjustment are known.

Two answers are computed and compared. *Independent*: every corner's error is its own; the M-estimator's
formula is used, with the unweighted information, because scaling weighted information by the residuals
counts the outliers twice. *By view*: errors may be alike within a view (a flexing plate, a lamp); each
view's pull on the unknowns is one observation. Leaving views out, to first order, belongs to the second
kind.

References
----------
Huber & Ronchetti, Robust Statistics, 2nd ed., 2009, section 7.6 (covariance of regression M-estimates).
Bell & McCaffrey, "Bias reduction in standard errors for linear regression with multi-stage samples",
Survey Methodology 28(2), 2002 (leverage-corrected clustered covariance, "CR2").
Efron & Stein, "The jackknife estimate of variance", Annals of Statistics 9(3), 1981.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.geometry.adjustment import Adjustment
from rigcheck.geometry.bundle import NormalEquations, normal_equations
from rigcheck.geometry.robust import evaluate_loss

FloatArray = NDArray[np.float64]

# Leverage beyond which a view alone decides a direction; its correction stops growing there.
_MAX_LEVERAGE = 0.95

__all__ = ["RobustEquations", "SharedCovariance", "robust_equations", "shared_covariance"]


@dataclass(frozen=True, kw_only=True, eq=False)
class SharedCovariance:
    """Covariance of the shared unknowns, (G, G) each, in the layout's order and units.

    `independent`, `by_view`, `leave_out` as in the module's text. `inflation` is the mean ratio of by-view
    to independent variance over all directions, `inflation_sigma` its spread when errors are independent.
    `combined` is what to use: `independent` while the ratio is within two spreads of one, else the mean of
    the inflated `independent` and `by_view`. `condition_number` is that of the reduced information scaled
    to a unit diagonal; `weakest` (G,) the unit direction (in that scaling) known least.
    """

    independent: FloatArray
    by_view: FloatArray
    leave_out: FloatArray
    combined: FloatArray
    inflation: float
    inflation_sigma: float
    condition_number: float
    weakest: FloatArray
    information: FloatArray

    @property
    def correlated(self) -> bool:
        """Whether errors within a view are clearly alike."""
        return self.inflation > 1.0 + 2.0 * self.inflation_sigma

    def sigma(self, gradient: FloatArray) -> float:
        """Standard uncertainty of a quantity with the given gradient (G,): the larger of both answers."""
        variance = float(gradient @ self.combined @ gradient)
        if self.correlated:
            variance = max(variance, float(gradient @ self.by_view @ gradient))
        return float(np.sqrt(max(variance, 0.0)))

    def leave_out_sigma(self, gradient: FloatArray) -> float:
        """Standard uncertainty of the same quantity from leaving each view out in turn."""
        return float(np.sqrt(max(float(gradient @ self.leave_out @ gradient), 0.0)))


def _inverse_root(matrix: FloatArray, *, floor: float = 0.0) -> FloatArray:
    values, vectors = np.linalg.eigh(matrix)
    return np.asarray((vectors / np.sqrt(np.maximum(values, floor))) @ vectors.T)


@dataclass(frozen=True, kw_only=True, eq=False)
class RobustEquations:
    """Normal equations of a robust fit, with what turns them into information (the M-estimator's formula).

    `stiffness` is the mean slope of the loss's pull, `pull_variance` the variance of the pulls themselves.
    """

    equations: NormalEquations
    stiffness: float
    pull_variance: float

    @property
    def information(self) -> FloatArray:
        """Information about the shared unknowns, the poses eliminated, (G, G)."""
        return np.asarray(self.equations.reduced_by_view.sum(0) * self.stiffness**2 / self.pull_variance)

    @property
    def score(self) -> FloatArray:
        """Pull on the shared unknowns that goes with `information`, (G,)."""
        return np.asarray(
            self.equations.reduced_gradient_by_view.sum(0) * self.stiffness / self.pull_variance
        )


def robust_equations(adjustment: Adjustment) -> RobustEquations:
    """Normal equations at the optimum, unweighted, as the M-estimator's formula asks."""
    a = adjustment
    values = evaluate_loss(a.lengths, a.loss)
    inverse_variance = 1.0 / (a.observations.sigma_px * a.scale) ** 2
    freedom = max(2 * a.observations.n - a.summary.n_parameters, 1)
    return RobustEquations(
        equations=normal_equations(
            a.observations, a.prediction, information=inverse_variance, pull=values.weight * inverse_variance
        ),
        stiffness=float(values.stiffness.mean()),
        pull_variance=float(((values.weight * a.lengths) ** 2).sum() / freedom),
    )


def shared_covariance(adjustment: Adjustment) -> SharedCovariance:
    """Covariance of an adjustment's shared unknowns.

    Returns
    -------
    SharedCovariance

    Raises
    ------
    numpy.linalg.LinAlgError
        When the views leave a direction wholly undetermined (condition number above 1e14).

    Notes
    -----
    Holds for a converged adjustment. It does not see what biases every view alike: a bent or
    wrongly measured board, a lens model that does not fit.
    """
    a = adjustment
    robust = robust_equations(a)
    equations, stiffness = robust.equations, robust.stiffness
    prior = np.zeros((a.layout.size,) * 2) if a.prior is None else a.prior.information
    information = equations.reduced_by_view.sum(0)
    unit = 1.0 / np.sqrt(np.maximum(np.diag(information + prior), 1e-300))
    scaled = (robust.information + prior) * unit[:, None] * unit[None, :]
    eigenvalues, eigenvectors = np.linalg.eigh(scaled)
    condition = float(eigenvalues[-1] / max(eigenvalues[0], 1e-300))
    if condition > 1e14:
        raise np.linalg.LinAlgError(f"condition number {condition:.1e}")
    independent = (eigenvectors / eigenvalues) @ eigenvectors.T * unit[:, None] * unit[None, :]
    by_view, leave_out = _by_view(equations, stiffness, prior, unit)
    n_views = len(equations.private)
    inflation = float(np.trace(np.linalg.solve(independent, by_view)) / a.layout.size)
    # Twice the spread of a Wishart trace: simulation gave 0.12 (24 views) and 0.17 (8), leverage being
    # uneven.
    spread = float(2.0 * np.sqrt(2.0 / (n_views * a.layout.size)))
    combined = independent
    if inflation > 1.0 + 2.0 * spread:
        combined = 0.5 * (inflation * independent + by_view)
    return SharedCovariance(
        independent=independent,
        by_view=by_view,
        leave_out=leave_out,
        combined=combined,
        inflation=inflation,
        inflation_sigma=spread,
        condition_number=condition,
        weakest=eigenvectors[:, 0],
        information=robust.information,
    )


def _by_view(
    equations: NormalEquations, stiffness: float, prior: FloatArray, unit: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Leverage-corrected clustered covariance, and the first-order jackknife."""
    both = unit[:, None] * unit[None, :]
    per_view = stiffness * equations.reduced_by_view * both
    total = per_view.sum(0) + prior * both
    root = _inverse_root(total, floor=1e-14 * float(np.trace(total)))
    pulls = equations.reduced_gradient_by_view * unit @ root
    n_views = len(pulls)
    corrected, dropped = np.empty_like(pulls), np.empty_like(pulls)
    for view in range(n_views):
        leverage, vectors = np.linalg.eigh(root @ per_view[view] @ root)
        rest = 1.0 - np.minimum(leverage, _MAX_LEVERAGE)
        along = vectors.T @ pulls[view]
        corrected[view] = vectors @ (along / np.sqrt(rest))
        dropped[view] = vectors @ (along / rest)
    deviations = dropped - dropped.mean(0)
    outward = unit[:, None] * root
    # What came from before carries its own uncertainty, however the views scatter.
    held = root @ (prior * both) @ root
    by_view = outward @ (corrected.T @ corrected + held) @ outward.T
    scatter = deviations.T @ deviations * (n_views - 1) / n_views
    leave_out = outward @ (scatter + held) @ outward.T
    return np.asarray(by_view), np.asarray(leave_out)
