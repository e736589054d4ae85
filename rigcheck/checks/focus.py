"""The checks of focus on the face, in the order of the report."""

from rigcheck.checks import focus_depth, focus_detail
from rigcheck.checks.core import Check
from rigcheck.face.focus_run import FocusRun

__all__ = ["CHECKS"]

CHECKS: tuple[Check[FocusRun], ...] = (*focus_detail.CHECKS, *focus_depth.CHECKS)
