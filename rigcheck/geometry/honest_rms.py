"""An RMS of uncertain differences, and an interval that is honest near zero."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

__all__ = ["HonestRms", "honest_rms"]


class HonestRms(NamedTuple):
    """RMS with what errors add taken off, its sigma, and what errors alone would make."""

    value: float
    sigma: float
    by_errors: float


def honest_rms(differences: FloatArray, covariance: FloatArray) -> HonestRms:
    """RMS of what the differences would be without errors.

    Parameters
    ----------
    differences : (N,) float64
    covariance : (N, N) float64
        Of their errors; may be singular.

    Notes
    -----
    Errors add tr(S)/N to the mean square; that is taken off. For Gaussian errors the mean square of d has the
    variance (2 tr(SS) + 4 d'Sd)/N², d being free of errors. Sigma is half the longer way from the root to the root
    of the mean square plus and minus two of its sigmas: an RMS cannot be negative, and value + 2 sigma stays an
    upper limit where the differences are all errors.

    References
    ----------
    Mathai & Provost, Quadratic Forms in Random Variables, 1992: mean and variance of a quadratic form (from
    memory; the tests hold them against simulation).
    """
    n = len(differences)
    bias, twice = float(np.trace(covariance)) / n, float((covariance**2).sum()) / n**2
    square = max(float((differences**2).mean()) - bias, 0.0)
    mixed = max(float(differences @ covariance @ differences) / n**2 - twice, 0.0)
    reach = 2.0 * float(np.sqrt(2.0 * twice + 4.0 * mixed))
    value = float(np.sqrt(square))
    up, down = float(np.sqrt(square + reach)) - value, value - float(np.sqrt(max(square - reach, 0.0)))
    return HonestRms(value=value, sigma=0.5 * max(up, down), by_errors=float(np.sqrt(max(bias, 0.0))))
