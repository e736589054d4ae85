"""Sources of pictures as typed: a capture device, a network stream, a folder of stills, a video file."""

import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from rigcheck.errors import ConfigError, InputError
from rigcheck.footage.request import Layout, parse_footage
from rigcheck.live.shots import View

__all__ = ["STREAM_SCHEMES", "SourceRequest", "parse_source", "views_of"]

Kind = Literal["device", "stream", "folder", "file"]

# Protocols that carry pictures as they are taken.
STREAM_SCHEMES = ("rtsp", "rtsps", "rtp", "udp", "tcp", "srt", "http", "https")
_ADDRESS = re.compile(r"([a-z][a-z0-9+.-]*)://\S+", re.IGNORECASE)
_KINDS = (
    "a capture device (0, /dev/video0), the address of a network stream (rtsp://…), a folder that stills are saved "
    "into, or a video file"
)


@dataclass(frozen=True, kw_only=True)
class SourceRequest:
    """One source as typed: `place` is the device, address or path without what follows ``#``."""

    text: str
    kind: Kind
    place: str
    layout: Layout | None = None

    @property
    def shown(self) -> str:
        """The source for a person; an address without what may be a password."""
        return re.sub(r"//[^/@\s]*@", "//", self.place)


def parse_source(text: str) -> SourceRequest:
    """Read one source as typed.

    Raises
    ------
    InputError
        When it names none of the four kinds, or carries in and out points.
    """
    text = text.strip()
    place, layout = _split(text)
    address = _ADDRESS.fullmatch(place)
    if address is not None:
        if address[1].lower() not in STREAM_SCHEMES:
            raise InputError(
                f"source {text!r}: {address[1]}:// found, one of {', '.join(STREAM_SCHEMES)} needed.",
                hint="give the address that the camera's or encoder's manual names for its stream.",
            )
        return SourceRequest(text=text, kind="stream", place=place, layout=layout)
    if place.isdecimal() or _is_device(place):
        return SourceRequest(text=text, kind="device", place=place, layout=layout)
    path = Path(place)
    if path.is_dir() or path.is_file():
        kind: Kind = "folder" if path.is_dir() else "file"
        return SourceRequest(text=text, kind=kind, place=place, layout=layout)
    raise InputError(f"source {text!r}: nothing of this name found; needed is {_KINDS}.", hint=_hint(place))


def views_of(requests: Sequence[SourceRequest]) -> tuple[View, ...]:
    """Cameras in the order of the sources: one a source, or two of one source that holds both.

    Raises
    ------
    ConfigError
        When there are none, or more than two, or the same source twice.
    """
    views: list[View] = []
    for number, request in enumerate(requests):
        if request.layout is None:
            views.append(View(source_idx=number))
        else:
            views += [View(source_idx=number, layout=request.layout, second=half) for half in (False, True)]
    if not 1 <= len(views) <= 2:
        raise ConfigError(
            f"{len(views)} cameras found in {len(requests)} source(s), one or two needed.",
            hint="give one source a camera, or one that holds both, ending in #side-by-side or #stacked.",
        )
    if len(requests) == 2 and requests[0].place == requests[1].place:
        raise ConfigError(
            f"{requests[0].shown}: given for both cameras.",
            hint="give each camera's own source; one that holds both ends in #side-by-side or #stacked.",
        )
    return tuple(views)


def _split(text: str) -> tuple[str, Layout | None]:
    """What follows the last ``#``, where it is a layout; a file's own name wins."""
    if Path(text).exists():
        return text, None
    layouts: tuple[Layout, ...] = ("side-by-side", "stacked")
    for layout in layouts:
        if text.endswith(f"#{layout}"):
            return text.removesuffix(f"#{layout}"), layout
    if not _ADDRESS.fullmatch(text) and ("@" in text or "#" in text):
        parts = parse_footage(text).parts
        raise InputError(
            f"source {text!r}: in and out points, parts or streams of {parts[0].path} found; a file is played whole.",
            hint="give the file alone; #side-by-side or #stacked may follow.",
        )
    return text, None


def _is_device(place: str) -> bool:
    return sys.platform != "win32" and place.startswith("/dev/") and not Path(place).is_dir()


def _hint(place: str) -> str:
    return (
        "check the path and that the disk is connected."
        if "/" in place or "." in place
        else "check the name."
    )
