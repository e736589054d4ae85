"""Losses for residuals that carry outliers, and what they do to an uncertainty.

All losses act on the length s of a two-dimensional residual already divided by its sigma and
the noise scale. psi(s) is the pull of a residual, psi(s)/s its weight.

References
----------
Huber & Ronchetti, Robust Statistics, 2nd ed., 2009, ch. 6-7 (M-estimates of regression).
Huber's width gives 95 % efficiency at normal noise in two dimensions (found by integrating
2 E[stiffness]^2 / E[psi^2] over the Rayleigh distribution, which a test repeats). Tukey's is far wider than
its 95 % width of 5.12: what a lens model or a print leaves over has heavier tails than noise, and a narrow
width throws those corners out together and with them what they say; gross outliers are forgotten either
way.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Loss = Literal["squares", "huber", "tukey"]

# Widths in units of the per-axis noise.
HUBER_WIDTH = 1.50
TUKEY_WIDTH = 12.0
# A corner whose weight fell below this counts as left out by the robust fit.
OUTLIER_WEIGHT = 0.1
# Median of a Rayleigh variable with unit sigma per axis: sqrt(2 ln 2).
RAYLEIGH_MEDIAN = float(np.sqrt(2.0 * np.log(2.0)))

__all__ = [
    "HUBER_WIDTH",
    "OUTLIER_WEIGHT",
    "RAYLEIGH_MEDIAN",
    "TUKEY_WIDTH",
    "Loss",
    "LossValues",
    "evaluate_loss",
    "noise_scale",
]


@dataclass(frozen=True, kw_only=True, eq=False)
class LossValues:
    """`cost` rho(s), `weight` psi(s)/s and mean `stiffness` (psi'(s) + psi(s)/s) / 2, each (N,)."""

    cost: FloatArray
    weight: FloatArray
    stiffness: FloatArray


def evaluate_loss(lengths: FloatArray, loss: Loss) -> LossValues:
    """Loss, weight and stiffness at residual lengths.

    Parameters
    ----------
    lengths : (N,) float64
        Residual lengths over (sigma times noise scale), >= 0.
    loss : {"squares", "huber", "tukey"}

    Notes
    -----
    `cost` is 0.5 s^2 near zero in every case, so costs of different losses compare. The stiffness is half
    the trace of the Hessian of rho over the plane: what an isotropic residual of that length contributes to
    the information on average.
    """
    s = lengths
    if loss == "squares":
        one = np.ones_like(s)
        return LossValues(cost=0.5 * s**2, weight=one, stiffness=one)
    if loss == "huber":
        k = HUBER_WIDTH
        inside = s <= k
        weight = np.where(inside, 1.0, k / np.maximum(s, k))
        cost = np.where(inside, 0.5 * s**2, k * s - 0.5 * k**2)
        return LossValues(cost=cost, weight=weight, stiffness=np.where(inside, 1.0, 0.5 * weight))
    c = TUKEY_WIDTH
    u2 = np.minimum((s / c) ** 2, 1.0)
    weight = (1.0 - u2) ** 2
    slope = (1.0 - u2) * (1.0 - 5.0 * u2)
    cost = (c**2 / 6.0) * (1.0 - (1.0 - u2) ** 3)
    return LossValues(cost=cost, weight=weight, stiffness=0.5 * (weight + slope))


def noise_scale(lengths: FloatArray, n_parameters: int) -> float:
    """Per-axis noise scale from the median residual length.

    Parameters
    ----------
    lengths : (N,) float64
        Residual lengths over their own sigmas.
    n_parameters : int
        Parameters fitted to the 2 N coordinates; the median is widened by sqrt(2N / (2N - p)).

    Returns
    -------
    float
        1 when the sigmas were right; 0 when more than half the residuals vanish.

    Notes
    -----
    Half of the residuals may be outliers before this breaks.
    """
    freedom = max(2 * len(lengths) - n_parameters, 1)
    return float(np.median(lengths) / RAYLEIGH_MEDIAN * np.sqrt(2 * len(lengths) / freedom))
