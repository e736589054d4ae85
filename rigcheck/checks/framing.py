"""The checks of how a face sits in the frame, in the order of the report."""

from rigcheck.checks import framing_place, framing_same, framing_seen
from rigcheck.checks.core import Check
from rigcheck.face.fitting_run import FittingRun

__all__ = ["CHECKS"]

CHECKS: tuple[Check[FittingRun], ...] = (*framing_place.CHECKS, *framing_seen.CHECKS, *framing_same.CHECKS)
