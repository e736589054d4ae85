"""result.json: what was measured and judged, for programs and for the record."""

from pathlib import Path
from typing import Literal

from rigcheck.model import CheckResult, EffectiveLimit, Estimate, FrameRef, Rejection, Report
from rigcheck.records.document import Document, read_text
from rigcheck.records.headers import RESULT_FORMAT, VERSION, require_kind
from rigcheck.records.json_text import json_object, json_text
from rigcheck.records.provenance import ProvenanceFormat, provenance_format, provenance_value
from rigcheck.records.validation import Format, NonNegative, validated

__all__ = ["ResultFormat", "parse_result", "read_result", "result_text"]

LARGEST_RESULT_BYTES = 64 << 20


class EstimateFormat(Format):
    """A number with its standard uncertainty; null with a reason where there is none."""

    value: float | None
    sigma: NonNegative | None
    unit: str
    n: int
    reason: str = ""


class CheckFormat(Format):
    """One judged number. `required` is false where an open question does not hold up the verdict."""

    code: str
    title: str
    status: Literal["pass", "caution", "fail", "inconclusive", "skipped"]
    value: float | None
    sigma: NonNegative | None
    unit: str
    n: int
    reason: str
    limit: str
    message: str
    action: str
    required: bool


class RejectionFormat(Format):
    """A picture that was left out, and why."""

    camera: str
    frame_idx: int
    origin: str
    time_s: float | None
    timecode: str | None
    code: str
    sentence: str


class LimitFormat(Format):
    """A threshold in force: where its number comes from, and who set it here."""

    name: str
    value: float
    unit: str
    source: str
    origin: str


class ResultFormat(Format):
    """What one command measured and judged."""

    format: Literal["rigcheck-result"]
    version: Literal[1]
    command: str
    verdict: Literal["pass", "caution", "fail", "inconclusive"]
    checks: list[CheckFormat]
    measurements: dict[str, EstimateFormat]
    rejected: list[RejectionFormat]
    limits: list[LimitFormat]
    notes: list[str]
    provenance: ProvenanceFormat


def result_text(report: Report) -> str:
    """Write a report as the text of result.json.

    Parameters
    ----------
    report : Report

    Returns
    -------
    str
        JSON without NaN or Infinity; `read_result` gives the same report back.

    Raises
    ------
    ValueError
        When a number is not finite.
    """
    content = ResultFormat(
        format=RESULT_FORMAT,
        version=VERSION,
        command=report.command,
        verdict=report.verdict,
        checks=[_check_format(check) for check in report.checks],
        measurements={
            name: EstimateFormat.model_validate(_estimate_entries(found))
            for name, found in report.measurements.items()
        },
        rejected=[_rejection_format(rejection) for rejection in report.rejected],
        limits=[LimitFormat(**vars(limit)) for limit in report.limits],
        notes=list(report.notes),
        provenance=provenance_format(report.provenance),
    )
    return json_text(content.model_dump())


def read_result(path: str | Path) -> Report:
    """Read a result.

    Parameters
    ----------
    path : str or Path

    Raises
    ------
    InputError
        When the file cannot be read.
    SchemaError
        When it is not JSON or breaks the format.
    """
    return parse_result(read_text(Path(path), largest_bytes=LARGEST_RESULT_BYTES, what="a result"), str(path))


def parse_result(text: str, origin: str) -> Report:
    """Turn the text of a result.json into a Report; see `read_result`."""
    document = Document(origin=origin, value=json_object(text, origin))
    require_kind(document, "result")
    content = validated(document, ResultFormat)
    for name, found in content.measurements.items():
        if found.value is None and not found.reason:
            raise document.error(
                ("measurements", name), "no value and no reason found", hint="run the command again."
            )
    return Report(
        command=content.command,
        verdict=content.verdict,
        checks=tuple(_check(check) for check in content.checks),
        measurements={name: Estimate(**found.model_dump()) for name, found in content.measurements.items()},
        rejected=tuple(_rejection(rejection) for rejection in content.rejected),
        limits=tuple(EffectiveLimit(**limit.model_dump()) for limit in content.limits),
        provenance=provenance_value(content.provenance),
        notes=tuple(content.notes),
    )


def _estimate_entries(found: Estimate) -> dict[str, object]:
    return {
        "value": None if found.value is None else float(found.value),
        "sigma": None if found.sigma is None else float(found.sigma),
        "unit": found.unit,
        "n": int(found.n),
        "reason": found.reason,
    }


def _check_format(check: CheckResult) -> CheckFormat:
    return CheckFormat.model_validate(
        {
            "code": check.code,
            "title": check.title,
            "status": check.status,
            **_estimate_entries(check.estimate),
            "limit": check.limit,
            "message": check.message,
            "action": check.action,
            "required": check.required,
        }
    )


def _check(content: CheckFormat) -> CheckResult:
    reason = content.reason or ("" if content.value is not None else "no reason was kept")
    return CheckResult(
        code=content.code,
        title=content.title,
        status=content.status,
        estimate=Estimate(
            value=content.value, sigma=content.sigma, unit=content.unit, n=content.n, reason=reason
        ),
        limit=content.limit,
        message=content.message,
        action=content.action,
        required=content.required,
    )


def _rejection_format(rejection: Rejection) -> RejectionFormat:
    ref = rejection.ref
    return RejectionFormat(
        camera=ref.camera,
        frame_idx=int(ref.frame_idx),
        origin=ref.origin,
        time_s=None if ref.time_s is None else float(ref.time_s),
        timecode=ref.timecode,
        code=rejection.code,
        sentence=rejection.sentence,
    )


def _rejection(content: RejectionFormat) -> Rejection:
    ref = FrameRef(
        camera=content.camera,
        frame_idx=content.frame_idx,
        origin=content.origin,
        time_s=content.time_s,
        timecode=content.timecode,
    )
    return Rejection(ref=ref, code=content.code, sentence=content.sentence)
