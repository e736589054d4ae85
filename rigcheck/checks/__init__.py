"""A measured number, a limit, a sentence saying what to do."""

from rigcheck.checks.limits import LIMITS, Limit, Limits, effective_limits
from rigcheck.checks.verdict import Band, Verdict, exit_code, judge, overall_verdict

__all__ = [
    "LIMITS",
    "Band",
    "Limit",
    "Limits",
    "Verdict",
    "effective_limits",
    "exit_code",
    "judge",
    "overall_verdict",
]
