"""The table of all checks for the README."""

from collections.abc import Sequence
from typing import Any

from rigcheck.checks.audit import CHECKS as AUDIT_CHECKS
from rigcheck.checks.calibration import CHECKS as CALIBRATION_CHECKS
from rigcheck.checks.compare import CHECKS as COMPARE_CHECKS
from rigcheck.checks.core import Check
from rigcheck.checks.day import CHECKS as DAY_CHECKS
from rigcheck.checks.exposure import CHECKS as EXPOSURE_CHECKS
from rigcheck.checks.focus import CHECKS as FOCUS_CHECKS
from rigcheck.checks.framing import CHECKS as FRAMING_CHECKS
from rigcheck.checks.history import CHECKS as HISTORY_CHECKS
from rigcheck.checks.limits import Limits, effective_limits
from rigcheck.checks.picks import CHECKS as PICKS_CHECKS
from rigcheck.checks.verification import CHECKS as VERIFY_CHECKS

__all__ = ["ALL_CHECKS", "check_table"]

ALL_CHECKS: tuple[Check[Any], ...] = (
    *CALIBRATION_CHECKS,
    *COMPARE_CHECKS,
    *DAY_CHECKS,
    *HISTORY_CHECKS,
    *VERIFY_CHECKS,
    *AUDIT_CHECKS,
    *FRAMING_CHECKS,
    *EXPOSURE_CHECKS,
    *FOCUS_CHECKS,
    *PICKS_CHECKS,
)


def check_table(checks: Sequence[Check[Any]] = ALL_CHECKS) -> str:
    """Write checks as a Markdown table: code, title, meaning, default limit, remedy.

    Returns
    -------
    str
        Ends with a newline.
    """
    limits = Limits(effective_limits())
    rows = [
        f"| {' | '.join((check.code, check.title, check.meaning, _limit(check, limits), check.remedy))} |"
        for check in checks
    ]
    return (
        "\n".join(["| Code | Check | What it says | Good | What to do |", "|---|---|---|---|---|", *rows])
        + "\n"
    )


def _limit(check: Check[Any], limits: Limits) -> str:
    return limits.band(check.limit).text if check.limit else "–"
