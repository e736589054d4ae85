"""What one result tells of its rig: small, so that thousands fit into memory."""

import hashlib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import NamedTuple

from rigcheck.model import Estimate, Report

# Of the pair; each camera's come under its own name.
PAIR_QUANTITIES = {
    "stereo.baseline_mm": "mm",
    "stereo.convergence_deg": "deg",
    "stereo.across_deg": "deg",
    "stereo.twist_deg": "deg",
    "stereo.rms_px": "px",
    "stereo.epipolar_rms_px": "px",
}
CAMERA_QUANTITIES = {"focal_x_px": "px", "focus_depth_mm": "mm", "rms_px": "px"}
_HARM = ("harm.depth_mm", "stereo.harm_depth_mm")
_DISTANCE = ("harm.working_distance_mm", "views.working_distance_mm")
COMMANDS = ("calibrate", "verify")
_LONGEST_NAME = 80
# Two, and room for what a damaged or foreign file may hold.
_MOST_CAMERAS = 4
_LARGEST, _LEAST_SIGMA = 1e9, 1e-9
_YEARS = range(2000, 2100)
# In and out points, and which part of a file, as FOOTAGE writes them.
_PART = re.compile(r"[@#][^,]*")
_OUR_FILES = (".yaml", ".yml", ".json")

__all__ = [
    "CAMERA_QUANTITIES",
    "COMMANDS",
    "PAIR_QUANTITIES",
    "Number",
    "RunRecord",
    "clean",
    "read_moment",
    "run_record",
]


class Number(NamedTuple):
    """A value and its sigma, None where there is none or it is none of a measurement."""

    value: float
    sigma: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class RunRecord:
    """One result, reduced to what a history needs.

    `moment` is in UTC; `offset_min` is what the result's own clock added to it, None where it named no zone.
    `rig` is None where the result does not name one. `calibration_created` is that of the calibration a
    verification used. `key` is the same for copies of one result, `footage` for results of the same clips.
    """

    path: str
    command: str
    created: str
    moment: datetime
    offset_min: int | None
    rig: str | None
    label: str
    calibration_created: str | None
    verdict: str
    failed: tuple[str, ...]
    cameras: tuple[str, ...]
    numbers: dict[str, Number]
    harm_mm: Number | None
    distance_mm: float | None
    key: bytes
    footage: bytes | None


def run_record(report: Report, path: str) -> RunRecord | None:
    """Reduce a report; None for a command that tells nothing of a rig over time.

    Parameters
    ----------
    report : Report
    path : str
        Where it was read from.

    Raises
    ------
    ValueError
        When the time of the result cannot be read.
    """
    if report.command not in COMMANDS:
        return None
    moment, offset_min = read_moment(report.provenance.created)
    options, found = report.provenance.options, report.measurements
    cameras = tuple(name.removesuffix(".rms_px") for name in found if name.endswith(".rms_px"))
    cameras = tuple(name for name in cameras if name != "stereo")[:_MOST_CAMERAS]
    wanted = [*PAIR_QUANTITIES, *(f"{camera}.{name}" for camera in cameras for name in CAMERA_QUANTITIES)]
    distance = _first(found.get(name) for name in _DISTANCE)
    numbers = {clean(name): number for name in wanted if (number := _number(found.get(name))) is not None}
    return RunRecord(
        path=clean(path),
        command=report.command,
        created=report.provenance.created,
        moment=moment,
        offset_min=offset_min,
        rig=_text(options.get("rig")),
        label=_text(options.get("label")) or "",
        calibration_created=_text(options.get("calibration_created")),
        verdict=report.verdict,
        failed=tuple(clean(check.code) for check in report.checks if check.status == "fail"),
        cameras=tuple(clean(name) for name in cameras),
        numbers=numbers,
        harm_mm=_first(found.get(name) for name in _HARM),
        distance_mm=None if distance is None else distance.value,
        key=_key(report, numbers),
        footage=_footage(report),
    )


def _key(report: Report, numbers: dict[str, Number]) -> bytes:
    """Tell copies of one result from other results, however the file is laid out."""
    inputs = sorted(report.provenance.inputs_sha256.values())
    said = (report.command, report.provenance.created, inputs, sorted(numbers.items()), report.verdict)
    label = report.provenance.options.get("label")
    return hashlib.sha256(repr((said, label)).encode("utf-8", "backslashreplace")).digest()


def clean(text: str) -> str:
    """Text that UTF-8 can hold, whatever a file or a file's name held."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def read_moment(text: str) -> tuple[datetime, int | None]:
    """Read a time of a result: in UTC, and the minutes its own clock adds, None where it names no zone.

    Raises
    ------
    ValueError
        When it is no time, or none of this century.
    """
    moment = datetime.fromisoformat(text)
    if moment.year not in _YEARS:
        raise ValueError(f"{text}: not a time at which rigs are measured")
    offset = moment.utcoffset()
    if offset is None:
        return moment.replace(tzinfo=UTC), None
    return moment.astimezone(UTC), round(offset.total_seconds() / 60)


def _footage(report: Report) -> bytes | None:
    """Tell verifications of the same part of the same footage; None where its hashes were not kept."""
    inputs = report.provenance.inputs_sha256.items()
    hashes = sorted(digest for path, digest in inputs if not path.lower().endswith(_OUR_FILES))
    options = report.provenance.options
    parts = [_PART.findall(str(options.get(name))) for name in ("footage1", "footage2")]
    said = repr((hashes, parts, options.get("offset_frames")))
    return hashlib.sha256(said.encode("utf-8", "backslashreplace")).digest() if hashes else None


def _number(estimate: Estimate | None) -> Number | None:
    """Take a number as it is measured; what a damaged file may hold would ruin sums and drawings."""
    if estimate is None or estimate.value is None or abs(estimate.value) > _LARGEST:
        return None
    sigma = estimate.sigma
    return Number(estimate.value, sigma if sigma is not None and _LEAST_SIGMA < sigma < _LARGEST else None)


def _first(estimates: Iterable[Estimate | None]) -> Number | None:
    return next((number for one in estimates if (number := _number(one)) is not None), None)


def _text(value: object) -> str | None:
    """A short name; what is no text is none."""
    if not isinstance(value, str) or not value.strip():
        return None
    text = clean(value.strip())
    return text if len(text) <= _LONGEST_NAME else text[:_LONGEST_NAME] + "…"
