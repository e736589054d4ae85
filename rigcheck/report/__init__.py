"""A report for people: terminal, and one self-contained HTML page."""

from rigcheck.report.calibration_page import calibration_page
from rigcheck.report.numbers import format_estimate, format_number, format_value
from rigcheck.report.progress import OnProgress, ProgressSink, SilentProgress, progress
from rigcheck.report.terminal import terminal_table
from rigcheck.report.verdict import STATUS_WORDS

__all__ = [
    "STATUS_WORDS",
    "OnProgress",
    "ProgressSink",
    "SilentProgress",
    "calibration_page",
    "format_estimate",
    "format_number",
    "format_value",
    "progress",
    "terminal_table",
]
