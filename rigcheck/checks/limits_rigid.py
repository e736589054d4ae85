"""Thresholds of what the solver takes for granted: rigid cameras, whole pictures, pictures of one moment."""

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

LIMITS: tuple[Limit, ...] = (
    Limit(name="picture.wander_px.caution", value=1.0, unit="px", source=_WANDER_SOURCE),
    Limit(name="picture.wander_px.fail", value=2.0, unit="px", source=_WANDER_SOURCE),
    Limit(name="pair.together_ratio.caution", value=2.0, unit="", source=_TOGETHER_SOURCE),
    Limit(name="pair.together_ratio.fail", value=4.0, unit="", source=_TOGETHER_SOURCE),
)
