"""The covariance of anything that is computed from two calibrations."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import scipy

from rigcheck.drift.common_part import CommonPart
from rigcheck.drift.rig_columns import rig_selector
from rigcheck.model import Calibration
from rigcheck.model._arrays import FloatArray

# Directions of the difference whose variance is below this share of C1 + C2's are fixed by what is common.
_LEAST_SHARE = 1e-9

__all__ = ["ChiSquare", "Joint", "joint_covariance"]


class ChiSquare(NamedTuple):
    """A squared Mahalanobis distance, its degrees of freedom, and how rarely chance alone exceeds it."""

    value: float
    freedom: int
    p_value: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Joint:
    """Covariances of two calibrations in terms of their rigs, and between them.

    `first` (R1, R1), `second` (R2, R2), `cross` (R1, R2); rows as in
    :func:`rigcheck.drift.rig_columns.rig_selector`. `known` is False when the common part makes any sigma of the
    difference meaningless.
    """

    first: FloatArray
    second: FloatArray
    cross: FloatArray
    known: bool

    def variance(self, by_first: FloatArray, by_second: FloatArray) -> FloatArray:
        """Variance of ``by_second @ error2 - by_first @ error1``.

        Parameters
        ----------
        by_first, by_second : (..., R1) and (..., R2) float64

        Returns
        -------
        (...,) float64
        """
        total = np.einsum("...i,ij,...j->...", by_first, self.first, by_first)
        total = total + np.einsum("...i,ij,...j->...", by_second, self.second, by_second)
        total = total - 2.0 * np.einsum("...i,ij,...j->...", by_first, self.cross, by_second)
        return np.asarray(np.maximum(total, 0.0))

    def sigma(self, by_first: FloatArray, by_second: FloatArray) -> float | None:
        """Standard uncertainty of one difference; None where none can be given."""
        return float(np.sqrt(self.variance(by_first, by_second))) if self.known else None

    def covariance(self, by_first: FloatArray, by_second: FloatArray) -> FloatArray:
        """Covariance (N, N) of many differences, with derivatives (N, R1) and (N, R2)."""
        mixed = by_first @ self.cross @ by_second.T
        own = by_first @ self.first @ by_first.T + by_second @ self.second @ by_second.T
        return np.asarray(own - mixed - mixed.T)


def joint_covariance(first: Calibration, second: Calibration, common: CommonPart) -> Joint:
    """Bring both covariances and what is common to the order of the rigs' numbers."""
    select = rig_selector(first), rig_selector(second)
    return Joint(
        first=select[0] @ first.covariance @ select[0].T,
        second=select[1] @ second.covariance @ select[1].T,
        cross=select[0] @ common.cross @ select[1].T,
        known=not common.same_footage,
    )


def chi_square(difference: FloatArray, covariance: FloatArray, scale: FloatArray) -> ChiSquare:
    """Squared Mahalanobis distance on the directions that the covariance determines.

    Parameters
    ----------
    difference : (P,) float64
    covariance : (P, P) float64
        Of the difference.
    scale : (P,) float64
        Sigma of each entry if nothing were common, positive: what "small" means for a variance.

    Notes
    -----
    Directions with less than 1e-9 of that variance are left out: along them the difference is fixed by what is
    common, not measured.
    """
    scaled = covariance / np.outer(scale, scale)
    values, vectors = np.linalg.eigh(0.5 * (scaled + scaled.T))
    kept = values > _LEAST_SHARE
    along = vectors[:, kept].T @ (difference / scale)
    value, freedom = float((along**2 / values[kept]).sum()), int(kept.sum())
    return ChiSquare(
        value=value, freedom=freedom, p_value=float(scipy.special.chdtrc(freedom, value)) if freedom else 1.0
    )
