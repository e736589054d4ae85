"""Video files: what they hold, and their pictures in the order they were recorded."""

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from threading import Event
from typing import Literal

import av
import numpy as np
from av.container import InputContainer
from av.video.stream import VideoStream

from rigcheck.errors import InputError
from rigcheck.footage.containers import opened, picture_streams
from rigcheck.footage.planes import PixelFormat, luma, rgb
from rigcheck.footage.seeking import Run, plan_runs
from rigcheck.footage.timecode import StartTimecode
from rigcheck.footage.timing import FrameTable
from rigcheck.model import Finding
from rigcheck.model._arrays import ImageArray, IntArray

__all__ = ["VideoSource", "decode_in_one_thread"]

_MOST_THREADS = 8  # each decoding thread holds a picture: more gain nothing and cost memory
_one_thread = Event()


@dataclass(frozen=True, kw_only=True, eq=False)
class VideoSource:
    """One picture stream of a video file.

    `stream` counts the picture streams of the file from 0. `form` is the pixel format of the first
    picture; `timecode_nominal` how many numbers a second the timecode counts, where the file says so;
    `repeats` the pictures stored as exact copies of the one before; `pixel_aspect` a pixel's width over its height
    where the file says it; `devices` the serial numbers and reel or device names it states.
    """

    path: Path
    stream: int
    size_px: tuple[int, int]
    table: FrameTable
    form: PixelFormat
    codec: str
    value_range: Literal["full", "video"] | None
    display_rotation_deg: int
    start_timecode: str | None
    timecode_nominal: int | None
    repeats: IntArray
    findings: tuple[Finding, ...]
    pixel_aspect: Fraction | None = None
    devices: tuple[str, ...] = ()

    @property
    def bit_depth(self) -> int:
        """Bits of a luma sample."""
        return self.form.bit_depth

    @property
    def colour(self) -> bool:
        """True when the video has colour."""
        return self.form.colour

    @property
    def timecode(self) -> StartTimecode | None:
        """Timecode of the first picture; None when there is none that can be read."""
        return StartTimecode.of(self.start_timecode, self.table.rate, self.timecode_nominal)

    def origin_of(self, index: int) -> str:
        """Name the file that holds a picture."""
        return str(self.path)

    def read(self, wanted: IntArray, *, colour: bool) -> Iterator[tuple[int, ImageArray]]:
        """Decode the pictures with these ascending indices, few at a time.

        Raises
        ------
        InputError
            When one of them cannot be decoded.

        Notes
        -----
        Most codecs carry no checksums: damage that the decoder does not notice (garbled data that still make
        a picture) is not detected.
        """
        done = 0
        try:
            for index, frame in self._decode(wanted, plan_runs(self.table, wanted)):
                yield index, self._image(frame, colour=colour)
                done += 1
        except _Missed:
            # A seek landed where decoding cannot start after all: once more, straight from the beginning.
            rest = wanted[done:]
            try:
                for index, frame in self._decode(rest, [Run(start=0, wanted=rest, sparse=False)]):
                    yield index, self._image(frame, colour=colour)
            except _Missed as missed:
                raise self._damaged(missed) from missed

    def _image(self, frame: av.VideoFrame, *, colour: bool) -> ImageArray:
        form = self.form if frame.format.name == self.form.name else PixelFormat(frame.format.name)
        if (frame.width, frame.height) != self.size_px or form.bit_depth != self.bit_depth:
            raise InputError(
                f"{self.path}: the picture changes on the way to {frame.width} x {frame.height} px, "
                f"{form.bit_depth} bit; {self.size_px[0]} x {self.size_px[1]} px, {self.bit_depth} bit "
                "needed as at the start.",
                hint="split the file where the camera's settings changed, and use one piece",
            )
        return rgb(frame, form) if colour else luma(frame, form)

    def _damaged(self, missed: "_Missed") -> InputError:
        times = self.table.times_s
        remedy = ""
        if times is not None and missed.index > 0:
            remedy = (
                f"; to use what comes before, set an out point: {self.path}@0-{times[missed.index - 1]:.3f}"
            )
        return InputError(
            f"{self.path}: picture {missed.index} of {len(self.table)} cannot be decoded ({missed.reason}); "
            "whole pictures are needed.",
            hint=f"copy the file again from the camera card{remedy}",
        )

    def _decode(self, wanted: IntArray, runs: Sequence[Run]) -> Iterator[tuple[int, av.VideoFrame]]:
        if not len(wanted):
            return
        with opened(self.path) as container:
            stream = picture_streams(container)[self.stream]
            threaded(stream)
            for run in runs:
                if run.start > 0:
                    _seek(container, stream, int(self.table.ticks[run.start]), run)
                yield from self._decode_run(container, stream, run)

    def _decode_run(
        self, container: InputContainer, stream: VideoStream, run: Run
    ) -> Iterator[tuple[int, av.VideoFrame]]:
        """Decode on from where the container stands until every wanted picture of the run is out."""
        counter = Counter(self.table, run.start)
        pending = 0
        for frame in _frames(container, stream, self._fed(run), int(run.wanted[0])):
            index = counter.index_of(frame)
            if index is None or index < run.wanted[pending]:
                continue
            expected = int(run.wanted[pending])
            if index > expected:
                raise _Missed(expected, "the decoder gave nothing for it")
            if frame.is_corrupt:
                raise _Missed(expected, "its data are damaged")
            yield index, frame
            pending += 1
            if pending == len(run.wanted):
                return
        raise _Missed(int(run.wanted[pending]), "the file ends before it")

    def _fed(self, run: Run) -> frozenset[int] | None:
        """Presentation ticks of the packets worth decoding; None when all are."""
        if not run.sparse:
            return None
        return frozenset(int(tick) for tick in self.table.ticks[run.wanted])


