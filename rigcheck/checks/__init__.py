"""A measured number, a limit, a sentence saying what to do.

Each command's checks are loaded when they are first asked for: the others' rooms cost a command a quarter of a second.
"""

from importlib import import_module
from typing import TYPE_CHECKING

from rigcheck.checks.core import Check, Outcome, run_checks
from rigcheck.checks.limits import LIMITS, Limit, Limits, effective_limits
from rigcheck.checks.verdict import Band, Verdict, exit_code, judge, overall_verdict

if TYPE_CHECKING:
    from rigcheck.checks.audit import CHECKS as AUDIT_CHECKS
    from rigcheck.checks.calibration import CHECKS as CALIBRATION_CHECKS
    from rigcheck.checks.compare import CHECKS as COMPARE_CHECKS
    from rigcheck.checks.day import CHECKS as DAY_CHECKS
    from rigcheck.checks.day import day_exit_code
    from rigcheck.checks.exposure import CHECKS as EXPOSURE_CHECKS
    from rigcheck.checks.focus import CHECKS as FOCUS_CHECKS
    from rigcheck.checks.framing import CHECKS as FRAMING_CHECKS
    from rigcheck.checks.history import CHECKS as HISTORY_CHECKS
    from rigcheck.checks.picks import CHECKS as PICKS_CHECKS
    from rigcheck.checks.table import ALL_CHECKS, check_table
    from rigcheck.checks.verification import CHECKS as VERIFY_CHECKS

__all__ = [
    "ALL_CHECKS",
    "AUDIT_CHECKS",
    "CALIBRATION_CHECKS",
    "COMPARE_CHECKS",
    "DAY_CHECKS",
    "EXPOSURE_CHECKS",
    "FOCUS_CHECKS",
    "FRAMING_CHECKS",
    "HISTORY_CHECKS",
    "LIMITS",
    "PICKS_CHECKS",
    "VERIFY_CHECKS",
    "Band",
    "Check",
    "Limit",
    "Limits",
    "Outcome",
    "Verdict",
    "check_table",
    "day_exit_code",
    "effective_limits",
    "exit_code",
    "judge",
    "overall_verdict",
    "run_checks",
]

_LATER = {
    "ALL_CHECKS": ("table", "ALL_CHECKS"),
    "AUDIT_CHECKS": ("audit", "CHECKS"),
    "CALIBRATION_CHECKS": ("calibration", "CHECKS"),
    "COMPARE_CHECKS": ("compare", "CHECKS"),
    "DAY_CHECKS": ("day", "CHECKS"),
    "EXPOSURE_CHECKS": ("exposure", "CHECKS"),
    "FOCUS_CHECKS": ("focus", "CHECKS"),
    "FRAMING_CHECKS": ("framing", "CHECKS"),
    "HISTORY_CHECKS": ("history", "CHECKS"),
    "PICKS_CHECKS": ("picks", "CHECKS"),
    "VERIFY_CHECKS": ("verification", "CHECKS"),
    "check_table": ("table", "check_table"),
    "day_exit_code": ("day", "day_exit_code"),
}


def __getattr__(name: str) -> object:
    if name not in _LATER:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    module, inside = _LATER[name]
    globals()[name] = found = getattr(import_module(f"{__name__}.{module}"), inside)
    return found
