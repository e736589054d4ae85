"""The same detail seen by both cameras at one moment."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from rigcheck.model._arrays import FloatArray, frozen_array

__all__ = ["PatchMatches"]


@dataclass(frozen=True, kw_only=True, eq=False)
class PatchMatches:
    """Places of camera 1's picture found again in camera 2's, px as recorded.

    Parameters
    ----------
    points1_px : (N, 2) float64
        Centres of the patches compared: whole pixels, exact by definition.
    points2_px : (N, 2) float64
        Where each was found.
    covariance_px2 : (N, 2, 2) float64
        Of `points2_px`, px²: noise of both pictures through the patch's texture.
    slope : (N, 2, 2) float64
        How the neighbourhood is carried over: a step s in picture 1 is a step `slope @ s` in picture 2.
    score : (N,) float64
        Correlation of the two patches once fitted, -1 to 1.
    contrast_dn, noise_dn : (N,) float64
        Standard deviation of picture 1's patch, slightly smoothed; and of what the fit leaves over, as noise of one
        pixel (both pictures together).
    left_out : mapping of str to int
        How many places were tried and left out, by reason.
    """

    points1_px: FloatArray
    points2_px: FloatArray
    covariance_px2: FloatArray
    slope: FloatArray
    score: FloatArray
    contrast_dn: FloatArray
    noise_dn: FloatArray
    left_out: Mapping[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Check shapes and freeze the arrays."""
        count = len(self.points1_px)
        shapes: dict[str, tuple[int, ...]] = {
            "points1_px": (count, 2),
            "points2_px": (count, 2),
            "covariance_px2": (count, 2, 2),
            "slope": (count, 2, 2),
            "score": (count,),
            "contrast_dn": (count,),
            "noise_dn": (count,),
        }
        for name, shape in shapes.items():
            object.__setattr__(self, name, frozen_array(getattr(self, name), shape, name))

    @property
    def n(self) -> int:
        """Number of matches."""
        return len(self.points1_px)

    @property
    def sigma_px(self) -> FloatArray:
        """Standard uncertainty per axis of each match, (N,) px: root mean over directions."""
        return np.asarray(np.sqrt(0.5 * np.trace(self.covariance_px2, axis1=1, axis2=2)))
