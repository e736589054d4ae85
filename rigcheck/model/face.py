"""Points of one face in one picture."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from rigcheck.model._arrays import FloatArray
from rigcheck.model.frame import Finding, FrameRef

__all__ = ["FACE_POINTS", "N_FACE_POINTS", "FaceLandmarks", "MarkedPoints"]

N_FACE_POINTS = 478

# Names of the points that checks speak of, and their place among the 478 of the face mesh. Sides are the
# performer's own: right is the performer's right.
FACE_POINTS = {
    "subnasale": 2,
    "nose_tip": 1,
    "alar_base_right": 98,
    "alar_base_left": 327,
    "wing_right": 64,
    "wing_left": 294,
    "mouth_corner_right": 61,
    "mouth_corner_left": 291,
    "upper_lip_inner": 13,
    "lower_lip_inner": 14,
    "chin": 152,
    "eye_outer_right": 33,
    "eye_inner_right": 133,
    "eye_inner_left": 362,
    "eye_outer_left": 263,
    "iris_right": 468,
    "iris_left": 473,
}


@dataclass(frozen=True, kw_only=True, eq=False)
class FaceLandmarks:
    """Points of one face in one picture as recorded.

    `points_px` is (478, 2), x right and y down from the centre of the top-left pixel, NaN where a point is not
    known (marked points are few); `sigma_px` is (478,), the standard uncertainty per axis of each, infinite
    where the point is not known. `found_by` says where they come from. `turned_deg` is by how much the face
    stood turned from upright once the camera's mounting was undone, to the quarter turn: 0 when as expected.
    `score` is the mesh's raw face logit, None for marked points. `findings` are what a person must know of this
    face: eyes shut, a second face behind.
    """

    ref: FrameRef
    image_size_px: tuple[int, int]
    points_px: FloatArray
    sigma_px: FloatArray
    found_by: Literal["mesh", "marked", "followed"]
    turned_deg: int = 0
    score: float | None = None
    findings: tuple[Finding, ...] = ()

    def point(self, name: str) -> FloatArray:
        """(x, y) px of a point of `FACE_POINTS`; NaN when not known; KeyError for another name."""
        return np.asarray(self.points_px[FACE_POINTS[name]])

    def sigma(self, name: str) -> float:
        """Standard uncertainty per axis of a named point, px; infinite when not known."""
        return float(self.sigma_px[FACE_POINTS[name]])

    def has(self, *names: str) -> bool:
        """Whether all these named points are known."""
        return bool(np.isfinite(self.points_px[[FACE_POINTS[name] for name in names]]).all())


@dataclass(frozen=True, kw_only=True, eq=False)
class MarkedPoints:
    """Points that a person marked on one picture of one camera.

    `points_px` maps names of `FACE_POINTS` to (x, y), px as recorded; `sigma_px` is how surely they were marked,
    per axis.
    """

    camera: str
    frame_idx: int
    image_size_px: tuple[int, int]
    points_px: Mapping[str, tuple[float, float]]
    sigma_px: float
