"""First look at a video file: every packet is read, the first picture decoded, nothing is guessed."""

import re
from collections.abc import Iterator
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Literal, cast

import av
import numpy as np
from av.container import InputContainer
from av.sidedata.sidedata import SideDataContainer
from av.sidedata.sidedata import Type as SideDataType
from av.video.stream import VideoStream

from rigcheck.errors import InputError
from rigcheck.footage.boxes import cut_short, timecode_nominal
from rigcheck.footage.containers import opened, picture_streams
from rigcheck.footage.packets import read_packets
from rigcheck.footage.planes import PixelFormat
from rigcheck.footage.timing import FrameTable
from rigcheck.footage.video import VideoSource
from rigcheck.model import Finding

__all__ = ["open_video"]

_PROGRESSIVE = (0, 1)  # FFmpeg's field order: unknown, progressive; the others are interlaced
_DEVICE_TAGS = frozenset(
    {"serial", "serial_number", "camera_serial", "camera_serial_number", "reel_name", "device"}
)
_LOOKED_AT = 32  # pictures: H.264 and H.265 reorder no more than 16
_INTERLACED = Finding(
    code="interlaced", sentence="the video is interlaced: the lines of each picture belong to two moments."
)
_SHORT_BY_S = 0.5  # a file this much shorter than its header says is worth a word


def open_video(path: Path, *, stream: int | None) -> VideoSource:
    """Open a video file, reading all its packets once and decoding its first picture.

    Parameters
    ----------
    path : Path
    stream : int or None
        Which picture stream, counted from 0; None for the first.

    Returns
    -------
    VideoSource

    Raises
    ------
    InputError
        When the file is missing, empty, cut short, no video, without a picture stream, or in a pixel format
        that cannot be measured on.
    """
    with opened(path) as container:  # nothing of the container may be touched once it is closed
        streams = picture_streams(container)
        chosen = _chosen(path, streams, stream)
        number = streams.index(chosen)
        header_findings = _stream_findings(chosen, n_streams=1 if stream is not None else len(streams))
        codec = chosen.codec_context.name
        timecode = _start_timecode(container, chosen)
        devices = _devices(container, chosen)
        stated_s = _stated_duration_s(container, chosen)
        pixel_aspect = chosen.sample_aspect_ratio or None
        stated_rates = [chosen.guessed_rate, chosen.base_rate, chosen.average_rate]
        packets = read_packets(container, chosen)
    if packets.maybe_guessed and _out_of_order(path, number):
        packets = replace(packets, usable_times=False)
    table = packets.table(path, stated_rates)
    table, frame, start_findings = _first_picture(path, number, table)
    form = _pixel_format(path, frame.format.name)
    rotation, findings = _display(frame)
    findings += [*header_findings, *_interlaced(frame, header_findings), *start_findings]
    if packets.damaged or cut_short(path):
        sentence = "the file is damaged or cut short: pictures are missing from it, most likely at the end."
        findings.append(Finding(code="cut_short", sentence=sentence))
    findings += _shortness(table, stated_s)
    return VideoSource(
        path=path,
        stream=number,
        size_px=(frame.width, frame.height),
        table=table,
        form=form,
        codec=codec,
        value_range=_value_range(frame, form),
        display_rotation_deg=rotation,
        start_timecode=timecode,
        repeats=packets.repeats if table.all_keys and not start_findings else packets.repeats[:0],
        timecode_nominal=None if timecode is None else timecode_nominal(path),
        findings=tuple(findings),
        pixel_aspect=pixel_aspect,
        devices=devices,
    )


def _chosen(path: Path, streams: list[VideoStream], stream: int | None) -> VideoStream:
    if not streams:
        raise InputError(
            f"{path}: the file holds no picture stream (sound or data only); a video is needed.",
            hint="name the camera's video file",
        )
    if stream is not None and stream >= len(streams):
        raise InputError(
            f"{path}: picture stream {stream} asked for, the file holds {len(streams)}, counted from 0.",
            hint="check the number after #stream=",
        )
    return streams[stream or 0]


def _first_picture(
    path: Path, stream: int, table: FrameTable
) -> tuple[FrameTable, av.VideoFrame, list[Finding]]:
    """Decode the first picture; pictures before it, which cannot be decoded, leave the table."""
    with opened(path) as container:
        for frame in _decodable(container, picture_streams(container)[stream]):
            if not table.timed:
                return table, frame, _untimed(table)
            if frame.pts is None:
                break
            lost = int(np.searchsorted(table.ticks, frame.pts))
            if not lost:
                return table, frame, []
            kept = FrameTable(
                ticks=table.ticks[lost:],
                keys=table.keys[lost:],
                tick_s=table.tick_s,
                timed=True,
                rate=table.rate,
            )
            sentence = (
                f"the first {lost} pictures cannot be decoded: the recording starts between key pictures."
            )
            return kept, frame, [Finding(code="undecodable_start", sentence=sentence)]
    raise InputError(
        f"{path}: not one picture can be decoded; the data are damaged or in a format that is not known.",
        hint="copy the file again from the camera card, or export it as H.264, H.265, ProRes, DNx or MJPEG",
    )


