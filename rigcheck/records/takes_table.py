"""The table that assigns each take a calibration, as CSV and JSON."""

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Final, Literal

from pydantic import Field, StringConstraints

from rigcheck.model import Estimate, Status
from rigcheck.model.auditing import Use
from rigcheck.records.json_text import json_text
from rigcheck.records.validation import Format, NonNegative

__all__ = ["TAKES_TABLE_FORMAT", "TableRow", "TakesTableFormat", "takes_csv", "takes_json"]

TAKES_TABLE_FORMAT: Final = "rigcheck-takes"
_Sha256 = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]


class _NumberFormat(Format):
    value: float | None
    sigma: NonNegative | None
    reason: str


class _RowFormat(Format):
    take: str
    recorded: str | None
    performer: str | None
    verdict: Status
    use: Use
    share_start_to_end: float | None
    left_depth_mm: _NumberFormat
    start_depth_mm: _NumberFormat
    because: str
    fault: str


class TakesTableFormat(Format):
    """Which calibration each take should use: `use`, and between both calibrations how far along it lies."""

    format: Literal["rigcheck-takes"]
    version: Literal[1]
    created: str
    calibration_sha256: dict[Literal["start", "end"], _Sha256 | None]
    takes: Annotated[list[_RowFormat], Field(min_length=1)]


@dataclass(frozen=True, kw_only=True)
class TableRow:
    """One take: which calibration it should use and why.

    `share` is how far it lies from the calibration at the start (0) to that at the end (1), where it lies between;
    `left_mm` the depth error on the face that remains with what is used, `start_mm` with the start calibration.
    """

    take: str
    recorded: str | None
    performer: str | None
    status: Status
    use: Use
    share: float | None
    left_mm: Estimate
    start_mm: Estimate
    because: str
    fault: str


def takes_csv(rows: Sequence[TableRow]) -> str:
    """Write the table as CSV (RFC 4180 but for the line ends): a header, then a line a take.

    Notes
    -----
    A text that a spreadsheet would take for a formula gets an apostrophe before it.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(
        [
            "take",
            "recorded",
            "performer",
            "verdict",
            "use",
            "share_start_to_end",
            "left_depth_mm",
            "left_sigma_mm",
            "start_depth_mm",
            "start_sigma_mm",
            "because",
            "fault",
        ]
    )
    for row in rows:
        writer.writerow(
            [
                _plain(row.take),
                row.recorded or "",
                _plain(row.performer or ""),
                row.status,
                row.use,
                _digits(row.share),
                _digits(row.left_mm.value),
                _digits(row.left_mm.sigma),
                _digits(row.start_mm.value),
                _digits(row.start_mm.sigma),
                _plain(row.because),
                _plain(row.fault),
            ]
        )
    return out.getvalue()


def takes_json(rows: Sequence[TableRow], *, created: str, calibrations: dict[str, str | None]) -> str:
    """Write the table as JSON.

    Parameters
    ----------
    rows : sequence of TableRow
    created : str
    calibrations : dict
        SHA-256 of the calibration file at the "start" and at the "end".
    """
    content = TakesTableFormat.model_validate(
        {
            "format": TAKES_TABLE_FORMAT,
            "version": 1,
            "created": created,
            "calibration_sha256": calibrations,
            "takes": [
                {
                    "take": row.take,
                    "recorded": row.recorded,
                    "performer": row.performer,
                    "verdict": row.status,
                    "use": row.use,
                    "share_start_to_end": None if row.share is None else float(row.share),
                    "left_depth_mm": _number(row.left_mm),
                    "start_depth_mm": _number(row.start_mm),
                    "because": row.because,
                    "fault": row.fault,
                }
                for row in rows
            ],
        }
    )
    return json_text(content.model_dump())


def _number(number: Estimate) -> dict[str, object]:
    return {
        "value": None if number.value is None else float(number.value),
        "sigma": None if number.sigma is None else float(number.sigma),
        "reason": number.reason,
    }


def _digits(value: float | None) -> str:
    return "" if value is None else f"{value:.4f}"


def _plain(text: str) -> str:
    return f"'{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text
