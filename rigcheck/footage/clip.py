"""One camera's footage as a clip: opened, checked, and read picture by picture."""

from collections.abc import Generator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from rigcheck.footage.hashing import sha256_of
from rigcheck.footage.pictures import PictureSource
from rigcheck.footage.request import Layout
from rigcheck.footage.video import VideoSource
from rigcheck.model import ClipInfo, Frame, FrameRef
from rigcheck.model._arrays import FloatArray, ImageArray, IntArray

__all__ = ["Clip", "ClipPart", "Half", "timecode_at"]

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
    """One camera's footage. Made by :func:`rigcheck.footage.open_footage`.

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
        for k, index, image in self._read(wanted, colour=colour):
            yield self._frame(k, index, image)

    def halves_at(self, other: "Clip", indices: IntArray) -> Generator[tuple[Frame, Frame], None, None]:
        """Yield both halves of each picture, decoded once, of two clips that `share_pictures`.

        Parameters
        ----------
        other : Clip
        indices : (N,) int64
            `frame_idx`, ascending, each once, all within both clips.
        """
        for k, index, image in self._read(indices, colour=False):
            yield self._frame(k, index, image), other._frame(k, index, image)

    def shares_pictures(self, other: "Clip") -> bool:
        """Tell whether the other clip is the other half of the very same files."""
        return len(self.parts) == len(other.parts) and all(
            one.files == two.files
            and one.source.stream == two.source.stream
            and (one.layout, one.base, one.half is not None) == (two.layout, two.base, two.half is not None)
            for one, two in zip(self.parts, other.parts, strict=True)
        )

    def _read(self, wanted: IntArray, *, colour: bool) -> Generator[tuple[int, int, ImageArray], None, None]:
        """Yield number of the part, index within its source, and the whole picture."""
        for k, part in enumerate(self.parts):
            inner = wanted[(wanted >= part.base + part.first) & (wanted <= part.base + part.last)] - part.base
            for index, image in part.source.read(inner, colour=colour):
                yield k, index, image

    def _frame(self, k: int, index: int, image: ImageArray) -> Frame:
        part = self.parts[k]
        return Frame(ref=self._ref(part, index), image=part.cut(image), bit_depth=part.source.bit_depth)

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
