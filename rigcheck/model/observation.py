"""Board corners seen in a picture, and pictures that gave none."""

from dataclasses import dataclass

import numpy as np

from rigcheck.model._arrays import FloatArray, IntArray, frozen_array
from rigcheck.model.frame import FrameRef

__all__ = ["Observation", "Rejection"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Observation:
    """Board corners found in one picture.

    Parameters
    ----------
    ref : FrameRef
    corner_ids : (N,) int
        Ids in the board's order, unique.
    corners_px : (N, 2) float64
        As recorded (distorted), px, pixel (0, 0) at the centre of the top-left pixel.
    sigma_px : (N,) float64
        Standard uncertainty per axis of each corner, px.
    blur_px : float
        Edge blur at the corners as a Gaussian sigma, px (median); 0 when unknown.
    """

    ref: FrameRef
    corner_ids: IntArray
    corners_px: FloatArray
    sigma_px: FloatArray
    blur_px: float = 0.0

    def __post_init__(self) -> None:
        """Check shapes and freeze the arrays."""
        ids = np.array(self.corner_ids, dtype=np.int64).reshape(-1)
        ids.setflags(write=False)
        if len(np.unique(ids)) != len(ids):
            raise ValueError("corner_ids: an id appears twice")
        object.__setattr__(self, "corner_ids", ids)
        object.__setattr__(self, "corners_px", frozen_array(self.corners_px, (len(ids), 2), "corners_px"))
        object.__setattr__(self, "sigma_px", frozen_array(self.sigma_px, (len(ids),), "sigma_px"))
        if (self.sigma_px <= 0).any():
            raise ValueError("sigma_px: must be positive")

    @property
    def n(self) -> int:
        """Number of corners."""
        return len(self.corner_ids)


@dataclass(frozen=True, kw_only=True)
class Rejection:
    """A picture, corner or view left out: data, not an exception."""

    ref: FrameRef
    code: str
    sentence: str
