"""Performer records: read strictly, and written with what a fitting adds."""

from datetime import datetime
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from rigcheck.model import ApprovedFitting, Knock, PerformerLooks, PerformerRecord, Worn
from rigcheck.records.document import Document
from rigcheck.records.headers import PERFORMER_FORMAT, VERSION, require_kind
from rigcheck.records.validation import Format, NonNegative, validated
from rigcheck.records.yaml_reading import read_yaml
from rigcheck.records.yaml_writing import yaml_text

__all__ = ["PerformerFormat", "performer_text", "read_performer"]

_CodeName = Annotated[str, StringConstraints(pattern=r"^\w[\w -]{0,39}$")]
_Line = Annotated[str, Field(max_length=400)]
_HEADING = (
    "A performer, by code name only. Personal: keep it with the show's protected material. A calibration of a face "
    "belongs to one performer as they looked that day."
)


class LooksFormat(Format):
    """How the performer looks; what is left out or null is asked for."""

    glasses: bool | None = None
    accessories: bool | None = None
    heavy_make_up: bool | None = None
    hair_over_brows: bool | None = None
    facial_hair: bool | None = None
    make_up_note: _Line = ""
    hair_note: _Line = ""


class WornFormat(Format):
    """When the helmet went on, and off; ISO 8601 with offset."""

    on: str
    off: str | None = None


class KnockFormat(Format):
    """When something was knocked, and what happened."""

    when: str
    note: _Line = ""


class ApprovedFormat(Format):
    """The approved fitting: when, its result.json's SHA-256, how the performer looked."""

    when: str
    result_sha256: Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
    looks: LooksFormat = LooksFormat()


class PerformerFormat(Format):
    """A performer record. Everything but the code name may be left out."""

    format: Literal["rigcheck-performer"]
    version: Literal[1]
    code_name: _CodeName
    helmet: _Line = ""
    pads: _Line = ""
    boom_mark: _Line = ""
    lens_marks: _Line = ""
    head_borne_kg: Annotated[float, Field(gt=0, le=5)] | None = None
    overhang_mm: Annotated[NonNegative, Field(le=600)] | None = None
    rig: _Line = ""
    calibration: _Line = ""
    looks: LooksFormat = LooksFormat()
    worn: list[WornFormat] = Field(default_factory=list)
    knocks: list[KnockFormat] = Field(default_factory=list)
    notes: list[_Line] = Field(default_factory=list)
    approved: ApprovedFormat | None = None


def read_performer(path: str | Path) -> PerformerRecord:
    """Read a performer record.

    Parameters
    ----------
    path : str or Path

    Raises
    ------
    InputError
        When the file cannot be read.
    SchemaError
        When its content breaks the format, a time is no ISO 8601 with its offset, or the helmet went off before it
        went on.
    """
    document = read_yaml(Path(path), "a performer record")
    require_kind(document, "performer")
    content = validated(document, PerformerFormat)
    _check_times(document, content)
    return PerformerRecord(
        code_name=content.code_name,
        helmet=content.helmet,
        pads=content.pads,
        boom_mark=content.boom_mark,
        lens_marks=content.lens_marks,
        head_borne_kg=content.head_borne_kg,
        overhang_mm=content.overhang_mm,
        rig=content.rig,
        calibration=content.calibration,
        looks=PerformerLooks(**content.looks.model_dump()),
        worn=tuple(Worn(on=each.on, off=each.off) for each in content.worn),
        knocks=tuple(Knock(when=each.when, note=each.note) for each in content.knocks),
        notes=tuple(content.notes),
        approved=None if content.approved is None else _approved(content.approved),
    )


def performer_text(record: PerformerRecord) -> str:
    """Write a performer record as YAML; `read_performer` gives the same record back.

    Raises
    ------
    ValueError
        When a value breaks the format.
    """
    approved = record.approved
    content = PerformerFormat(
        format=PERFORMER_FORMAT,
        version=VERSION,
        code_name=record.code_name,
        helmet=record.helmet,
        pads=record.pads,
        boom_mark=record.boom_mark,
        lens_marks=record.lens_marks,
        head_borne_kg=record.head_borne_kg,
        overhang_mm=record.overhang_mm,
        rig=record.rig,
        calibration=record.calibration,
        looks=LooksFormat(**vars(record.looks)),
        worn=[WornFormat(on=each.on, off=each.off) for each in record.worn],
        knocks=[KnockFormat(when=each.when, note=each.note) for each in record.knocks],
        notes=list(record.notes),
        approved=None
        if approved is None
        else ApprovedFormat(
            when=approved.when,
            result_sha256=approved.result_sha256,
            looks=LooksFormat(**vars(approved.looks)),
        ),
    )
    return yaml_text(content.model_dump(), heading=_HEADING)


def _approved(content: ApprovedFormat) -> ApprovedFitting:
    return ApprovedFitting(
        when=content.when,
        result_sha256=content.result_sha256,
        looks=PerformerLooks(**content.looks.model_dump()),
    )


def _check_times(document: Document, content: PerformerFormat) -> None:
    for k, worn in enumerate(content.worn):
        on = _time(document, ("worn", k, "on"), worn.on)
        if worn.off is not None and _time(document, ("worn", k, "off"), worn.off) < on:
            raise document.error(
                ("worn", k, "off"), "the helmet went off before it went on", hint="correct one of the times."
            )
    for k, knock in enumerate(content.knocks):
        _time(document, ("knocks", k, "when"), knock.when)
    if content.approved is not None:
        _time(document, ("approved", "when"), content.approved.when)


def _time(document: Document, place: tuple[str | int, ...], text: str) -> datetime:
    try:
        time = datetime.fromisoformat(text)
    except ValueError:
        time = None
    if time is None or time.tzinfo is None:
        raise document.error(
            place,
            f"{text[:40]!r} found, a time such as 2026-03-02T09:15:00+01:00 needed",
            hint="write date, time and the offset from UTC (ISO 8601).",
        )
    return time
