"""Today's views against a stored calibration: how large a change of a given kind is, and what it leaves unexplained.

Today's own answer d (from the stored values) has information S; the stored values have covariance C and share
nothing with today's noise. Then d has covariance S^-1 + C. A kind of change A (columns: what moves together) is
fitted by generalised least squares with that covariance: what did not change is the same today as it was then,
which ties both together. For a change of pose alone this is at least as sharp as holding today's intrinsics at
their stored values, whose covariance is S_rr^-1 + G C G' with G = [S_rr^-1 S_rk, I].

References
----------
Aitken, "On least squares and linear combinations of observations", Proc. R. Soc. Edinburgh 55, 1936.
"""

from dataclasses import dataclass

import numpy as np
import scipy

from rigcheck.model._arrays import FloatArray

# Directions about which today knows less than this share of what is stored are not counted.
_LEAST_SHARE = 1e-6

__all__ = ["FittedChange", "Scales", "weigh"]


@dataclass(frozen=True, kw_only=True, eq=False)
class FittedChange:
    """A change of one kind, fitted.

    `amounts` (m,) of the columns with `covariance` (m, m), on top of `offset` (P,); `gain` is the chi-square that
    the amounts take away, `left` what remains in `freedom` degrees.
    """

    columns: FloatArray
    offset: FloatArray
    amounts: FloatArray
    covariance: FloatArray
    gain: float
    left: float
    freedom: int

    @property
    def change(self) -> FloatArray:
        """Change of every parameter of the rig, (P,)."""
        return np.asarray(self.offset + self.columns @ self.amounts)

    @property
    def change_covariance(self) -> FloatArray:
        """Covariance of `change`, (P, P)."""
        return np.asarray(self.columns @ self.covariance @ self.columns.T)

    @property
    def gain_p(self) -> float:
        """How rarely an untouched rig shows as large a change of this kind."""
        return (
            float(scipy.special.chdtrc(len(self.amounts), max(self.gain, 0.0))) if len(self.amounts) else 1.0
        )

    @property
    def left_p(self) -> float:
        """How rarely as much is left unexplained when the change is of this kind."""
        return float(scipy.special.chdtrc(self.freedom, max(self.left, 0.0))) if self.freedom > 0 else 1.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Scales:
    """Both sides in coordinates in which the stored covariance is 1 and today's information is `shares` (P,).

    `to` (P, P) brings a change to these coordinates; `pull` (P,) is today's score in them.
    """

    to: FloatArray
    shares: FloatArray
    pull: FloatArray

    @property
    def total(self) -> float:
        """Chi-square of today's whole answer against the stored one, with both covariances."""
        seen = self.shares > _LEAST_SHARE
        return float((self.pull[seen] ** 2 / (self.shares[seen] * (1.0 + self.shares[seen]))).sum())

    @property
    def freedom(self) -> int:
        """Directions that today's views can speak about."""
        return int((self.shares > _LEAST_SHARE).sum())

    @property
    def total_p(self) -> float:
        """How rarely an untouched rig differs as much."""
        return float(scipy.special.chdtrc(self.freedom, self.total))

    def fit(
        self, columns: FloatArray, *, offset: FloatArray | None = None, more: float = 1.0
    ) -> FittedChange:
        """Fit a kind of change.

        Parameters
        ----------
        columns : (P, m) float64
        offset : (P,) float64, optional
            A change known beforehand that comes with it.
        more : float
            Today's views multiplied: the covariance from so many times as many of the same kind.
        """
        seen = self.shares > _LEAST_SHARE
        shares = self.shares * more
        weight = shares / (1.0 + shares)
        known = np.zeros(len(shares)) if offset is None else self.to @ offset
        turned = self.to @ columns
        pull = self.pull * more / (1.0 + shares) - weight * known
        normal = turned.T @ (weight[:, None] * turned)
        covariance = _inverse(normal)
        right = turned.T @ pull
        amounts = covariance @ right
        away = self.pull[seen] / self.shares[seen] - known[seen]
        total = float((away**2 * weight[seen]).sum())
        gain = float(right @ amounts)
        return FittedChange(
            columns=columns,
            offset=np.zeros(len(shares)) if offset is None else offset,
            amounts=amounts,
            covariance=covariance,
            gain=gain,
            left=max(total - gain, 0.0),
            freedom=self.freedom - columns.shape[1],
        )


def weigh(information: FloatArray, score: FloatArray, covariance: FloatArray) -> Scales:
    """Bring today's information and score, and the stored covariance, to common coordinates.

    Parameters
    ----------
    information : (P, P) float64
        Today's, about the rig's parameters.
    score : (P,) float64
        Today's pull at the stored values.
    covariance : (P, P) float64
        Of the stored values.
    """
    unit = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    values, vectors = np.linalg.eigh(covariance / np.outer(unit, unit))
    # A direction of the stored values without any variance would claim to be known exactly.
    root = np.sqrt(np.maximum(values, 1e-13 * values[-1]))
    out_of = unit[:, None] * vectors * root[None, :]
    into = (vectors / root[None, :]).T / unit[None, :]
    shares, directions = np.linalg.eigh(out_of.T @ information @ out_of)
    return Scales(
        to=directions.T @ into,
        shares=np.maximum(shares, 0.0),
        pull=directions.T @ (out_of.T @ score),
    )


def _inverse(normal: FloatArray) -> FloatArray:
    """Inverse of an information matrix after scaling to a unit diagonal; what is not told gets a huge variance."""
    if not len(normal):
        return normal
    unit = 1.0 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    values, vectors = np.linalg.eigh(normal * np.outer(unit, unit))
    values = np.maximum(values, 1e-13 * max(float(values[-1]), 1e-300))
    return np.asarray((vectors / values) @ vectors.T * np.outer(unit, unit))
