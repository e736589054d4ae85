"""Thresholds beyond which `picks` does not propose a moment. A rig file may override each."""

from collections.abc import Mapping

from rigcheck.checks.limit import COMMON as _COMMON
from rigcheck.checks.limit import Limit
from rigcheck.model import EffectiveLimit
from rigcheck.model.picking import PickGates

__all__ = ["LIMITS", "pick_gates"]

_STUDY = (
    "Eight rendered heads (tests/bench/bench_picks.py): between moments of one rest and the planted fault; "
    + _COMMON
)
_LIDS = (
    "Shut is commonly taken below 0.20 to 0.25 of eye aspect ratio, but depends on the person: a share of the own open "
    "eye instead. Rendered: open 0.96 to 1.08, two fifths shut 0.24 to 0.83; " + _COMMON
)
_GAZE = (
    "Looking at lenses 200 mm away turns the eyes 17 to 18 deg towards each other, at 0.5 m 7.4, at 2 m 1.9 "
    "(elementary, 65 mm between the pupils). Read off rendered faces, against the clip's farthest look: far -8 to 3, "
    "the lenses 7 to 24; " + _COMMON
)
_SPEED = "Still to the eye; at 2 ms shutter 10 mm/s blur by 0.02 mm; " + _COMMON

LIMITS: tuple[Limit, ...] = (
    Limit(name="picks.lids.fail", value=0.86, unit="of open eye", source=_LIDS, worse="below"),
    Limit(name="picks.lids_near.fail", value=0.7, unit="of open eye", source=_LIDS, worse="below"),
    Limit(name="picks.vergence_deg.fail", value=5.0, unit="deg", source=_GAZE),
    Limit(name="picks.gaze_aside_deg.fail", value=5.0, unit="deg", source=_STUDY),
    Limit(name="picks.gaze_down_deg.fail", value=7.0, unit="deg", source=_STUDY),
    Limit(name="picks.lip_gap.fail", value=0.06, unit="of eye distance", source=_STUDY),
    Limit(name="picks.seam_open.fail", value=0.0032, unit="of eye distance", source=_STUDY),
    Limit(name="picks.lips_pressed.fail", value=0.035, unit="of eye distance", source=_STUDY),
    Limit(name="picks.lips_pursed.fail", value=0.028, unit="of eye distance", source=_STUDY),
    Limit(name="picks.mouth_drawn.fail", value=0.03, unit="of eye distance", source=_STUDY),
    Limit(name="picks.brows.fail", value=0.014, unit="of eye distance", source=_STUDY),
    Limit(name="picks.jaw_aside.fail", value=0.013, unit="of eye distance", source=_STUDY),
    Limit(name="picks.face_speed.fail", value=0.05, unit="eye distances/s", source=_SPEED),
    Limit(name="picks.head_speed.fail", value=0.08, unit="eye distances/s", source=_SPEED),
    Limit(name="picks.sharpness.fail", value=0.7, unit="of sharp moments", source=_COMMON, worse="below"),
    Limit(name="picks.teeth_shown.fail", value=0.035, unit="of eye distance", source=_STUDY, worse="below"),
    Limit(name="picks.row_gap.fail", value=0.012, unit="of eye distance", source=_STUDY),
    Limit(name="picks.grimace.fail", value=0.03, unit="of eye distance", source=_STUDY),
    Limit(name="picks.turned_least_deg.fail", value=8.0, unit="deg", source=_COMMON, worse="below"),
    Limit(name="picks.turned_most_deg.fail", value=35.0, unit="deg", source=_COMMON),
    Limit(name="picks.eye_width_ratio.fail", value=0.5, unit="", source=_COMMON, worse="below"),
)


def pick_gates(limits: Mapping[str, EffectiveLimit]) -> PickGates:
    """Limits in force, as choosing needs them: by the name without its last word."""
    return PickGates(values={limit.quantity: limits[limit.name].value for limit in LIMITS})
