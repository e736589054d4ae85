"""An average head: where the named points of a face lie in millimetres, how faces differ, and how a jaw opens.

Face frame: origin at the nostril base (midpoint of the alar bases), x toward the performer's left, y down, z into
the head, upright with the Frankfort plane level. A camera straight in front has `camera_from_face` with the unit
matrix as its rotation.

Notes
-----
Points are the mean of eight heads of a public-domain (CC0) mesh, made symmetric and scaled to the face length below.
Its own interpupillary distance then is 63.2 mm, within 0.4 mm of the survey's. How faces differ is described by a
few stretches, each a fraction with a standard deviation.

References
----------
Gordon et al., 2012 Anthropometric Survey of U.S. Army Personnel, NATICK/TR-15/007, public file, both sexes in equal
parts: interpupillary distance 62.9 mm (sd 3.7), menton-sellion length 117.9 mm (sd 8.0).
"""

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from rigcheck.model import FACE_POINTS
from rigcheck.model._arrays import FloatArray

__all__ = [
    "FACE_LENGTH_MM",
    "INTERPUPILLARY_MM",
    "MESH_PLACES",
    "OUTLINE",
    "OWN_LEVEL_DEG",
    "STRETCH_SIGMAS",
    "Measure",
    "head_points",
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
    "subnasale": (2.4, -6.3),
    "nose_tip": (-10.6, -18.0),
    "upper_lip_inner": (20.3, -3.6),
    "lower_lip_inner": (20.3, -3.6),
    "chin": (64.5, 18.9),
    "sellion": (-53.4, 1.2),
    "forehead": (-115.0, 8.3),
}
_SIDES = {
    "alar_base": (16.6, 0.0, 0.0),
    "wing": (20.1, -11.1, 6.0),
    "mouth_corner": (24.7, 21.6, 4.7),
    "eye_inner": (16.2, -49.5, 11.1),
    "eye_outer": (45.5, -52.1, 16.1),
    "iris": (31.6, -53.5, 9.9),
    "temple": (70.7, -82.8, 68.9),
    "cheek": (70.7, -13.5, 75.9),
    "jaw": (57.6, 32.1, 67.4),
    "jaw_low": (35.1, 55.8, 50.5),
}
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

# How far a face's level differs from the average head's once that is fitted: 3.6 deg of the facial angle (Frankfort
# plane to nasion-pogonion, 87.8 sd 3.6: Downs, Am J Orthod 34, 1948; from memory), and 3.5 deg that the points'
# depths lead the fit astray over the eight heads beyond what the fit says itself.
OWN_LEVEL_DEG = 5.0


def head_points() -> dict[str, FloatArray]:
    """Named points of the average head, (3,) mm each, in the face frame."""
    points = {name: np.array([0.0, *yz]) for name, yz in _MIDDLE.items()}
    for name, xyz in _SIDES.items():
        points[f"{name}_left"] = np.array(xyz)
        points[f"{name}_right"] = np.array(xyz) * [-1.0, 1.0, 1.0]
    return points


def stretched(points_mm: FloatArray, stretches: FloatArray) -> FloatArray:
    """Points of a head that differs from the average by stretches.

    Parameters
    ----------
    points_mm : (N, 3) float64, mm, face frame
    stretches : (5,) float64
        Natural logarithms of: size; width; height above the nostril base; height below it; depth. Standard
        deviations over people: `STRETCH_SIGMAS`.
    """
    size, width, above, below, depth = np.exp(stretches)
    heights = np.where(points_mm[:, 1] < 0, above, below)
    return np.asarray(
        size * np.stack([points_mm[:, 0] * width, points_mm[:, 1] * heights, points_mm[:, 2] * depth], axis=1)
    )
