"""What each part of a score says in numbers."""

from collections.abc import Mapping

from rigcheck.face.picks_faults import FaultRule

__all__ = ["reason_sentence"]

_MM = 87.8  # outer-eye distance of an average head
_SENTENCES = {
    "lids": "lids open by {0:.0%} of this performer's open eye",
    "lids_near": "lids open by {0:.0%} or more just before and after",
    "vergence_deg": "eyes turned {0:+.0f}° (give or take 3°) towards each other against the clip's farthest look",
    "gaze_aside_deg": "eyes {0:+.0f}° (give or take 2°) to the performer's left of the usual look",
    "gaze_down_deg": "eyes {0:+.0f}° (give or take 3°) below the usual look",
    "seam_near": "line between the lips at most {1:+.2f} mm wider than sealed just before and after",
    "lip_gap": "points of the lips {1:.1f} mm apart",
    "seam_open": "line between the lips at most {1:+.2f} mm wider than sealed, anywhere along it",
    "lips_pressed": "lips not pressed: mouth {1:+.1f} mm wider with thinner lips",
    "lips_pursed": "lips not pursed: mouth {1:.1f} mm narrower than usual",
    "mouth_drawn": "mouth not drawn: {1:.1f} mm wider than usual",
    "brows": "brows {1:.1f} mm off their usual height",
    "jaw_aside": "chin {1:+.1f} mm to the performer's left of its usual place",
    "speed_face": "face still: {1:.1f} mm/s",
    "speed_head": "head still in the helmet: {1:.1f} mm/s",
    "sharpness": "fine detail {0:.0%} of the clip's sharp moments",
    "teeth": "{1:.1f} mm of teeth seen",
    "row_gap": "dark line between the rows {1:.2f} mm wide",
    "grimace": "brows {1:.1f} mm lower than usual",
    "turned_deg": "head turned by {0:.0f}° (give or take 5°)",
    "eye_width_ratio": "far eye {0:.0%} as wide as the near one",
}


def reason_sentence(rule: FaultRule, numbers: Mapping[str, float]) -> str:
    """Say the number a rule looks at, in the unit a person thinks in.

    Shares of the outer-eye distance are given in millimetres on an average head (87.8 mm).
    """
    value = numbers[rule.measure]
    return _SENTENCES[rule.measure].format(value, value * _MM)
