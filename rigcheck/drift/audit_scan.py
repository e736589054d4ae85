"""How large the best of many tried changes may be by chance: thresholds for a scan over a day.

Each tried change explains a chi-square that is itself chi-square distributed when nothing happened; the largest of many
is not. The tried changes are put in a row in which neighbours are alike, and the chance that any passes is at most
the chance that the first passes plus the chances that one passes whose neighbour before it did not.

References
----------
Worsley, "An improved Bonferroni inequality and applications", Biometrika 69(2), 1982: the bound, from pairs of
neighbours (from memory).
Handbook section 11: 21.1 for 20 takes and 23.1 for 100, five unknowns, alarm at most 1 %.
"""

from collections.abc import Callable
from functools import lru_cache

import numpy as np
import scipy

from rigcheck.model._arrays import FloatArray

_NODES = 48
_ROUNDED = 2e-3
_CLOSE = 1e-3  # of a threshold

__all__ = ["alikeness", "crossing", "scan_threshold", "step_shapes"]


def step_shapes(n: int) -> FloatArray:
    """A step before each take but the first, (N - 1, N)."""
    return np.asarray((np.arange(n)[None, :] > np.arange(n - 1)[:, None]).astype(np.float64))


def alikeness(shapes: FloatArray, weights: FloatArray) -> FloatArray:
    """Correlation of each shape (M, N) with the next, their level removed, (M - 1,).

    Parameters
    ----------
    shapes : (M, N) float64
    weights : (N,) float64
        Information of each take.
    """
    centred = shapes - (shapes @ weights / weights.sum())[:, None]
    norm = np.sqrt(centred**2 @ weights)
    return np.asarray(((centred[1:] * centred[:-1]) @ weights) / np.maximum(norm[1:] * norm[:-1], 1e-12))


def scan_threshold(alike: FloatArray, *, unknowns: int, false_alarms: float) -> float:
    """Gain that the best of M tried changes passes with at most this probability when nothing happened.

    Parameters
    ----------
    alike : (M - 1,) float64
        From :func:`alikeness`; empty for a single trial.
    unknowns : int
        Of each change.
    false_alarms : float
    """
    rounded, counts = np.unique(
        np.round(np.clip(np.abs(alike), 0.0, 1.0 - _ROUNDED) / _ROUNDED).astype(int), return_counts=True
    )
    return _threshold(tuple(rounded.tolist()), tuple(counts.tolist()), unknowns, false_alarms)


@lru_cache(maxsize=256)
def _threshold(
    rounded: tuple[int, ...], counts: tuple[int, ...], unknowns: int, false_alarms: float
) -> float:
    alike, times = np.array(rounded) * _ROUNDED, np.array(counts)
    low = float(scipy.special.chdtri(unknowns, false_alarms))
    high = float(scipy.special.chdtri(unknowns, false_alarms / (1 + int(times.sum())))) + 1.0

    def excess(at: float) -> float:
        return float(scipy.special.chdtrc(unknowns, at) + times @ _passes(at, alike, unknowns)) - false_alarms

    return low if excess(low) <= 0 else crossing(excess, low, high, close=_CLOSE)


def crossing(falling: Callable[[float], float], low: float, high: float, *, close: float) -> float:
    """Where a function that falls from above zero at `low` to below it at `high` passes zero, to `close`.

    Halved by hand: scipy's own searches and distributions take longer to load than a day takes to judge.
    """
    while high - low > close:
        middle = (low + high) / 2
        low, high = (middle, high) if falling(middle) > 0 else (low, middle)
    return (low + high) / 2


def _passes(at: float, alike: FloatArray, unknowns: int) -> FloatArray:
    """Chance that one passes and its neighbour does not, for each correlation."""
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    below = 0.5 * at * (nodes + 1.0)
    half = 0.5 * unknowns
    log_density = (half - 1.0) * np.log(0.5 * below) - 0.5 * below - scipy.special.gammaln(half)
    density = 0.5 * np.exp(log_density) * weights * 0.5 * at
    rest = 1.0 - alike**2
    reach = at / rest[:, None]
    far = 1.0 - scipy.special.chndtr(reach, unknowns, alike[:, None] ** 2 * below[None, :] / rest[:, None])
    return np.asarray(far @ density)
