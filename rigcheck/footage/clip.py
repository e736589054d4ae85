"""One camera's footage as a clip: opened, checked, and read picture by picture."""

from collections.abc import Generator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Literal

import numpy as np

from rigcheck.errors import InputError
from rigcheck.footage.hashing import sha256_of
from rigcheck.footage.headers import PICTURE_SUFFIXES
from rigcheck.footage.pictures import PictureSource, open_pictures, pictures_in
from rigcheck.footage.points import window
from rigcheck.footage.probing import open_video
from rigcheck.footage.request import FootagePart, FootageRequest, Layout, parse_footage
from rigcheck.footage.timing import review_timing
from rigcheck.footage.video import VideoSource
from rigcheck.model import ClipInfo, Finding, Frame, FrameRef
from rigcheck.model._arrays import FloatArray, ImageArray, IntArray

__all__ = ["Clip", "ClipPart", "Half", "open_footage"]

Half = Literal["first", "second"]


@dataclass(frozen=True, kw_only=True, eq=False)
class ClipPart:
    """One file, or one run of pictures, within a clip.

    Parameters
    ----------
    source : VideoSource or PictureSource
    first, last : int
        Pictures of the source that are used, both included.
    base : int
        `frame_idx` of the source's picture 0.
    in_grid : float
        The in point counted in frame periods from the source's first picture.
    layout, half : how the picture holds both cameras, and which half is this one
    """

    source: VideoSource | PictureSource
    first: int
    last: int
    base: int
    in_grid: float = 0.0
    layout: Layout | None = None
    half: Half | None = None

    def __len__(self) -> int:
        return self.last - self.first + 1

    @property
    def grid(self) -> FloatArray:
        """Times of the used pictures from the in point, in frame periods."""
        return np.asarray(self.source.table.grid[self.first : self.last + 1] - self.in_grid, dtype=np.float64)

    @property
    def files(self) -> tuple[Path, ...]:
        """Files behind the used pictures."""
        if isinstance(self.source, VideoSource):
            return (self.source.path,)
        return self.source.paths[self.first : self.last + 1]

    @property
    def size_px(self) -> tuple[int, int]:
        """(width, height) of this camera's pictures."""
        width, height = self.source.size_px
        if self.layout == "side-by-side":
            return width // 2, height
        return (width, height // 2) if self.layout == "stacked" else (width, height)

    def cut(self, image: ImageArray) -> ImageArray:
        """Cut this camera's half out of a picture."""
        width, height = self.size_px
        x, y = 0, 0
        if self.half == "second":
            x, y = (width, 0) if self.layout == "side-by-side" else (0, height)
        return image if self.layout is None else image[y : y + height, x : x + width].copy()


class Clip:
    """One camera's footage. Made by :func:`open_footage`.

    Parameters
    ----------
    info : ClipInfo
    parts : tuple of ClipPart
    """

    def __init__(self, info: ClipInfo, parts: tuple[ClipPart, ...]) -> None:
        self.info = info
        self.parts = parts

    def __len__(self) -> int:
        return self.info.n_frames

    @property
    def indices(self) -> IntArray:
        """`frame_idx` of every picture between in and out points, ascending."""
        return np.concatenate([part.base + np.arange(part.first, part.last + 1) for part in self.parts])

    @property
    def key_indices(self) -> IntArray:
        """`frame_idx` of the pictures that can be decoded on their own (all, for pictures)."""
        found = []
        for part in self.parts:
            entries = part.source.table.entry_points()
            used = entries[(entries >= part.first) & (entries <= part.last)]
            if isinstance(part.source, PictureSource):
                used = np.arange(part.first, part.last + 1)
            found.append(part.base + used)
        return np.concatenate(found)

    def frames(
        self, *, step: int = 1, keyframes_only: bool = False, colour: bool = False
    ) -> Generator[Frame, None, None]:
        """Yield the pictures in order.

        Parameters
        ----------
        step : int
            Every how many pictures; counted among key pictures where only those are taken.
        keyframes_only : bool
            Take only pictures that can be decoded on their own: by far the quickest look at long clips.
        colour : bool
            RGB instead of luma.

        Yields
        ------
        Frame
            As recorded: no display rotation applied.

        Raises
        ------
        InputError
            When a picture cannot be decoded.
        """
        if step < 1:
            raise ValueError(f"step: {step} found, 1 or more needed")
        indices = self.key_indices if keyframes_only else self.indices
        yield from self.frames_at(indices[::step], colour=colour)

    def frames_at(
        self, indices: Sequence[int] | IntArray, *, colour: bool = False
    ) -> Generator[Frame, None, None]:
        """Yield the pictures with these `frame_idx`, ascending, each once.

        Parameters
        ----------
        indices : sequence of int
            In any order, all within the clip.
        colour : bool
            RGB instead of luma.

        Raises
        ------
        InputError
            When a picture cannot be decoded.
        """
        wanted = np.unique(np.asarray(indices, dtype=np.int64))
        outside = np.setdiff1d(wanted, self.indices, assume_unique=True)
        if len(outside):
            raise ValueError(f"indices: {outside[0]} lies outside the clip")
        for part in self.parts:
            inner = wanted[(wanted >= part.base + part.first) & (wanted <= part.base + part.last)] - part.base
            for index, image in part.source.read(inner, colour=colour):
                yield Frame(
                    ref=self._ref(part, index), image=part.cut(image), bit_depth=part.source.bit_depth
                )

    def hashes(self) -> dict[str, str]:
        """SHA-256 of every file behind the clip, by name; reads each file whole, but only once a process."""
        return {str(path): sha256_of(path) for part in self.parts for path in part.files}

    def _ref(self, part: ClipPart, index: int) -> FrameRef:
        times = part.source.table.times_s
        return FrameRef(
            camera=self.info.camera,
            frame_idx=part.base + index,
            origin=part.source.origin_of(index),
            time_s=None if times is None else float(times[index]),
            timecode=timecode_at(part, index),
        )


def timecode_at(part: ClipPart, index: int) -> str | None:
    """Timecode of a picture of the part's source."""
    source = part.source
    known = None if isinstance(source, PictureSource) else source.timecode
    return None if known is None else known.text_at(float(source.table.grid[index]))


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
        findings += [*_part_findings(source, several=len(request.parts) > 1), *limits.findings]
        base += len(source.table)
    _check_alike(parts)
    return Clip(_info(request, camera, parts, findings), tuple(parts))


def _check_half(request: FootageRequest, half: Half | None) -> None:
    if request.layout is None and half is not None:
        raise InputError(
            f"{request.text}: the {half} half of the picture is asked for, but nothing says that the picture "
            "holds both cameras.",
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
        if not part.path.exists():
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


def _part_findings(source: VideoSource | PictureSource, *, several: bool) -> list[Finding]:
    found = [*source.findings, *review_timing(source.table).findings]
    if not several:
        return found
    return [Finding(code=item.code, sentence=f"{source.origin_of(0)}: {item.sentence}") for item in found]


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
        display_rotation_deg=source.display_rotation_deg,
        start_timecode=timecode_at(parts[0], parts[0].first),
        findings=tuple(findings),
    )
