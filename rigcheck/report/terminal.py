"""A report on the terminal: a short table and one closing line, readable without colour."""

import textwrap
from collections.abc import Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from rigcheck.errors import printable
from rigcheck.model import CalibrationRun, CheckResult, Report
from rigcheck.report.calibration_tables import key_numbers
from rigcheck.report.numbers import format_estimate, keep_numbers_whole
from rigcheck.report.verdict import STATUS_WORDS, actions_first, count_sentence, verdict_sentence

__all__ = ["terminal_table"]

_TITLE_WIDTH = 18
_LIMIT_WIDTH = 22
_GAPS = 6
_MOST_MEASUREMENTS = 12
_PLAIN = str.maketrans(
    {"±": "+/-", "≤": "<=", "≥": ">=", "−": "-", "×": "x", "°": " deg", "–": "-", "\u00a0": " ", "µ": "u"}
)


def terminal_table(
    report: Report,
    run: CalibrationRun | None = None,
    *,
    console: Console,
    numbers: Sequence[tuple[str, str]] | None = None,
) -> None:
    """Print the checks, the key numbers and one closing line.

    Parameters
    ----------
    report : Report
    run : CalibrationRun, optional
        Gives the key numbers; without it they are the report's measurements.
    console : rich.console.Console
        Any width. Checks that were skipped and are not required share one line. Numbers are never wrapped
        or cut: when the table does not fit, each check takes lines of its own.
    numbers : sequence of (name, number), optional
        Key numbers in place of those; text.
    """
    optional = [check.code for check in report.checks if check.status == "skipped" and not check.required]
    rows = [_check_cells(check, console) for check in report.checks if check.code not in optional]
    chosen = _numbers(report, run) if numbers is None else numbers
    shown = [(_clean(name, console), _clean(number, console)) for name, number in chosen]
    if rows:
        _print_rows(rows, console)
        if optional:
            _line(f"Not judged, the report says why: {', '.join(optional)}", console)
        console.print()
    for name, number in shown:
        _line(f"{name}: {number}", console)
    if shown:
        console.print()
    _line(_clean(_closing(report), console), console)


def _check_cells(check: CheckResult, console: Console) -> tuple[str, str, str, str]:
    has_number = check.estimate.value is not None
    number = format_estimate(check.estimate) if has_number else "–"
    limit = keep_numbers_whole(check.limit)
    cells = (STATUS_WORDS[check.status], f"{check.code} {check.title}", number, limit)
    verdict, title, value, limit = (_clean(cell, console) for cell in cells)
    return verdict, title, value, limit


def _print_rows(rows: list[tuple[str, str, str, str]], console: Console) -> None:
    limits = [textwrap.wrap(row[3], _LIMIT_WIDTH, break_long_words=False) for row in rows]
    fixed = [max(len(row[i]) for row in rows) for i in (0, 2)]
    fixed.append(max((len(line) for lines in limits for line in lines), default=0))
    if sum(fixed) + _TITLE_WIDTH + _GAPS > console.width:
        for verdict, title, value, limit in rows:
            _line(f"{verdict}: {title}", console)
            _line(f"  {value}" + (f"   limit {limit}" if limit else ""), console)
        return
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    table.add_column("Verdict", no_wrap=True)
    table.add_column("Check", overflow="fold")
    table.add_column("Measured", no_wrap=True, justify="right")
    table.add_column("Limit", no_wrap=True)
    for (verdict, title, value, _), lines in zip(rows, limits, strict=True):
        table.add_row(*(Text(cell) for cell in (verdict, title, value, "\n".join(lines))))
    console.print(table)


def _numbers(report: Report, run: CalibrationRun | None) -> list[tuple[str, str]]:
    if run is not None:
        return [
            (row.name, f"{row.number}, {row.note}" if row.note else row.number) for row in key_numbers(run)
        ]
    known = [(name, estimate) for name, estimate in report.measurements.items() if estimate.value is not None]
    return [(name, format_estimate(estimate)) for name, estimate in known[:_MOST_MEASUREMENTS]]


def _closing(report: Report) -> str:
    line = f"{STATUS_WORDS[report.verdict]}. {verdict_sentence(report)} {count_sentence(report.checks)}"
    todo = actions_first(report.checks)
    return f"{line} Do first: {todo[0].action}" if todo else line


def _line(text: str, console: Console) -> None:
    console.print(Text(text), soft_wrap=True)


def _clean(text: str, console: Console) -> str:
    """Drop control characters, and what the console's encoding cannot show."""
    shown = printable(text)
    encoding = console.encoding or "utf-8"
    if encoding.lower().replace("-", "").startswith("utf"):
        return shown
    return shown.translate(_PLAIN).encode(encoding, "replace").decode(encoding)
