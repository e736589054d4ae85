"""How likely lips that look usual in a clip are apart after all: their seam's darkness against that of other faces."""

from collections.abc import Mapping
from math import exp, log

import numpy as np

from rigcheck.model import Estimate
from rigcheck.model.picking import PoseReading

__all__ = ["apart_chance", "seam_darkness"]

# Mean and standard deviation of the logarithm of `seam_darkness` over eight rendered heads: lips sealed at rest, and 1
# or 2 mm apart (tests/bench/bench_picks.py seams). Between heads it differs by as much as a millimetre of gap does.
_SEALED, _APART = (-3.0, 0.45), (-2.1, 0.55)
_LEAST_DEPTH = 0.02


def seam_darkness(reading: PoseReading) -> float | None:
    """Width of the dark line between the lips, the cameras' mean, over how bright it still is, the darker camera's.

    Parameters
    ----------
    reading : PoseReading
        Its cameras' `seam_width` (outer-eye distances) and `seam_depth` (of the lips' brightness); None without them.
    """
    widths, depths = (_values(reading.values(name)) for name in ("seam_width", "seam_depth"))
    if not widths or not depths:
        return None
    return max(float(np.mean(widths)), 1e-4) / max(min(depths), _LEAST_DEPTH)


def apart_chance(reading: PoseReading) -> Estimate:
    """How likely the lips are a millimetre or more apart, both being as likely beforehand; 0 to 1.

    Parameters
    ----------
    reading : PoseReading

    Notes
    -----
    A shadow under the upper lip and a gap look alike: the answer is seldom sure. It does not use the clip's own usual,
    and so speaks up where a performer's lips are never sealed in the whole clip. Make-up on lips, a beard over the
    seam and light from below are not in it.
    """
    darkness = seam_darkness(reading)
    if darkness is None:
        return Estimate(value=None, reason="the seam of the lips could not be read")
    apart, sealed = (_density(log(darkness), *each) for each in (_APART, _SEALED))
    return Estimate(value=apart / (apart + sealed), n=1)


def _density(value: float, mean: float, sigma: float) -> float:
    return exp(-0.5 * ((value - mean) / sigma) ** 2) / sigma


def _values(estimates: Mapping[str, Estimate]) -> list[float]:
    return [each.value for each in estimates.values() if each.value is not None]
