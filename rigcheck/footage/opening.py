"""Opening footage: everything is checked at once that can be checked without decoding it all."""

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Literal

from rigcheck.errors import InputError
from rigcheck.footage.clip import Clip, ClipPart, Half, timecode_at
from rigcheck.footage.headers import PICTURE_SUFFIXES
from rigcheck.footage.matching import spans
from rigcheck.footage.pictures import PictureSource, open_pictures, pictures_in
from rigcheck.footage.points import window
from rigcheck.footage.probing import open_video
from rigcheck.footage.request import FootagePart, FootageRequest, exists, parse_footage
from rigcheck.footage.timing import review_timing
from rigcheck.footage.video import VideoSource
from rigcheck.model import ClipInfo, Finding

__all__ = ["open_cameras", "open_footage"]


def open_footage(footage: FootageRequest | str, *, camera: str, half: Half | None = None) -> Clip:
    """Open one camera's footage and check all of it that can be checked without decoding it.

    Parameters
    ----------
    footage : FootageRequest or str
        As typed, or parsed.
    camera : str
        The camera's name.
    half : {"first", "second"}, optional
        Which half of the picture, where one file holds both cameras: first is the one at the left or the top.

    Returns
    -------
    Clip

    Raises
    ------
    InputError
        When a file is missing, unreadable, empty, cut short or no footage; when sizes, bit depths or rates
        differ within the camera; when in or out points lie outside; when a picture cannot be halved.
    """
    request = parse_footage(footage) if isinstance(footage, str) else footage
    _check_half(request, half)
    parts: list[ClipPart] = []
    findings: list[Finding] = []
    base = 0
    for asked in _grouped(request.parts):
        source = _source(asked)
        limits = window(asked[0], source)
        part = ClipPart(
            source=source,
            first=limits.first,
            last=limits.last,
            base=base,
            in_grid=limits.in_grid,
            layout=asked[0].layout,
            half=half,
        )
        parts.append(part)
        findings += [*_part_findings(part, several=len(request.parts) > 1), *limits.findings]
        base += len(source.table)
    _check_alike(parts)
    return Clip(_info(request, camera, parts, findings), tuple(parts))


def _check_half(request: FootageRequest, half: Half | None) -> None:
    if request.layout is None and half is not None:
        raise InputError(
            f"{request.text}: the {half} half of the picture is asked for, but nothing says that it holds "
            "both cameras.",
            hint="write #side-by-side or #stacked after the file",
        )
    if request.layout is not None and half is None:
        raise InputError(
            f"{request.text}: the file holds both cameras; one of its halves is needed here.",
            hint="give this file alone, not together with another, to a command that takes both cameras",
        )


def _grouped(parts: Sequence[FootagePart]) -> list[list[FootagePart]]:
    """Single pictures that follow each other become one run; everything else stands alone."""
    groups: list[list[FootagePart]] = []
    for part in parts:
        single = _is_picture(part.path)
        if single and groups and _is_picture(groups[-1][-1].path):
            groups[-1].append(part)
        else:
            groups.append([part])
    return groups


def _is_picture(path: Path) -> bool:
    return path.suffix.lower() in PICTURE_SUFFIXES and not path.is_dir()


def _source(asked: list[FootagePart]) -> VideoSource | PictureSource:
    path = asked[0].path
    for part in asked:
        if not exists(part.path):
            raise InputError(
                f"{part.path}: there is no such file or folder; footage is needed.",
                hint="check the name, and that the disk is connected",
            )
    if path.is_dir() or _is_picture(path):
        if any(part.stream is not None for part in asked):
            raise InputError(
                f"{asked[0].text}: pictures have no streams.", hint="leave out #stream; it is for video files"
            )
        if path.is_dir():
            return open_pictures(*pictures_in(path))
        return open_pictures(tuple(part.path for part in asked))
    return open_video(path, stream=asked[0].stream)


def _part_findings(part: ClipPart, *, several: bool) -> list[Finding]:
    """Everything known of a part; where there are several, each sentence names its file."""
    source = part.source
    found = [*source.findings, *review_timing(source.table, first=part.first, last=part.last)]
    if isinstance(source, VideoSource):
        found += _video_findings(source, part.first, part.last)
    if not several:
        return found
    return [Finding(code=item.code, sentence=f"{source.origin_of(0)}: {item.sentence}") for item in found]


