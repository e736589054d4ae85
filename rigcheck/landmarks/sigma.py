"""How far each point of the mesh can be off: a share of the outer-eye distance by kind of point, and what widens it."""

from dataclasses import dataclass

import numpy as np

from rigcheck.landmarks.gates import SURE_LOGIT, eye_distance_px
from rigcheck.model import FACE_POINTS, N_FACE_POINTS
from rigcheck.model._arrays import BoolArray, FloatArray, IntArray

__all__ = [
    "EYES_UNCLEAR",
    "MOUTH_LOST",
    "MOUTH_UNCLEAR",
    "NOSE_LOST",
    "Looks",
    "MeshLook",
    "PointShares",
    "base_shares",
    "eye_spread",
    "mesh_sigma_px",
    "wide_shares",
]

# Standard uncertainty per axis in shares of the outer-eye distance, once the mesh's mean shift (which is the same on
# every face) is taken off: of named points from 198 rendered pictures (tests/bench/bench_landmarks.py), of the
# others, for which there is no truth, assumed.
_NAMED_SHARES = {
    "subnasale": 0.018,
    "nose_tip": 0.028,
    "alar_base": 0.017,
    "wing": 0.017,
    "mouth_corner": 0.011,
    "upper_lip_inner": 0.016,
    "lower_lip_inner": 0.023,
    "chin": 0.030,
    "eye_outer": 0.011,
    "eye_inner": 0.011,
    "iris": 0.006,
}
_EYE, _MOUTH, _NOSE, _OUTLINE, _SKIN = 0.018, 0.020, 0.025, 0.055, 0.035
_OUTLINE_POINTS = (
    *(10, 338, 297, 332, 284, 251, 389, 356, 454, 323, 361, 288, 397, 365, 379, 378, 400, 377, 152),
    *(148, 176, 149, 150, 136, 172, 58, 132, 93, 234, 127, 162, 21, 54, 103, 67, 109),
)
_NOSE_POINTS = (1, 2, 4, 5, 19, 48, 64, 94, 97, 98, 115, 141, 164, 278, 294, 326, 327, 344, 370)
_LOWER_OUTLINE = (*_OUTLINE_POINTS[11:26],)

# What the wide look usually moves a point by, in shares of the eye distance; what goes beyond it counts as error.
_USUAL_WIDE_LOWER, _USUAL_WIDE = 0.14, 0.07
_SPREAD_SHARE = 0.5
# Of the plain and the mirrored look at corners of the eyes and irises, RMS in eye distances: above this they are shut
# or hidden. 13 of 13 rendered shut eyes lie above, 1 % of others; the mesh then puts the eyes up to 0.2 too low.
EYES_UNCLEAR = 0.036
_EYES_UNCLEAR_SHARE = 2.0
# Of the wide look at the lips and at the nose, RMS in eye distances. Of 397 rendered pictures none above the last two
# but five whose mesh had lost a jaw dropped as far as it goes, or a grimace; masks over nose, mouth and chin lie at
# 0.10 to 0.26 and 0.05 to 0.20.
MOUTH_UNCLEAR, MOUTH_LOST, NOSE_LOST = 0.09, 0.10, 0.08
_LIP_POINTS, _NOSE_BASE_POINTS = (61, 291, 13, 14, 0, 17), (98, 327, 2, 1, 64, 294)
_EYE_POINTS = tuple(idx for name, idx in FACE_POINTS.items() if name.startswith(("eye_", "iris_")))
_OUTSIDE = 3.0
# Factors for what the networks were not measured on: assumptions, no source.
_GLASSES_EYES, _HAIR_LOWER, _MAKE_UP, _INFRARED, _BROWS, _DOTS = 1.5, 1.5, 1.2, 1.2, 1.3, 1.3


@dataclass(frozen=True, kw_only=True)
class Looks:
    """What is known of performer and light that the networks were not measured on; widens sigma."""

    glasses: bool = False
    facial_hair: bool = False
    hair_over_brows: bool = False
    heavy_make_up: bool = False
    near_infrared: bool = False


