"""An average head: where the named points of a face lie in millimetres, how faces differ, and how a jaw opens.

Face frame: origin at the nostril base (midpoint of the alar bases), x toward the performer's left, y down, z into
the head, upright with the Frankfort plane level. A camera straight in front has `camera_from_face` with the unit
matrix as its rotation.

Notes
-----
Points are the mean of eight heads of a public-domain (CC0) mesh, made symmetric and scaled to the face length below.
Its own interpupillary distance then is 62.0 mm, within 1 mm of the survey's. How faces differ is described by a
few stretches, each a fraction with a standard deviation.

References
----------
Gordon et al., 2012 Anthropometric Survey of U.S. Army Personnel, NATICK/TR-15/007, public file, both sexes in equal
parts: interpupillary distance 62.9 mm (sd 3.7), menton-sellion length 117.9 mm (sd 8.0).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

import numpy as np

from rigcheck.model import FACE_POINTS
from rigcheck.model._arrays import FloatArray

__all__ = [
    "EYE_SPAN_MM",
    "FACE_LENGTH_MM",
    "INTERPUPILLARY_MM",
    "MESH_CHIN_SHIFT",
    "MESH_NOSTRIL_SHIFT",
    "MESH_PLACES",
    "OUTLINE",
    "OWN_LEVEL_DEG",
    "STRETCH_SIGMAS",
    "Measure",
    "head_points",
    "mesh_points",
    "stretched",
]


@dataclass(frozen=True, kw_only=True)
class Measure:
    """A length of the adult face: mean and standard deviation, mm."""

    mean: float
    sigma: float


INTERPUPILLARY_MM = Measure(mean=62.9, sigma=3.7)
FACE_LENGTH_MM = Measure(mean=117.9, sigma=8.0)

# Places among the 478 of the mesh beyond those that FACE_POINTS names.
MESH_PLACES = MappingProxyType(
    {
        **FACE_POINTS,
        "sellion": 168,
        "forehead": 10,
        "upper_lid_right": 159,
        "lower_lid_right": 145,
        "upper_lid_left": 386,
        "lower_lid_left": 374,
    }
)

_MIDDLE = {
    "subnasale": (7.2, -6.8),
    "nose_tip": (-7.6, -18.4),
    "upper_lip_inner": (25.3, -4.0),
    "lower_lip_inner": (25.3, -4.0),
    "chin": (68.9, 15.0),
    "sellion": (-48.0, 0.7),
    "forehead": (-110.0, 8.0),
}
_SIDES = {
    "alar_base": (14.9, 0.0, 0.0),
    "wing": (17.7, -7.9, -1.3),
    "mouth_corner": (24.5, 26.0, 3.6),
    "eye_inner": (16.6, -44.5, 10.6),
    "eye_outer": (43.9, -47.0, 15.1),
    "iris": (31.0, -47.6, 9.5),
    "temple": (70.7, -78.0, 68.0),
    "cheek": (70.7, -9.0, 75.0),
    "jaw": (57.6, 36.0, 66.0),
    "jaw_low": (35.1, 60.0, 48.0),
}
# Where the face mesh puts a point, from where it is: (outward, down) in shares of the outer-eye distance. Over 44
# rendered performers, two cameras each, seen from -12 to 33 deg below; sd 0.5 to 1.9 %, 3 to 4 % of tip, lips and chin.
_MESH_SHIFTS = {
    "subnasale": (0.0, -0.019),
    "nose_tip": (0.0, 0.052),
    "upper_lip_inner": (0.0, -0.010),
    "lower_lip_inner": (0.0, 0.018),
    "chin": (0.0, -0.029),
    "alar_base": (0.0, 0.017),
    "wing": (-0.014, 0.070),
    "mouth_corner": (-0.030, 0.007),
    "eye_inner": (-0.004, 0.0),
    "eye_outer": (0.0, -0.0145),
    "iris": (-0.008, 0.0055),
}
MESH_NOSTRIL_SHIFT = _MESH_SHIFTS["alar_base"][1]
MESH_CHIN_SHIFT = _MESH_SHIFTS["chin"][1]
EYE_SPAN_MM = 2.0 * _SIDES["eye_outer"][0]
# The edge of a face as seen from the front.
OUTLINE = (
    "forehead",
    "chin",
    *(f"{name}_{side}" for name in ("temple", "cheek", "jaw", "jaw_low") for side in ("left", "right")),
)

# Size from the face length's spread less what it shares with the stretches; the stretches from the spread of
# (face length / interpupillary distance), 4 to 5 % over the eight heads and 7 % in the survey. From no source:
# depth.
STRETCH_SIGMAS = (0.055, 0.04, 0.05, 0.05, 0.12)

# How far a face's level differs from the average head's once that is fitted: the facial angle, Frankfort plane to
# nasion-pogonion, is 87.8 with sd 3.6 (Downs, Am J Orthod 34, 1948; from memory).
OWN_LEVEL_DEG = 3.6


@cache
def head_points() -> Mapping[str, FloatArray]:
    """Named points of the average head, (3,) mm each, in the face frame; not to be written into."""
    points = {name: np.array([0.0, *yz]) for name, yz in _MIDDLE.items()}
    for name, xyz in _SIDES.items():
        points[f"{name}_left"] = np.array(xyz)
        points[f"{name}_right"] = np.array(xyz) * [-1.0, 1.0, 1.0]
    return _kept(points)


def _kept(points: dict[str, FloatArray]) -> Mapping[str, FloatArray]:
    """Points that every caller shares, so that nobody may write into them."""
    for point in points.values():
        point.flags.writeable = False
    return MappingProxyType(points)


@cache
def mesh_points() -> Mapping[str, FloatArray]:
    """Points of the average head where the face mesh puts them, (3,) mm each; not to be written into."""
    points = dict(head_points())
    for name, (outward, down) in _MESH_SHIFTS.items():
        for side, sign in (("", 0.0), ("_left", 1.0), ("_right", -1.0)):
            if f"{name}{side}" in points:
                points[f"{name}{side}"] = points[f"{name}{side}"] + EYE_SPAN_MM * np.array(
                    [sign * outward, down, 0.0]
                )
    return _kept(points)


def stretched(points_mm: FloatArray, stretches: FloatArray) -> FloatArray:
    """Points of a head that differs from the average by stretches.

    Parameters
    ----------
    points_mm : (N, 3) float64, mm, face frame
    stretches : (..., 5) float64
        Natural logarithms of: size; width; height above the nostril base; height below it; depth. Standard
        deviations over people: `STRETCH_SIGMAS`.

    Returns
    -------
    (..., N, 3) float64, mm
    """
    factors = np.exp(stretches)
    # Which stretch each coordinate takes: width; height above or below; depth.
    which = np.where(points_mm[:, 1:2] < 0, [1, 2, 4], [1, 3, 4])
    return np.asarray(factors[..., :1, None] * (points_mm * factors[..., which]))