def _out_of_order(path: Path, stream: int) -> bool:
    """Tell whether the decoder gives out its first pictures in another order than that of their times."""
    with opened(path) as container:
        first = islice(_decodable(container, picture_streams(container)[stream]), _LOOKED_AT)
        times = [frame.pts for frame in first]
    known = [time for time in times if time is not None]
    return known != sorted(known)


def _decodable(container: InputContainer, stream: VideoStream) -> Iterator[av.VideoFrame]:
    """Pictures that can be decoded, passing over packets that cannot."""
    try:
        for packet in container.demux(stream):
            try:
                yield from packet.decode()
            except av.error.InvalidDataError:
                continue
    except av.error.FFmpegError:
        return


def _untimed(table: FrameTable) -> list[Finding]:
    how = "the stated frame rate gives the times" if table.rate else "there are no times"
    sentence = (
        f"the file gives its pictures no times, or times that run backwards: they are counted, and {how}."
    )
    return [Finding(code="no_times", sentence=sentence)]


def _pixel_format(path: Path, name: str) -> PixelFormat:
    try:
        return PixelFormat(name)
    except ValueError as error:
        raise InputError(
            f"{path}: {error} found; 8 to 16 bit grey, YUV or RGB needed.",
            hint="export the file as H.264, H.265, ProRes, DNx or MJPEG",
        ) from error


def _value_range(frame: av.VideoFrame, form: PixelFormat) -> Literal["full", "video"] | None:
    if form.is_rgb or form.name.startswith("yuvj") or frame.color_range == 2:
        return "full"
    return "video" if frame.color_range == 1 else None


def _display(frame: av.VideoFrame) -> tuple[int, list[Finding]]:
    """Clockwise turn that the container asks a player for, degrees, and the finding on it."""
    side_data = cast("SideDataContainer", frame.side_data)  # PyAV's stubs know one kind of it only
    carried = [side_data[k] for k in range(len(side_data))]
    data = next((item for item in carried if item.type == SideDataType.DISPLAYMATRIX), None)
    if data is None:
        return 0, []
    a, b, _, c, d = np.frombuffer(bytes(data), dtype=np.int32)[:5].astype(float)
    mirrored = a * d - b * c < 0
    turn = -frame.rotation % 360
    if not turn and not mirrored:
        return 0, []
    asked = [f"turned by {turn} degrees clockwise"] if turn else []
    asked += ["mirrored"] if mirrored else []
    sentence = f"the file asks a player to show it {' and '.join(asked)}; it is used as recorded."
    return turn, [Finding(code="display_rotation", sentence=sentence)]


def _start_timecode(container: InputContainer, stream: VideoStream) -> str | None:
    """Timecode of the first picture, from the picture stream, a timecode track, or the file as a whole."""
    tracks = [stream.metadata, *(other.metadata for other in container.streams), container.metadata]
    found = [text for tags in tracks for name, text in tags.items() if name.lower() == "timecode" and text]
    return found[0] if found else None


def _devices(container: InputContainer, stream: VideoStream) -> tuple[str, ...]:
    """What the file states of the device that recorded it, under plain names, whatever stands before these."""
    # Of other picture streams nothing: these may be another camera's.
    others = [other.metadata for other in container.streams if other.type != "video"]
    found = [
        text.strip()
        for tags in (stream.metadata, *others, container.metadata)
        for name, text in tags.items()
        if re.split(r"[.:/]", name.lower().replace("-", "_"))[-1] in _DEVICE_TAGS and text.strip()
    ]
    return tuple(dict.fromkeys(found))


def _stated_duration_s(container: InputContainer, stream: VideoStream) -> float | None:
    if stream.duration and stream.time_base:
        return float(stream.duration * stream.time_base)
    return container.duration / av.time_base if container.duration else None


def _shortness(table: FrameTable, stated_s: float | None) -> list[Finding]:
    times = table.times_s
    if stated_s is None or times is None or table.rate is None:
        return []
    missing_s = stated_s - (float(times[-1]) + 1 / float(table.rate))
    if missing_s < _SHORT_BY_S:
        return []
    sentence = f"the pictures end {missing_s:.1f} s before the {stated_s:.1f} s that the file states."
    return [Finding(code="shorter_than_stated", sentence=sentence)]


def _stream_findings(stream: VideoStream, *, n_streams: int) -> list[Finding]:
    """Several picture streams, fields in place of pictures, and pixels that are not square."""
    findings = []
    if n_streams > 1:
        sentence = f"the file holds {n_streams} picture streams; the first is used (#stream=1 is the second)."
        findings.append(Finding(code="several_streams", sentence=sentence))
    if stream.codec_context.field_order not in _PROGRESSIVE:
        findings.append(_INTERLACED)
    ratio = stream.sample_aspect_ratio
    if ratio and ratio != 1:
        sentence = (
            f"the pixels are not square: {ratio.numerator}:{ratio.denominator} wide to high, says the file."
        )
        findings.append(Finding(code="pixels_not_square", sentence=sentence))
    return findings


def _interlaced(frame: av.VideoFrame, known: list[Finding]) -> list[Finding]:
    """Add the finding that only the decoded picture tells."""
    return [_INTERLACED] if frame.interlaced_frame and _INTERLACED not in known else []
