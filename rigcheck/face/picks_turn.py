"""How far the head is turned to one side, from how far the tip of the nose stands off the middle of the eyes."""

import numpy as np

from rigcheck.face.head_model import EYE_SPAN_MM, head_points
from rigcheck.face.picks_shape import face_axes
from rigcheck.model import FACE_POINTS
from rigcheck.model._arrays import FloatArray

__all__ = ["TURN_SIGMA_DEG", "turn_deg"]

# A nose 3 mm off the middle of the face, or 4 mm longer than the average: assumed.
TURN_SIGMA_DEG = 5.0
_EYES = ("eye_outer_right", "eye_inner_right", "eye_inner_left", "eye_outer_left")


def turn_deg(points_px: FloatArray) -> float:
    """Turn of the head about its upright axis, degrees, towards the performer's left; 0 straight on.

    Parameters
    ----------
    points_px : (478, 2) float64, px, as recorded

    Notes
    -----
    For an average head: the tip of the nose lies 28 mm before the eyes' corners. The eyes' own distance shortens with
    the cosine of the turn, which is taken into account.
    """
    across, _, unit = face_axes(points_px)
    eyes = points_px[[FACE_POINTS[name] for name in _EYES]].mean(axis=0)
    aside = float((points_px[FACE_POINTS["nose_tip"]] - eyes) @ across) / unit
    head = head_points()
    before = float(np.mean([head[name][2] for name in _EYES]) - head["nose_tip"][2])
    # aside = before sin / (span cos)
    return float(np.degrees(np.arctan2(aside * EYE_SPAN_MM, before)))
