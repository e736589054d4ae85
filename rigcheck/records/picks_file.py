"""picks.json: the frames chosen for the digital face, for the next department's programs."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, StringConstraints

from rigcheck.model import Provenance
from rigcheck.model.picking import Pick, PickPose
from rigcheck.records.document import Document, read_text
from rigcheck.records.headers import PICKS_FORMAT, VERSION, require_kind
from rigcheck.records.json_text import json_object, json_text
from rigcheck.records.paths import inside
from rigcheck.records.provenance import ProvenanceFormat, provenance_format
from rigcheck.records.validation import CameraName, Format, validated

__all__ = ["PicksFormat", "picks_text", "read_picks"]

_LARGEST_BYTES = 16 << 20
_Share = Annotated[float, Field(ge=0, le=1)]
_Index = Annotated[int, Field(ge=0)]
_File = Annotated[str, StringConstraints(min_length=1, max_length=400), AfterValidator(inside)]


class _ReasonFormat(Format):
    code: Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,39}$")]
    sentence: Annotated[str, Field(max_length=400)]
    score: _Share
    weight: Annotated[float, Field(gt=0)]


class _PickFormat(Format):
    """One moment: `frames` are the pictures by camera; `files` those written of them, from picks.json's folder."""

    pose: Literal["neutral", "bite", "side"]
    rank: Annotated[int, Field(ge=1)]
    frame_idx: _Index
    frames: dict[CameraName, _Index]
    timecode: str | None
    time_s: float | None
    score: _Share
    reasons: list[_ReasonFormat]
    files: list[_File]


class PicksFormat(Format):
    """Frames chosen for the digital face, best first in each pose, and alternates from other moments."""

    format: Literal["rigcheck-picks"]
    version: Literal[1]
    provenance: ProvenanceFormat
    wanted: dict[Literal["neutral", "bite", "side"], Annotated[int, Field(ge=0)]]
    picks: list[_PickFormat]
    alternates: list[_PickFormat]
    missing: dict[Literal["neutral", "bite", "side"], list[str]]


def picks_text(
    picks: Sequence[tuple[int, Pick, Sequence[str]]],
    alternates: Sequence[tuple[int, Pick]],
    *,
    wanted: Mapping[PickPose, int],
    missing: Mapping[PickPose, Sequence[str]],
    provenance: Provenance,
) -> str:
    """Write the picks.

    Parameters
    ----------
    picks : sequence of (rank, Pick, files)
        Files as they stand beside picks.json, with ``/``.
    alternates : sequence of (rank, Pick)
    wanted : mapping
        How many of each pose were asked for.
    missing : mapping
        Codes of what keeps the clip from a pose, for poses without a pick.
    provenance : Provenance
    """
    content = PicksFormat(
        format=PICKS_FORMAT,
        version=VERSION,
        provenance=provenance_format(provenance),
        wanted=dict(wanted),
        picks=[_entry(rank, pick, files) for rank, pick, files in picks],
        alternates=[_entry(rank, pick, ()) for rank, pick in alternates],
        missing={pose: list(codes) for pose, codes in missing.items()},
    )
    return json_text(content.model_dump())


def read_picks(path: str | Path) -> PicksFormat:
    """Read picks.json.

    Raises
    ------
    InputError
        When the file cannot be read.
    SchemaError
        When it breaks the format, or names files outside its folder.
    """
    text = read_text(Path(path), largest_bytes=_LARGEST_BYTES, what="a list of picks")
    document = Document(origin=str(path), value=json_object(text, str(path)))
    require_kind(document, "picks")
    return validated(document, PicksFormat)


def _entry(rank: int, pick: Pick, files: Sequence[str]) -> _PickFormat:
    return _PickFormat(
        pose=pick.pose,
        rank=rank,
        frame_idx=pick.frame_idx,
        frames={ref.camera: ref.frame_idx for ref in pick.reading.refs},
        timecode=pick.timecode,
        time_s=pick.reading.time_s,
        score=min(max(pick.score, 0.0), 1.0),
        reasons=[
            _ReasonFormat(
                code=reason.code,
                sentence=reason.sentence,
                score=min(max(reason.score, 0.0), 1.0),
                weight=reason.weight,
            )
            for reason in pick.reasons
        ],
        files=list(files),
    )
