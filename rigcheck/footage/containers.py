"""Opening video files through FFmpeg, with every failure told in a sentence."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import av
from av.container import InputContainer
from av.video.stream import VideoStream

from rigcheck.errors import InputError
from rigcheck.footage.boxes import cut_short

__all__ = ["opened", "picture_streams"]

# Only files that hold pictures themselves: play lists, scripts and text formats, which FFmpeg would follow
# to other files or to the network, are shut out.
_FORMATS = (
    "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mxf,mpegts,mpeg,mpegvideo,"
    "h264,hevc,mjpeg,dnxhd,dv,m4v,ivf,nut,asf"
)
_COPY_AGAIN = (
    "copy the file again from the camera card; if the card holds the same, the recording was cut off"
)


@contextmanager
def opened(path: Path) -> Iterator[InputContainer]:
    """Open a video file for reading and close it at the end.

    Raises
    ------
    InputError
        When the file is missing, empty, cut short, or no video.
    """
    try:
        if path.stat().st_size == 0:
            raise InputError(f"{path}: the file is empty (0 bytes); a video is needed.", hint=_COPY_AGAIN)
        # The file: prefix keeps names such as "a:b.mov" from being read as a network address.
        container = av.open(
            f"file:{path}",
            options={"format_whitelist": _FORMATS, "protocol_whitelist": "file"},
            metadata_errors="replace",
        )
    except av.error.FFmpegError as error:
        raise _not_opened(path, error) from error
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror or error}).",
            hint="check the name, that the disk is connected and that you may read the file",
        ) from error
    try:
        yield container
    finally:
        container.close()


def _not_opened(path: Path, error: av.error.FFmpegError) -> InputError:
    if cut_short(path):
        return InputError(
            f"{path}: it ends before its index, so its pictures cannot be found; a whole file is needed.",
            hint=_COPY_AGAIN,
        )
    if isinstance(error, OSError) and not isinstance(error, av.error.InvalidDataError):
        return InputError(
            f"{path}: cannot be read ({error.strerror}).",
            hint="check the name, that the disk is connected and that you may read the file",
        )
    return InputError(
        f"{path}: this is no video that can be read, whatever its name says ({error.strerror}).",
        hint="name a video file (MOV, MP4, MXF, MKV or AVI), or export it again",
    )


def picture_streams(container: InputContainer) -> list[VideoStream]:
    """Video streams other than cover pictures."""
    return [
        stream
        for stream in container.streams.video
        if not stream.disposition & av.stream.Disposition.attached_pic
    ]