def _video_findings(source: VideoSource, first: int, last: int) -> list[Finding]:
    """Timecode that cannot be, and pictures written twice, between the points."""
    found = []
    if source.start_timecode is not None and source.timecode is None:
        sentence = f"the timecode {source.start_timecode} does not fit the frame rate, and is not used."
        found.append(Finding(code="timecode_unreadable", sentence=sentence))
    repeats = source.repeats[(source.repeats > first) & (source.repeats <= last)]
    if len(repeats):
        sentence = (
            f"{len(repeats)} pictures are exact copies of the one before (frame {spans(repeats)}): the "
            "camera may have filled dropped pictures so, and these belong to no moment of their own."
        )
        found.append(Finding(code="repeated_pictures", sentence=sentence))
    return found


def _check_alike(parts: list[ClipPart]) -> None:
    """Refuse parts that cannot come from one camera with one setting, and pictures that cannot be halved."""
    first = parts[0]
    for part in parts:
        name, width, height = part.source.origin_of(0), *part.source.size_px
        odd = (part.layout == "side-by-side" and width % 2) or (part.layout == "stacked" and height % 2)
        if odd:
            raise InputError(
                f"{name}: {width} x {height} px cannot be cut in two equal halves ({part.layout}).",
                hint="check the layout; write #stacked or #side-by-side as the cameras are arranged",
            )
        differing = [
            (what, one, other)
            for what, one, other in (
                ("size", _size(part), _size(first)),
                ("bit depth", part.source.bit_depth, first.source.bit_depth),
                ("kind", _kind(part), _kind(first)),
                ("frame rate", _rate(part), _rate(first)),
            )
            if one != other
        ]
        if differing:
            what, one, other = differing[0]
            raise InputError(
                f"{name}: {what} {one} found, {other} needed as in {first.source.origin_of(0)}; "
                "footage of one camera must be of one setting.",
                hint="join only clips that this camera recorded with the same settings",
            )


def _size(part: ClipPart) -> str:
    return f"{part.source.size_px[0]} x {part.source.size_px[1]} px"


def _kind(part: ClipPart) -> Literal["video", "pictures"]:
    return "video" if isinstance(part.source, VideoSource) else "pictures"


def _rate(part: ClipPart) -> Fraction | None:
    return part.source.table.rate


def _info(request: FootageRequest, camera: str, parts: list[ClipPart], findings: list[Finding]) -> ClipInfo:
    source = parts[0].source
    video = source if isinstance(source, VideoSource) else None
    return ClipInfo(
        camera=camera,
        origin=request.text,
        kind=_kind(parts[0]),
        size_px=parts[0].size_px,
        n_frames=sum(len(part) for part in parts),
        bit_depth=source.bit_depth,
        colour=any(part.source.colour for part in parts),
        frame_rate=source.table.rate,
        codec=video.codec if video else None,
        pixel_format=video.form.name if video else None,
        value_range=video.value_range if video else "full",
        pixel_aspect=video.pixel_aspect if video else None,
        display_rotation_deg=source.display_rotation_deg,
        start_timecode=timecode_at(parts[0], parts[0].first),
        findings=tuple(findings),
        devices=tuple(dict.fromkeys(text for part in parts for text in _devices(part))),
    )


def _devices(part: ClipPart) -> tuple[str, ...]:
    return part.source.devices if isinstance(part.source, VideoSource) else ()


def open_cameras(footage: Sequence[FootageRequest | str], *, cameras: Sequence[str]) -> tuple[Clip, ...]:
    """Open the footage of one or two cameras as given to a command.

    Parameters
    ----------
    footage : sequence of FootageRequest or str
        One a camera; or a single one that holds both cameras (side by side or stacked): two clips.
    cameras : sequence of str
        Names of the cameras, in order; at least as many as there are clips.

    Returns
    -------
    tuple of Clip
        In the order of the cameras.

    Raises
    ------
    InputError
        When there is more footage than cameras, or a piece of it cannot be opened.
    """
    requests = [parse_footage(each) if isinstance(each, str) else each for each in footage]
    halves: list[tuple[FootageRequest, Half | None]] = [(request, None) for request in requests]
    if len(requests) == 1 and requests[0].layout is not None:
        halves = [(requests[0], "first"), (requests[0], "second")]
    if len(halves) > len(cameras):
        raise InputError(
            f"footage of {len(halves)} cameras is given, the rig has {len(cameras)} ({', '.join(cameras)}).",
            hint="give as much footage as the rig has cameras; clips of one camera are joined by commas",
        )
    return tuple(
        open_footage(request, camera=camera, half=half)
        for (request, half), camera in zip(halves, cameras, strict=False)
    )
