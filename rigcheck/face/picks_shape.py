"""What the face's points say of lids, gaze, brows, mouth and jaw, in shares of the outer-eye distance.

References
----------
Soukupová & Čech, Real-time eye blink detection using facial landmarks, 2016, eq. 1: eye aspect ratio.
"""

from types import MappingProxyType

import numpy as np

from rigcheck.model import FACE_POINTS, Estimate
from rigcheck.model._arrays import FloatArray

__all__ = [
    "EYE_POINTS",
    "SHAPE_NAMES",
    "SHAPE_SIGMAS",
    "eye_aspect_ratio",
    "face_axes",
    "shape_estimates",
    "shape_numbers",
]

# Of each eye: outer corner, two points of the upper lid, inner corner, two points of the lower lid, as in the paper.
EYE_POINTS = {"right": (33, 160, 158, 133, 153, 144), "left": (263, 387, 385, 362, 380, 373)}
_BROWS = {"right": (70, 63, 105, 66, 107), "left": (300, 293, 334, 296, 336)}
_INNER_LIPS = ((82, 87), (13, 14), (312, 317))
_LIP_TOP, _LIP_BOTTOM = 0, 17
_CHIN = (152, 148, 377, 176, 400)
_MIDLINE = (168, 6, 2)

# How well each repeats between moments of one rest, standard deviation, assumed from two things seen on rendered heads:
# within one hold a quarter to half of it (tests/bench/bench_picks.py repeat), and what the rest of the face pulls on
# these points (turned eyes take the brows up by 0.005 to 0.010). The mesh's own bias on a face is not in it.
SHAPE_SIGMAS = MappingProxyType(
    {
        "lid_opening_right": 0.014,
        "lid_opening_left": 0.014,
        "brow_height_right": 0.006,
        "brow_height_left": 0.006,
        "mouth_width": 0.010,
        "lip_height": 0.010,
        "lip_gap": 0.010,
        "jaw_aside": 0.005,
        "gaze_across_right": 0.003,
        "gaze_across_left": 0.003,
        "gaze_down_right": 0.003,
        "gaze_down_left": 0.003,
    }
)
SHAPE_NAMES = tuple(SHAPE_SIGMAS)


def eye_aspect_ratio(points: FloatArray) -> float:
    """Eye aspect ratio of six points (6, 2) p1 to p6: corners are p1 and p4, the upper lid p2 and p3.

    NaN where the corners fall together.
    """
    p1, p2, p3, p4, p5, p6 = points
    width = float(np.linalg.norm(p1 - p4))
    height = float(np.linalg.norm(p2 - p6) + np.linalg.norm(p3 - p5))
    return height / (2.0 * width) if width > 0 else float("nan")


def face_axes(points_px: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Give unit vectors towards the performer's left and down the face, and the outer-eye distance, px.

    Found from the points alone, so that it does not matter how the camera is mounted.
    """
    across = points_px[FACE_POINTS["eye_outer_left"]] - points_px[FACE_POINTS["eye_outer_right"]]
    unit = float(np.linalg.norm(across))
    across = across / max(unit, 1e-9)
    down = np.array([-across[1], across[0]])
    below = points_px[FACE_POINTS["chin"]] - points_px[FACE_POINTS["nose_tip"]]
    return across, down * (np.sign(down @ below) or 1.0), unit


def shape_numbers(points_px: FloatArray) -> dict[str, float]:
    """Numbers of one face by name; NaN where a point is not known.

    Parameters
    ----------
    points_px : (478, 2) float64, px, as recorded

    Notes
    -----
    All but the eye aspect ratios are shares of the outer-eye distance. Sides are the performer's own; across counts
    towards the performer's left. Gaze is the iris's centre from the middle of the eye's corners.
    """
    across, down, unit = face_axes(points_px)
    numbers: dict[str, float] = {}
    corners = points_px[[FACE_POINTS[name] for name in _CORNERS]]
    level = float((corners @ down).mean())
    for side, six in EYE_POINTS.items():
        numbers[f"lid_opening_{side}"] = eye_aspect_ratio(points_px[list(six)])
        numbers[f"brow_height_{side}"] = (level - float((points_px[list(_BROWS[side])] @ down).mean())) / unit
        off = points_px[FACE_POINTS[f"iris_{side}"]] - (points_px[six[0]] + points_px[six[3]]) / 2.0
        numbers[f"gaze_across_{side}"] = float(off @ across) / unit
        numbers[f"gaze_down_{side}"] = float(off @ down) / unit
    corner_right, corner_left = (points_px[FACE_POINTS[f"mouth_corner_{side}"]] for side in ("right", "left"))
    numbers["mouth_width"] = float(np.linalg.norm(corner_left - corner_right)) / unit
    numbers["lip_height"] = float(np.linalg.norm(points_px[_LIP_BOTTOM] - points_px[_LIP_TOP])) / unit
    gaps = [float(np.linalg.norm(points_px[low] - points_px[high])) for high, low in _INNER_LIPS]
    numbers["lip_gap"] = float(np.mean(gaps)) / unit
    middle = float((points_px[list(_MIDLINE)] @ across).mean())
    numbers["jaw_aside"] = (float((points_px[list(_CHIN)] @ across).mean()) - middle) / unit
    return numbers


_CORNERS = ("eye_outer_right", "eye_inner_right", "eye_inner_left", "eye_outer_left")


def shape_estimates(points_px: FloatArray) -> dict[str, Estimate]:
    """Give the same with how well each repeats between moments of a clip; no value where a point is not known."""
    return {
        name: Estimate(value=value, sigma=SHAPE_SIGMAS[name], unit="of eye distance", n=1)
        if np.isfinite(value)
        else Estimate(value=None, unit="of eye distance", reason="points it needs are not known")
        for name, value in shape_numbers(points_px).items()
    }
