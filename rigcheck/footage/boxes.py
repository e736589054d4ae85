"""The box structure of MP4 and MOV files, as far as FFmpeg leaves questions open.

References
----------
ISO/IEC 14496-12, clause 4.2 (boxes) and 8.5 (sample descriptions); the timecode sample description
is that of the QuickTime file format.
"""

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, NamedTuple

__all__ = ["cut_short", "timecode_nominal"]

_FIRST_BOXES = frozenset({b"ftyp", b"wide", b"moov", b"mdat", b"free", b"skip", b"pnot"})
_TO_SAMPLE_DESCRIPTIONS = (b"moov", b"trak", b"mdia", b"minf", b"stbl", b"stsd")


class _Box(NamedTuple):
    """A box: its name, where its content starts, where it ends by its own word."""

    name: bytes
    content: int
    end: int


def _boxes(file: BinaryIO, start: int, end: int) -> Iterator[_Box]:
    """Boxes that follow each other from start to end; the last may claim to end beyond."""
    position = start
    while position + 8 <= end:
        file.seek(position)
        head = file.read(16)
        if len(head) < 8:
            return
        size, name = struct.unpack(">I4s", head[:8])
        content = position + 8
        if size == 1 and len(head) == 16:
            (size,) = struct.unpack(">Q", head[8:])
            content = position + 16
        elif size == 0:
            size = end - position
        if size < content - position:
            return
        yield _Box(name, content, position + size)
        position += size


def cut_short(path: Path) -> bool:
    """Tell whether an MP4 or MOV file ends in the middle of a box, or without an index.

    Other containers give False.
    """
    total = path.stat().st_size
    with path.open("rb") as file:
        found = list(_boxes(file, 0, total))
    if not found or found[0].name not in _FIRST_BOXES:
        return False
    indexed = any(box.name in (b"moov", b"moof") for box in found)
    return not indexed or found[-1].end != total


def timecode_nominal(path: Path) -> int | None:
    """Frame numbers a second of the timecode track of a MOV or MP4 file; None where it has none.

    The track may count 30 numbers a second beside a picture of 60 frames a second.
    """
    total = path.stat().st_size
    with path.open("rb") as file:
        first = next(_boxes(file, 0, total), None)
        if first is None or first.name not in _FIRST_BOXES:
            return None
        for table in _descend(file, 0, total, _TO_SAMPLE_DESCRIPTIONS):
            # Version, flags and entry count precede the entries.
            for entry in _boxes(file, table.content + 8, min(table.end, total)):
                if entry.name == b"tmcd":
                    file.seek(entry.content)
                    layout = file.read(25)
                    return layout[24] or None if len(layout) == 25 else None
    return None


def _descend(file: BinaryIO, start: int, end: int, names: tuple[bytes, ...]) -> Iterator[_Box]:
    """Every box reached through boxes of these names, one level a name."""
    for box in _boxes(file, start, end):
        if box.name != names[0]:
            continue
        if len(names) == 1:
            yield box
        else:
            yield from _descend(file, box.content, min(box.end, end), names[1:])
