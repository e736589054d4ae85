"""Whether 478 points can be a face at all: their shape, and where they lie in the picture."""

from dataclasses import dataclass

import numpy as np

from rigcheck.model import FACE_POINTS
from rigcheck.model._arrays import FloatArray

__all__ = ["FaceShape", "eye_distance_px", "face_shape", "shape_fault"]

# Raw logit of the mesh: good fits reach 14 and more, hard ones 5 to 15, wrong ones mostly stay under 8.
LEAST_LOGIT = 6.0
SURE_LOGIT = 14.0
# Below this the eyes are too few pixels apart for any point to mean something.
LEAST_EYE_DISTANCE_PX = 24.0

_UPPER_LIDS, _LOWER_LIDS = (159, 386), (145, 374)
_CENTRE_POINTS = ("subnasale", "alar_base_right", "alar_base_left", "nose_tip")


@dataclass(frozen=True, kw_only=True)
class FaceShape:
    """Proportions of a face in its own axes (along the eyes, and square to them), in outer-eye distances.

    `roll_deg` is the direction of the line from the performer's right outer eye corner to the left one, clockwise as
    seen. `lean` is how far the mouth stands off the line square to the middle of the eyes. `lid_opening` is the mean
    opening of the lids over the width of the eye.
    """

    eye_distance_px: float
    roll_deg: float
    nose_drop: float
    mouth_drop: float
    chin_drop: float
    lean: float
    mouth_width: float
    eye_width_ratio: float
    lid_opening: float


def eye_distance_px(points_px: FloatArray) -> float:
    """Distance of the outer eye corners, the unit of every share in this room."""
    return float(
        np.linalg.norm(points_px[FACE_POINTS["eye_outer_left"]] - points_px[FACE_POINTS["eye_outer_right"]])
    )


def face_shape(points_px: FloatArray) -> FaceShape:
    """Proportions from (478, 2) points of an upright picture, px."""
    at = {name: points_px[idx] for name, idx in FACE_POINTS.items()}
    right, left = at["eye_outer_right"], at["eye_outer_left"]
    across = left - right
    distance = max(float(np.linalg.norm(across)), 1e-6)
    unit = across / distance
    down = np.array([-unit[1], unit[0]])
    middle = (right + left) / 2
    mouth = (at["mouth_corner_right"] + at["mouth_corner_left"]) / 2
    widths = [
        float(np.linalg.norm(at[f"eye_outer_{side}"] - at[f"eye_inner_{side}"])) for side in ("right", "left")
    ]
    openings = np.linalg.norm(points_px[list(_UPPER_LIDS)] - points_px[list(_LOWER_LIDS)], axis=1)
    return FaceShape(
        eye_distance_px=distance,
        roll_deg=float(np.degrees(np.arctan2(across[1], across[0]))),
        nose_drop=float((at["subnasale"] - middle) @ down) / distance,
        mouth_drop=float((mouth - middle) @ down) / distance,
        chin_drop=float((at["chin"] - middle) @ down) / distance,
        lean=float((mouth - middle) @ unit) / distance,
        mouth_width=float(np.linalg.norm(at["mouth_corner_left"] - at["mouth_corner_right"])) / distance,
        eye_width_ratio=widths[0] / max(widths[1], 1e-6),
        lid_opening=float(np.mean(openings / np.maximum(widths, 1e-6))),
    )


def shape_fault(shape: FaceShape) -> str | None:
    """Say what no face looks like in these proportions; None when nothing does.

    Notes
    -----
    Wide on purpose: a camera far below foreshortens the face, a turned head narrows one eye, a mouth opens.
    """
    if shape.eye_distance_px < LEAST_EYE_DISTANCE_PX:
        return f"the eyes are {shape.eye_distance_px:.0f} px apart"
    if abs(shape.roll_deg) > 60.0:
        return "the eyes do not lie beside each other"
    if not 0.15 < shape.nose_drop < shape.mouth_drop < shape.chin_drop:
        return "eyes, nose, mouth and chin are not in this order from above"
    if not 0.35 < shape.mouth_drop < 1.7 or shape.chin_drop > 2.8:
        return "the face is too long or too short for its eyes"
    if abs(shape.lean) > 0.45 or not 0.35 < shape.eye_width_ratio < 1 / 0.35:
        return "the two sides of the face are too unlike"
    if not 0.2 < shape.mouth_width < 1.2:
        return "the mouth does not fit the eyes"
    return None


def nose_outside(points_px: FloatArray, size_px: tuple[int, int]) -> bool:
    """Whether the base of the nose lies outside the picture."""
    nose = points_px[[FACE_POINTS[name] for name in _CENTRE_POINTS]]
    return bool(((nose < -0.5) | (nose > np.array(size_px) - 0.5)).any())
