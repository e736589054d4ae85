"""Residuals as the fit left them, and what of any pattern in them the fit would have taken away.

What an unexplained pattern must be weighed against is not plain noise: the fit has already bent every
unknown to swallow what it could. Here the residuals of the corners that were believed stand whitened (each
over its own sigma), beside an orthonormal basis of what the unknowns can explain.

References
----------
Cook & Weisberg, Residuals and Influence in Regression, 1982, section 2.1 (the hat matrix, leverage).
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from rigcheck.calibration.solve import Solution
from rigcheck.geometry.robust import OUTLIER_WEIGHT

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

__all__ = ["FitResiduals", "fit_residuals", "root_of_excess"]


@dataclass(frozen=True, kw_only=True, eq=False)
class FitResiduals:
    """Whitened residuals of the corners that the fit believed, and the space that the fit can explain.

    Parameters
    ----------
    rows : (N,) int
        Which of the adjustment's corners.
    camera_idx, view_idx : (N,) int
        Views as numbered in the solution.
    inverse_sigma : (N,)
        One over each corner's sigma, noise scale included, 1/px.
    residuals : (N, 2)
        Observed minus projected, whitened.
    view_bases : one (2 n, 6) a view
        Orthonormal columns: what the board's pose in that view can explain of its own corners.
    shared_basis : (2 N, G)
        Orthonormal columns, square to the former: what the shared unknowns can explain.
    """

    rows: IntArray
    camera_idx: IntArray
    view_idx: IntArray
    inverse_sigma: FloatArray
    residuals: FloatArray
    view_bases: tuple[FloatArray, ...]
    shared_basis: FloatArray

    @property
    def n(self) -> int:
        """Number of corners."""
        return len(self.rows)

    @property
    def n_views(self) -> int:
        """Number of views."""
        return len(self.view_bases)

    @cached_property
    def bounds(self) -> IntArray:
        """Where each view's corners start, and the end, (V + 1,)."""
        return np.searchsorted(self.view_idx, np.arange(self.n_views + 1)).astype(np.int64)

    @property
    def freedom(self) -> FloatArray:
        """Degrees of freedom that each corner's two coordinates keep, (N,): 2 minus its leverage."""
        private = np.concatenate([(basis**2).sum(1) for basis in self.view_bases])
        return np.asarray(2.0 - (private + (self.shared_basis**2).sum(1)).reshape(self.n, 2).sum(1))

    def unexplained(self, columns: FloatArray) -> FloatArray:
        """What the fit cannot explain of (N, 2, K) whitened columns."""
        flat = columns.reshape(2 * self.n, -1)
        flat = _without_views(flat, self.view_bases, self.bounds)
        return np.asarray((flat - self.shared_basis @ (self.shared_basis.T @ flat)).reshape(columns.shape))


def _without_views(flat: FloatArray, bases: tuple[FloatArray, ...], bounds: IntArray) -> FloatArray:
    out = flat.copy()
    for basis, start, end in zip(bases, 2 * bounds[:-1], 2 * bounds[1:], strict=True):
        part = out[start:end]
        out[start:end] = part - basis @ (basis.T @ part)
    return out


def fit_residuals(solution: Solution, *, flat_board: bool = False) -> FitResiduals:
    """Residuals of a solution.

    Parameters
    ----------
    solution : Solution
    flat_board : bool
        Residuals as they would be had the board been taken as flat: the board's shape is put back, and the
        other unknowns explain of it what they can (one linear step; a shape is small).

    Notes
    -----
    Corners left out as outliers are left out here. Holds to first order at a converged solution whose
    robust weights are near one, as they are for noise.
    """
    a = solution.adjustment
    rows = np.flatnonzero(a.weights >= OUTLIER_WEIGHT)
    inverse = 1.0 / (a.observations.sigma_px[rows] * a.scale)
    view_idx = a.observations.view_idx[rows]
    n_views = len(solution.views)
    bounds = np.searchsorted(view_idx, np.arange(n_views + 1)).astype(np.int64)
    private = (a.prediction.by_private[rows] * inverse[:, None, None]).reshape(-1, 6)
    shared = (a.prediction.by_shared[rows] * inverse[:, None, None]).reshape(len(private), -1)
    bases = tuple(
        np.linalg.qr(private[start:end])[0]
        for start, end in zip(2 * bounds[:-1], 2 * bounds[1:], strict=True)
    )
    shape, residuals = a.layout.shape_slice, a.prediction.residuals[rows] * inverse[:, None]
    known = np.ones(shared.shape[1], dtype=bool)
    known[shape] = not flat_board
    found = FitResiduals(
        rows=rows,
        camera_idx=a.observations.camera_idx[rows],
        view_idx=view_idx,
        inverse_sigma=inverse,
        residuals=residuals,
        view_bases=bases,
        shared_basis=_orthonormal(_without_views(shared[:, known], bases, bounds)),
    )
    if not flat_board or not a.layout.n_shape:
        return found
    put_back = (shared[:, shape] @ a.state.shape).reshape(-1, 2, 1)
    return FitResiduals(
        **{**vars(found), "residuals": residuals + found.unexplained(put_back)[:, :, 0]},
    )


def _orthonormal(columns: FloatArray) -> FloatArray:
    """Orthonormal basis of the columns, scaled first: pixels, radians and coefficients compare."""
    size = np.sqrt((columns**2).sum(0))
    basis, _ = np.linalg.qr(columns / np.where(size > 0, size, 1.0))
    return np.asarray(basis)


def root_of_excess(square: float, noise: float, spread: float) -> tuple[float, float]:
    """Size of what lies beyond noise in a mean square, with its sigma.

    Parameters
    ----------
    square : float
        Mean square as found.
    noise : float
        What noise alone gives on average.
    spread : float
        Standard deviation of `square`.

    Returns
    -------
    value, sigma : float
        sqrt(square - noise), 0 when noise explains it all; its sigma by propagation, bounded where the value
        is no larger than what its own noise could make of nothing.
    """
    value = float(np.sqrt(max(square - noise, 0.0)))
    floor = float(np.sqrt(spread))
    return value, 0.5 * spread / max(value, floor) if floor > 0 else 0.0
