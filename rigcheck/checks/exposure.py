"""The checks of how the skin is exposed, in the order of the report."""

from rigcheck.checks import exposure_ends, exposure_even
from rigcheck.checks.core import Check
from rigcheck.face.exposure_run import ExposureRun

__all__ = ["CHECKS"]

CHECKS: tuple[Check[ExposureRun], ...] = (*exposure_ends.CHECKS, *exposure_even.CHECKS)