@dataclass(frozen=True, kw_only=True, eq=False)
class MeshLook:
    """What the looks of the mesh at one face say about its uncertainty.

    `spread_px` and `wide_px` (478,) are how far the mirrored and the wide look put each point from the others;
    `logit` is the raw one; `outside` (478,) are points outside the picture, which nobody has seen; `dots` whether
    painted dots were seen.
    """

    spread_px: FloatArray
    wide_px: FloatArray
    logit: float
    outside: BoolArray
    dots: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class PointShares:
    """(478,) share of the eye distance by which each point is uncertain, and (478,) which belong to the eyes."""

    of_eye_distance: FloatArray
    of_eyes: BoolArray


def eye_spread(points_px: FloatArray, spread_px: FloatArray) -> float:
    """How far the looks differ at corners of the eyes and irises: RMS in eye distances."""
    return float(np.sqrt(np.mean(spread_px[list(_EYE_POINTS)] ** 2))) / eye_distance_px(points_px)


def wide_shares(points_px: FloatArray, wide_px: FloatArray) -> tuple[float, float]:
    """How far the wide look puts the lips, and the nose, from the others: RMS in eye distances."""
    distance = eye_distance_px(points_px)
    lips, nose = (
        float(np.sqrt(np.mean(wide_px[list(part)] ** 2))) / distance
        for part in (_LIP_POINTS, _NOSE_BASE_POINTS)
    )
    return lips, nose


def base_shares(lips: IntArray, eyes: IntArray, looks: Looks) -> PointShares:
    """Give each point its share; `lips` and `eyes` are the indices seen twice by the mesh."""
    shares = np.full(N_FACE_POINTS, _SKIN)
    shares[list(_OUTLINE_POINTS)] = _OUTLINE
    shares[list(_NOSE_POINTS)] = _NOSE
    shares[lips] = _MOUTH
    shares[eyes] = _EYE
    shares[468:] = _NAMED_SHARES["iris"]
    for name, idx in FACE_POINTS.items():
        shares[idx] = _NAMED_SHARES[name.removesuffix("_right").removesuffix("_left")]
    if looks.glasses:
        shares[eyes] *= _GLASSES_EYES
        shares[468:] *= _GLASSES_EYES
    if looks.facial_hair:
        shares[lips] *= _HAIR_LOWER
        shares[list(_LOWER_OUTLINE)] *= _HAIR_LOWER
    if looks.hair_over_brows:
        shares[eyes] *= _BROWS
    factor = (_MAKE_UP if looks.heavy_make_up else 1.0) * (_INFRARED if looks.near_infrared else 1.0)
    of_eyes = np.zeros(N_FACE_POINTS, dtype=bool)
    of_eyes[[*eyes, *range(468, N_FACE_POINTS)]] = True
    return PointShares(of_eye_distance=factor * shares, of_eyes=of_eyes)


def mesh_sigma_px(points_px: FloatArray, shares: PointShares, look: MeshLook) -> FloatArray:
    """Standard uncertainty per axis of each point, px.

    Parameters
    ----------
    points_px : (478, 2) float64, px
    shares : PointShares
        Widened for looks already.
    look : MeshLook

    Notes
    -----
    About the point the mesh means: it puts some points off what an anatomist would mark, by the same share on every
    face; who wants the latter takes that shift off first.

    On 198 held-out rendered pictures (tests/bench/bench_landmarks.py: performers, poses from -15 to 38° below,
    expressions) the root mean square of error over this sigma is 0.73 to 1.19 for the named points, 0.99 for the
    nostril base (errors of its sides taken as half shared). With glasses, full beards or a fringe, 16 pictures each, it
    is 0.5 to 1.1, of a bearded lower lip 1.3, before `Looks` widens anything.
    """
    distance = eye_distance_px(points_px)
    unsure = np.clip((SURE_LOGIT - look.logit) / SURE_LOGIT, 0.0, 1.0)
    usual = np.full(N_FACE_POINTS, _USUAL_WIDE)
    usual[list(_LOWER_OUTLINE)] = _USUAL_WIDE_LOWER
    wide = np.maximum(0.0, look.wide_px - usual * distance)
    own = shares.of_eye_distance * distance * (1.0 + unsure) * (_DOTS if look.dots else 1.0)
    apart = eye_spread(points_px, look.spread_px)
    if apart > EYES_UNCLEAR:
        own = np.where(shares.of_eyes, np.hypot(own, _EYES_UNCLEAR_SHARE * apart * distance), own)
    sigma = np.sqrt(own**2 + (_SPREAD_SHARE * look.spread_px) ** 2 + wide**2)
    return np.asarray(np.where(look.outside, _OUTSIDE, 1.0) * sigma)
