"""Thresholds of what the solver takes for granted: rigid cameras, whole pictures, one moment, right sizes."""

from rigcheck.checks.limit import COMMON as _COMMON
from rigcheck.checks.limit import Limit

__all__ = ["LIMITS"]

_WANDER_SOURCE = (
    "A picture shifted by δ px moves a point by Z²·δ/(f·B) in depth: 1 px is 0.39 mm and 2 px 0.78 mm at Z "
    "200 mm, f 1420 px, B 72 mm; simulated (12 views, noise 0.05 px) 2 px is seen at 4 sigma; " + _COMMON
)
_TOGETHER_SOURCE = (
    "Simulated (14 pairs, noise 0.05 px): 1.0 for right pairs, 1.5 with corner errors of 0.1 px smooth over each "
    "view, 4 with pictures that wander 0.5 px, 600 and more paired a picture wrongly"
)

_FIELDS_SOURCE = (
    "Rendered: whole pictures give 0.001 px, lines shifted by 0.1, 0.3 and 1 px give 0.11, 0.33 and 1.0; corners are "
    "off by half of that; " + _COMMON
)
_SIZE_SOURCE = (
    "Head rigs are turned in to meet at the face (common practice); one camera's board is filmed at 0.7 to 1.4 of the "
    "working distance. Slips give 1.33 (marker for square), 10 (centimetres) and 25.4 (inches): the first is not seen"
)

LIMITS: tuple[Limit, ...] = (
    Limit(name="picture.wander_px.caution", value=1.0, unit="px", source=_WANDER_SOURCE),
    Limit(name="picture.wander_px.fail", value=2.0, unit="px", source=_WANDER_SOURCE),
    Limit(name="pair.together_ratio.caution", value=2.0, unit="", source=_TOGETHER_SOURCE),
    Limit(name="pair.together_ratio.fail", value=4.0, unit="", source=_TOGETHER_SOURCE),
    Limit(name="recording.fields_apart_px.caution", value=0.1, unit="px", source=_FIELDS_SOURCE),
    Limit(name="recording.fields_apart_px.fail", value=0.5, unit="px", source=_FIELDS_SOURCE),
    Limit(
        name="pixels.not_square.caution",
        value=0.02,
        unit="",
        source="Prints come out stretched one way by up to 1 % (common practice, no source); the least of the usual "
        "non-square pixels, 16:15 of ITU-R BT.601 (from memory), are 6.7 % out of square",
    ),
    Limit(
        name="prior.baseline_turned_deg.fail",
        value=60.0,
        unit="deg",
        source="Clips swapped turn the baseline by 180 degrees less the convergence (geometry), 159 for 21; what slips "
        "on a rig turns it by a few degrees; " + _COMMON,
    ),
    Limit(name="board.size_factor.caution", value=1.6, unit="", source=_SIZE_SOURCE),
    Limit(name="board.size_factor.fail", value=4.0, unit="", source=_SIZE_SOURCE),
)
