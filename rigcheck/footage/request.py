"""What the operator typed: files, in and out points, and where the second camera is."""

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from rigcheck.errors import InputError
from rigcheck.footage.timecode import is_timecode

__all__ = ["FootagePart", "FootageRequest", "Layout", "exists", "parse_footage"]

Layout = Literal["side-by-side", "stacked"]

_POINT = r"(?:\d{1,2}:\d{2}:\d{2}[:;.]\d{2,3}|\d+(?:\.\d*)?|\.\d+)"
_RANGE = re.compile(rf"({_POINT})?-({_POINT})?")
_LOOKS_LIKE_RANGE = re.compile(r"[\s\d:;.\-+]*")
_LAYOUTS: dict[str, Layout] = {"side-by-side": "side-by-side", "stacked": "stacked"}
_HOW = (
    "in and out points are written clip.mov@3.0-21.5 (seconds) or "
    "clip.mov@00:00:03:00-00:00:21:12 (timecode); the pictures at both points are used"
)
_LAYOUT_HOW = "after # write side-by-side, stacked, or stream=0 (stream=1 for the second camera)"


@dataclass(frozen=True, kw_only=True)
class FootagePart:
    """One file or folder, with its in and out points as typed (None: start or end)."""

    path: Path
    in_point: str | None = None
    out_point: str | None = None
    layout: Layout | None = None
    stream: int | None = None

    @property
    def text(self) -> str:
        """The part as it would be typed."""
        points = ""
        if self.in_point is not None or self.out_point is not None:
            points = f"@{self.in_point or ''}-{self.out_point or ''}"
        layout = f"#{self.layout}" if self.layout else ""
        stream = f"#stream={self.stream}" if self.stream is not None else ""
        return f"{self.path}{points}{layout}{stream}"


@dataclass(frozen=True, kw_only=True)
class FootageRequest:
    """Footage of one camera, or of both in one file.

    `parts` follow each other and behave as one longer clip.
    """

    text: str
    parts: tuple[FootagePart, ...]

    @property
    def layout(self) -> Layout | None:
        """How one file holds both cameras; None where it holds one."""
        return self.parts[0].layout


def parse_footage(text: str) -> FootageRequest:
    """Read footage as typed on the command line.

    Parameters
    ----------
    text : str
        A video file, folder or picture, or several joined by commas; each may carry in and out
        points (``@3.0-21.5``, ``@00:00:03:00-00:00:21:12``, either side may be left out) and
        ``#side-by-side``, ``#stacked`` or ``#stream=N``.

    Returns
    -------
    FootageRequest

    Raises
    ------
    InputError
        When nothing is named, in or out points are malformed or in the wrong order, or the parts
        disagree about where the second camera is.

    Notes
    -----
    A file or folder whose own name contains ``,``, ``@`` or ``#`` wins over this syntax. Whether the
    files exist is checked when they are opened.
    """
    parts = tuple(_part(piece) for piece in _pieces(text))
    if len({part.layout for part in parts}) > 1:
        raise InputError(
            f"{text}: some parts hold both cameras in one picture and others do not; all must be alike.",
            hint="give the same #side-by-side or #stacked after every part",
        )
    return FootageRequest(text=text, parts=parts)


def _pieces(text: str) -> list[str]:
    """Split at commas, but not inside the name of an existing file."""
    if exists(text):
        return [text]
    tokens = text.split(",")
    pieces: list[str] = []
    start = 0
    while start < len(tokens):
        end = start + 1
        for longer in range(len(tokens), start + 1, -1):
            joined = ",".join(tokens[start:longer])
            if any(
                "," in base and "," not in joined[len(base) :] and exists(base) for base in _bases(joined)
            ):
                end = longer
                break
        pieces.append(",".join(tokens[start:end]).strip())
        start = end
    if not all(pieces):
        raise InputError(
            f"footage {text!r}: nothing is named {'between two commas' if text.strip(', ') else 'in it'}; "
            "a video file, a folder of pictures or a picture is needed.",
            hint="name the footage, several parts joined by single commas",
        )
    return pieces


def _bases(piece: str) -> list[str]:
    """Everything the piece could name once in and out points and layout are taken off its end."""
    bases = [piece]
    while (cut := max(bases[-1].rfind("@"), bases[-1].rfind("#"))) > 0:
        bases.append(bases[-1][:cut])
    return bases


def exists(name: str | Path) -> bool:
    """Tell whether a file or folder exists; a name that no file system takes is that of none."""
    try:
        return bool(str(name).strip()) and Path(name).exists()
    except (OSError, ValueError):  # a name too long, or with a null character
        return False


def _part(piece: str) -> FootagePart:
    """Take points and layout off the end until the rest exists or carries none."""
    rest = piece
    in_point = out_point = layout = None
    stream: int | None = None
    while not exists(rest) and (cut := max(rest.rfind("@"), rest.rfind("#"))) > 0:
        base, mark, value = rest[:cut], rest[cut], rest[cut + 1 :].strip()
        if mark == "@":
            if not _LOOKS_LIKE_RANGE.fullmatch(value) and not exists(base):
                break  # part of the name of a file that is missing
            in_point, out_point = _points(piece, value)
        else:
            number = re.fullmatch(r"stream=(\d+)", value)
            if number is not None:
                stream = int(number[1])
            elif value in _LAYOUTS:
                layout = _LAYOUTS[value]
            elif exists(base) or value.startswith(("side", "stack", "stream")):
                raise InputError(f"{piece}: '#{value}' is not understood.", hint=_LAYOUT_HOW)
            else:
                break
        rest = base
    return FootagePart(path=Path(rest), in_point=in_point, out_point=out_point, layout=layout, stream=stream)


def _points(piece: str, value: str) -> tuple[str | None, str | None]:
    """Split 'in-out'; either may be missing, not both; of one kind, and in order."""
    match = _RANGE.fullmatch(value)
    if match is None or not any(match.groups()):
        raise InputError(f"{piece}: '@{value}' is not a pair of in and out points.", hint=_HOW)
    start, end = match.groups()
    if start is not None and end is not None:
        if is_timecode(start) != is_timecode(end):
            raise InputError(f"{piece}: in and out points mix timecode and seconds.", hint=_HOW)
        if _sort_key(end) < _sort_key(start):
            raise InputError(
                f"{piece}: the out point {end} lies before the in point {start}.",
                hint="write the earlier point first",
            )
    return start, end


def _sort_key(point: str) -> tuple[float, ...]:
    """Fields of a point, which order as the points do."""
    if is_timecode(point):
        hours, minutes, rest = point.split(":", 2)
        seconds, frames = re.split(r"[:;.]", rest)
        return float(hours), float(minutes), float(seconds), float(frames)
    return (float(point),)
