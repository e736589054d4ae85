"""Few unknowns that make the squares of residuals least.

References
----------
Marquardt, "An algorithm for least-squares estimation of nonlinear parameters", SIAM J. Appl. Math. 11(2), 1963
(from memory).
"""

from collections.abc import Callable

import numpy as np

from rigcheck.model._arrays import FloatArray

_FIRST_DAMPING, _MOST_DAMPING, _FACTOR = 1e-3, 1e9, 10.0

__all__ = ["least_squares"]

OfUnknowns = Callable[[FloatArray], FloatArray]


def least_squares(
    residuals: OfUnknowns, slopes: OfUnknowns, start: FloatArray, *, tolerance: float = 1e-9, most: int = 60
) -> FloatArray:
    """Unknowns (P,) at which the sum of squared residuals no longer falls.

    Parameters
    ----------
    residuals : callable
        Unknowns (P,) to residuals (N,).
    slopes : callable
        Unknowns (P,) to the residuals' derivatives (N, P); every unknown must move some residual.
    start : (P,) float64
    tolerance : float
        Relative fall of the sum at which to end.
    most : int
        Steps at most; where they do not do, the best found so far is given.

    Notes
    -----
    Damped by the diagonal, so that the unknowns' units do not matter. Library solvers find the same and take longer to
    load (0.16 s of processor time in each process) than a head takes to fit (0.003 s).
    """
    at, left, damping = start, residuals(start), _FIRST_DAMPING
    for _ in range(most):
        slope = slopes(at)
        normal, downhill = slope.T @ slope, -(slope.T @ left)
        before = float(left @ left)
        step: FloatArray = np.zeros(len(at))
        after = before
        while after >= before:
            if damping > _MOST_DAMPING:
                return at
            step = np.asarray(np.linalg.solve(normal + damping * np.diag(np.diag(normal)), downhill))
            left = residuals(at + step)
            after = float(left @ left) if np.isfinite(left).all() else np.inf
            damping *= _FACTOR
        at, damping = at + step, damping / _FACTOR**2
        if after > (1.0 - tolerance) * before:
            break
    return at