class Counter:
    """Gives each decoded picture its index: by its time, or by counting where the file has none."""

    def __init__(self, table: FrameTable, start: int) -> None:
        self._table = table
        self._next = start

    def index_of(self, frame: av.VideoFrame) -> int | None:
        """Index of the picture; None for one that is not in the table."""
        ticks = self._table.ticks
        if not self._table.timed:
            index = self._next
        elif frame.pts is None:
            return None
        else:
            index = int(np.searchsorted(ticks, frame.pts))
            if index >= len(ticks) or ticks[index] != frame.pts:
                return None
            if index < self._next < len(ticks) and ticks[self._next] == frame.pts:
                index = self._next  # a later one of several with the same time
        self._next = index + 1
        return index


class _Missed(Exception):
    """A wanted picture did not come out of the decoder."""

    def __init__(self, index: int, reason: str) -> None:
        super().__init__(index, reason)
        self.index = index
        self.reason = reason


def decode_in_one_thread() -> None:
    """Decode each file in one thread from now on: for a process among others that take the cores already."""
    _one_thread.set()


def threaded(stream: VideoStream) -> None:
    """Let FFmpeg decode this stream with several threads, unless this process decodes each file in one.

    Notes
    -----
    With threads over slices, PyAV's default, FFmpeg does not look for errors in H.264: of 60 clips
    with a few garbled bytes none was flagged, with threads over pictures all were;
    one thread flags no fewer (56 of 60 others, threads over pictures 52).
    """
    stream.codec_context.thread_type = "AUTO"
    most = 1 if _one_thread.is_set() else _MOST_THREADS
    stream.codec_context.thread_count = min(os.cpu_count() or 1, most)


def _seek(container: InputContainer, stream: VideoStream, tick: int, run: Run) -> None:
    try:
        container.seek(tick, stream=stream)
    except av.error.FFmpegError as error:
        raise _Missed(int(run.wanted[0]), "it cannot be sought") from error


def _frames(
    container: InputContainer, stream: VideoStream, fed: frozenset[int] | None, first: int
) -> Iterator[av.VideoFrame]:
    """Decode the packets with the given times (None: all), in order of presentation."""
    left = None if fed is None else len(fed)
    started = False
    try:
        for packet in container.demux(stream):
            if packet.size == 0:
                continue
            if fed is not None and packet.pts not in fed:
                continue
            try:
                frames = packet.decode()
            except av.error.InvalidDataError as error:
                if started:
                    raise _Missed(first, "its data are damaged") from error
                continue  # before the first picture: pieces of a group of pictures whose start is not here
            started = started or bool(frames)
            yield from frames
            if left is not None:
                left -= 1
                if left == 0:
                    break
        yield from stream.codec_context.decode(None)
    except av.error.FFmpegError as error:
        raise _Missed(first, f"reading stopped: {error.strerror}") from error
