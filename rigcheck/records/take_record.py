"""What was measured in one take, as a small JSON file: an audit that was interrupted goes on from them."""

import base64
from collections.abc import Mapping
from typing import Annotated, Literal

import numpy as np
from pydantic import Field, ValidationError

from rigcheck.errors import SchemaError
from rigcheck.model import Estimate
from rigcheck.model._arrays import FloatArray
from rigcheck.model.auditing import TakeGeometry
from rigcheck.model.result import Status
from rigcheck.model.take import BoardInTake, Take, TakeRecord
from rigcheck.records.json_text import json_object, json_text
from rigcheck.records.validation import Format

__all__ = ["TAKE_RECORD_FORMAT", "parse_take_record", "take_record_text"]

TAKE_RECORD_FORMAT = "rigcheck-take-record"
_Rows = list[list[float]]
_Cells = dict[str, list[list[float | None]]]


class EstimateFormat(Format):
    """One number."""

    value: float | None
    sigma: float | None = None
    unit: str = ""
    n: int = 0
    reason: str = ""


class GeometryFormat(Format):
    """The pair's pose in a take."""

    change: list[float]
    white: _Rows
    smooth: _Rows
    by_calibration: _Rows
    across_per_mm: float
    depth_by_change: _Rows
    measurements: dict[str, EstimateFormat]
    n_matches: int
    n_moments: int
    smooth_px: float


class BoardFormat(Format):
    """A board held up."""

    seen: int
    status: Status | None = None
    message: str = ""
    reason: str = ""


class TakeRecordFormat(Format):
    """One take."""

    format: Literal["rigcheck-take-record"]
    version: Literal[1]
    name: str
    footage: list[str]
    recorded: str | None
    performer: str | None
    cameras: list[str]
    fault: str
    hint: str
    measurements: dict[str, EstimateFormat]
    geometry: GeometryFormat | None
    geometry_reason: str
    contrast: _Cells
    apart: _Cells
    settings: dict[str, str]
    timecodes: dict[str, str]
    findings: list[str]
    board: BoardFormat | None
    picture: Annotated[str, Field(max_length=4 << 20)]


def take_record_text(record: TakeRecord) -> str:
    """Write a record as JSON."""
    take, geometry = record.take, record.geometry
    return json_text(
        {
            "format": TAKE_RECORD_FORMAT,
            "version": 1,
            "name": take.name,
            "footage": list(take.footage),
            "recorded": take.recorded,
            "performer": take.performer,
            "cameras": list(record.cameras),
            "fault": record.fault,
            "hint": record.hint,
            "measurements": _numbers(record.measurements),
            "geometry": None if geometry is None else _geometry(geometry),
            "geometry_reason": record.geometry_reason,
            "contrast": _cells(record.contrast),
            "apart": _cells(record.apart),
            "settings": dict(record.settings),
            "timecodes": dict(record.timecodes),
            "findings": list(record.findings),
            "board": None if record.board is None else dict(vars(record.board)),
            "picture": base64.b64encode(record.picture).decode("ascii"),
        }
    )


def parse_take_record(text: str, origin: str) -> TakeRecord:
    """Read a record.

    Raises
    ------
    SchemaError
        When it is not one.
    """
    try:
        content = TakeRecordFormat.model_validate(json_object(text, origin))
        return TakeRecord(
            take=Take(
                name=content.name,
                footage=tuple(content.footage),
                recorded=content.recorded,
                performer=content.performer,
            ),
            cameras=tuple(content.cameras),
            fault=content.fault,
            hint=content.hint,
            measurements=_estimates(content.measurements),
            geometry=None if content.geometry is None else _taken(content.name, content.geometry),
            geometry_reason=content.geometry_reason,
            contrast=_arrays(content.contrast),
            apart=_arrays(content.apart),
            settings=content.settings,
            timecodes=content.timecodes,
            findings=tuple(content.findings),
            board=None if content.board is None else BoardInTake(**content.board.model_dump()),
            picture=base64.b64decode(content.picture, validate=True),
        )
    except (ValidationError, ValueError) as error:
        if isinstance(error, SchemaError):
            raise
        raise SchemaError(
            f"{origin}: this is no whole record of a take.",
            hint="remove it; the take is then measured again.",
        ) from error


def _cells(found: Mapping[str, FloatArray]) -> _Cells:
    return {
        camera: [[float(each) if np.isfinite(each) else None for each in row] for row in cells]
        for camera, cells in found.items()
    }


def _arrays(found: _Cells) -> dict[str, FloatArray]:
    return {
        camera: np.array([[np.nan if each is None else each for each in row] for row in cells])
        for camera, cells in found.items()
    }


def _numbers(found: Mapping[str, Estimate]) -> dict[str, object]:
    return {name: dict(vars(each)) for name, each in found.items()}


def _estimates(found: dict[str, EstimateFormat]) -> dict[str, Estimate]:
    return {name: Estimate(**each.model_dump()) for name, each in found.items()}


def _geometry(geometry: TakeGeometry) -> dict[str, object]:
    return {
        "change": geometry.change.tolist(),
        "white": geometry.white.tolist(),
        "smooth": geometry.smooth.tolist(),
        "by_calibration": geometry.by_calibration.tolist(),
        "across_per_mm": geometry.across_per_mm,
        "depth_by_change": geometry.depth_by_change.tolist(),
        "measurements": _numbers(geometry.measurements),
        "n_matches": geometry.n_matches,
        "n_moments": geometry.n_moments,
        "smooth_px": geometry.smooth_px,
    }


def _taken(name: str, content: GeometryFormat) -> TakeGeometry:
    return TakeGeometry(
        name=name,
        change=np.array(content.change),
        white=np.array(content.white),
        smooth=np.array(content.smooth),
        by_calibration=np.array(content.by_calibration),
        across_per_mm=content.across_per_mm,
        depth_by_change=np.array(content.depth_by_change),
        measurements=_estimates(content.measurements),
        n_matches=content.n_matches,
        n_moments=content.n_moments,
        smooth_px=content.smooth_px,
    )
