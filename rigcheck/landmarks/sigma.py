"""How far each point of the mesh can be off: a share of the outer-eye distance by kind of point, and what widens it."""

from dataclasses import dataclass

import numpy as np

from rigcheck.landmarks.gates import SURE_LOGIT, eye_distance_px
from rigcheck.model import N_FACE_POINTS
from rigcheck.model._arrays import BoolArray, FloatArray, IntArray

__all__ = ["Looks", "base_shares", "mesh_sigma_px"]

# Standard uncertainty per axis in shares of the outer-eye distance.
_IRIS, _EYE, _MOUTH, _NOSE, _OUTLINE, _SKIN = 0.02, 0.025, 0.03, 0.03, 0.06, 0.045
_OUTLINE_POINTS = (
    *(10, 338, 297, 332, 284, 251, 389, 356, 454, 323, 361, 288, 397, 365, 379, 378, 400, 377, 152),
    *(148, 176, 149, 150, 136, 172, 58, 132, 93, 234, 127, 162, 21, 54, 103, 67, 109),
)
_NOSE_POINTS = (1, 2, 4, 5, 19, 48, 64, 94, 97, 98, 115, 141, 164, 278, 294, 326, 327, 344, 370)


@dataclass(frozen=True, kw_only=True)
class Looks:
    """What is known of performer and light that the networks were not measured on; widens sigma."""

    glasses: bool = False
    facial_hair: bool = False
    hair_over_brows: bool = False
    heavy_make_up: bool = False
    near_infrared: bool = False


def base_shares(lips: IntArray, eyes: IntArray) -> FloatArray:
    """(478,) share of the eye distance for each point; `lips` and `eyes` are the indices seen twice by the mesh."""
    shares = np.full(N_FACE_POINTS, _SKIN)
    shares[list(_OUTLINE_POINTS)] = _OUTLINE
    shares[list(_NOSE_POINTS)] = _NOSE
    shares[lips] = _MOUTH
    shares[eyes] = _EYE
    shares[468:] = _IRIS
    return shares


def mesh_sigma_px(
    points_px: FloatArray, shares: FloatArray, *, spread_px: FloatArray, logit: float, outside: BoolArray
) -> FloatArray:
    """Standard uncertainty per axis of each point, px.

    Parameters
    ----------
    points_px : (478, 2) float64, px
    shares : (478,) share of the eye distance, widened for looks already
    spread_px : (478,) how far the looks at the mirror picture and at the picture itself differ
    logit : float
        Raw logit of the mesh.
    outside : (478,) bool
        Points that lie outside the picture, which nobody has seen.
    """
    unsure = np.clip((SURE_LOGIT - logit) / SURE_LOGIT, 0.0, 1.0)
    sigma = np.hypot(shares * eye_distance_px(points_px) * (1.0 + unsure), 0.5 * spread_px)
    return np.asarray(np.where(outside, 3.0, 1.0) * sigma)
