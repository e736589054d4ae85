"""A history as a table for spreadsheets and programs: one row a result."""

import csv
import io
from collections import Counter
from collections.abc import Sequence

from rigcheck.drift.history import History
from rigcheck.drift.run_record import RunRecord

_FIXED = (
    "rig",
    "label",
    "command",
    "created",
    "utc",
    "verdict",
    "failed_checks",
    "calibration_created",
    "file",
    "harm_mm",
    "harm_sigma_mm",
)
# Of the most frequent names; more come only from files that were made up.
_MOST_QUANTITIES = 100
# A cell that starts with one of these is run as a formula by some spreadsheets.
_ACTIVE = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")

__all__ = ["history_csv"]


def history_csv(history: History) -> str:
    """Write all results, in order of rig and time, as comma-separated values.

    Returns
    -------
    str
        Lines end with CR LF. Each number has a column of its own and one for its sigma, empty where there is none;
        decimal points, no thousands signs. Text that a spreadsheet would run as a formula has an apostrophe before
        it.

    References
    ----------
    RFC 4180, Common Format and MIME Type for Comma-Separated Values (CSV) Files, 2005.
    """
    counts = Counter(name for rig in history.rigs for one in rig.records for name in one.numbers)
    quantities = [name for name, _ in counts.most_common(_MOST_QUANTITIES)]
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow([*_FIXED, *(_text(column) for name in quantities for column in (name, f"{name}.sigma"))])
    for rig in history.rigs:
        for one in rig.records:
            writer.writerow(_row(rig.name, one, quantities))
    return buffer.getvalue()


def _row(rig: str, one: RunRecord, quantities: Sequence[str]) -> list[str]:
    row = [
        _text(rig),
        _text(one.label),
        _text(one.command),
        _text(one.created),
        one.moment.strftime("%Y-%m-%dT%H:%M:%SZ"),
        _text(one.verdict),
        _text(" ".join(one.failed)),
        _text(one.calibration_created or ""),
        _text(one.path),
        _number(None if one.harm_mm is None else one.harm_mm.value),
        _number(None if one.harm_mm is None else one.harm_mm.sigma),
    ]
    for name in quantities:
        number = one.numbers.get(name)
        row += [
            _number(None if number is None else number.value),
            _number(None if number is None else number.sigma),
        ]
    return row


def _number(value: float | None) -> str:
    return "" if value is None else repr(float(value))


def _text(text: str) -> str:
    """Make text that no spreadsheet runs: control characters out, an apostrophe before what looks active."""
    plain = "".join(character if character.isprintable() else " " for character in text)
    plain = plain.encode("utf-8", "replace").decode("utf-8")
    return f"'{plain}" if text.startswith(_ACTIVE) or plain.lstrip().startswith(_ACTIVE) else plain
