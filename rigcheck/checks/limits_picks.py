"""Limits of `picks`: what a check says of the frames found. How far a moment may be off is in `limits_pick_gates`."""

from rigcheck.checks.limit import COMMON as _COMMON
from rigcheck.checks.limit import Limit

__all__ = ["LIMITS"]

_SCORE = "Half of the way between a moment at rest and one at its limits; " + _COMMON
_INCISOR = (
    "A tooth correction of less than a millimetre is not seen later; half the spread of overbites, 2.9 mm on average "
    "(Brunelle et al., J Dent Res 1996), would be; " + _COMMON
)

_LOOKS = (
    "A second of looks ten times a second: a blink takes up to 0.4 s, and what is usual must be commoner than it; "
    + _COMMON
)
_SEAM = (
    "Four to one; no sealed lips of eight rendered heads lie beyond it, lips 2 mm apart on five of them "
    "(tests/bench/bench_picks.py seams); " + _COMMON
)

LIMITS: tuple[Limit, ...] = (
    Limit(name="picks.score.caution", value=0.5, unit="", source=_SCORE, worse="below"),
    Limit(name="picks.looks.caution", value=12, unit="", source=_LOOKS, worse="below"),
    Limit(name="picks.incisor_sigma_mm.caution", value=1.0, unit="mm", source=_INCISOR),
    Limit(name="picks.lips_apart_chance.caution", value=0.8, unit="", source=_SEAM),
)
