"""What the header of a PNG, TIFF or JPEG file says, without decoding the picture."""

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from rigcheck.errors import InputError

__all__ = ["PICTURE_SUFFIXES", "PictureHeader", "read_header"]

PICTURE_SUFFIXES = frozenset({".png", ".tif", ".tiff", ".jpg", ".jpeg"})
_PNG = b"\x89PNG\r\n\x1a\n"
_ORIENTATION = 274  # tag of EXIF and TIFF 6.0
_TIFF_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 6: 1, 7: 1, 8: 2, 9: 4, 13: 4, 16: 8, 17: 8, 18: 8}
_TIFF_CODES = {1: "B", 3: "H", 4: "I", 6: "b", 8: "h", 9: "i", 13: "I", 16: "Q", 17: "q", 18: "Q"}
_FARTHEST = 1 << 62
_FRAME_MARKERS = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_HINT = "export it again as an 8 or 16 bit PNG, TIFF or JPEG, or take it out of the footage"


@dataclass(frozen=True, kw_only=True)
class PictureHeader:
    """Format, size and depth of a picture as its header states them.

    `orientation` is the EXIF number 1 to 8 (1: as stored).
    """

    kind: str
    size_px: tuple[int, int]
    bit_depth: int
    colour: bool
    orientation: int = 1
    pages: int = 1


class _Bad(Exception):
    """The header cannot be read; the text says why."""


def read_header(path: Path) -> PictureHeader:
    """Read the header of a picture.

    Parameters
    ----------
    path : Path

    Returns
    -------
    PictureHeader

    Raises
    ------
    InputError
        When the file is empty, cut short, not a PNG, TIFF or JPEG whatever its name says, or of a bit depth
        other than 8 or 16.

    References
    ----------
    W3C PNG (third edition) 11.2; TIFF 6.0 section 2 and the BigTIFF layout; ITU-T T.81 annex B; CIPA DC-008.
    """
    try:
        if path.exists() and not path.is_file():  # a pipe would keep this waiting for ever
            raise _Bad("this is no plain file")
        with path.open("rb") as file:
            header = _read(file)
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror or error}).",
            hint="check that the file is there and that you may read it",
        ) from error
    except (_Bad, struct.error, KeyError) as error:
        found = str(error) if isinstance(error, _Bad) else "its header is damaged or cut short"
        raise InputError(f"{path}: {found}; a PNG, TIFF or JPEG picture is needed.", hint=_HINT) from error
    if header.bit_depth not in (8, 16):
        raise InputError(f"{path}: {header.bit_depth} bits a sample found, 8 or 16 needed.", hint=_HINT)
    if min(header.size_px) < 1:
        raise InputError(
            f"{path}: its header gives a size of {header.size_px[0]} x {header.size_px[1]} px.", hint=_HINT
        )
    return header


def _read(file: BinaryIO) -> PictureHeader:
    start = file.read(16)
    if not start:
        raise _Bad("the file is empty (0 bytes)")
    if start.startswith(_PNG):
        return _png(file)
    if start[:2] == b"\xff\xd8":
        return _jpeg(file)
    if start[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return _tiff_header(file)
    raise _Bad("this is no picture, whatever its name says")


def _png(file: BinaryIO) -> PictureHeader:
    file.seek(8)
    width = height = bits = kind = 0
    orientation = 1
    while len(head := file.read(8)) == 8:
        length, name = struct.unpack(">I4s", head)
        if name == b"IHDR":
            width, height, bits, kind = struct.unpack(">IIBB", file.read(10))
            file.seek(length - 10 + 4, 1)
        elif name == b"eXIf":
            orientation = _orientation(file, file.tell())
            break
        elif name == b"IDAT":
            break
        else:
            file.seek(length + 4, 1)
    if not width:
        raise _Bad("the file is cut short within its header")
    return PictureHeader(
        kind="PNG",
        size_px=(width, height),
        bit_depth=max(bits, 8),
        colour=kind in (2, 3, 6),
        orientation=orientation,
    )


def _jpeg(file: BinaryIO) -> PictureHeader:
    file.seek(2)
    orientation = 1
    while len(head := file.read(2)) == 2:
        if head[0] != 0xFF:
            raise _Bad("its header is damaged")
        marker = head[1]
        if marker == 0xFF:  # padding
            file.seek(-1, 1)
            continue
        if marker == 0x01 or 0xD0 <= marker <= 0xD8:
            continue
        (length,) = struct.unpack(">H", file.read(2))
        after = file.tell() + length - 2
        if marker in _FRAME_MARKERS:
            bits, height, width, channels = struct.unpack(">BHHB", file.read(6))
            return PictureHeader(
                kind="JPEG",
                size_px=(width, height),
                bit_depth=bits,
                colour=channels > 1,
                orientation=orientation,
            )
        if marker == 0xE1 and file.read(6) == b"Exif\0\0":
            orientation = _orientation(file, file.tell())
        if marker in (0xD9, 0xDA):
            break
        file.seek(after)
    raise _Bad("the file is cut short within its header")


def _tiff_header(file: BinaryIO) -> PictureHeader:
    tags, pages = _tiff_tags(file, 0)
    if 256 not in tags or 257 not in tags:
        raise _Bad("its header gives no size")
    bits = tags.get(258, (1,))
    samples = tags.get(277, (1,))[0]
    if len(set(bits)) > 1 or tags.get(339, (1,))[0] not in (1, 4):
        raise _Bad("its samples are not plain whole numbers of one depth")
    return PictureHeader(
        kind="TIFF",
        size_px=(tags[256][0], tags[257][0]),
        bit_depth=max(bits[0], 8),
        colour=samples >= 3 or tags.get(262, (1,))[0] == 3,
        orientation=_checked(tags.get(_ORIENTATION, (1,))[0]),
        pages=pages,
    )


def _orientation(file: BinaryIO, base: int) -> int:
    """Orientation from an EXIF block, which is laid out as a TIFF header at `base`."""
    try:
        tags, _ = _tiff_tags(file, base)
    except (_Bad, struct.error, KeyError):
        return 1  # a damaged EXIF block says nothing about the picture
    return _checked(tags.get(_ORIENTATION, (1,))[0])


def _checked(orientation: int) -> int:
    return orientation if 1 <= orientation <= 8 else 1


def _go(file: BinaryIO, position: int) -> None:
    """Go to a position that the header names, which a damaged one may put anywhere."""
    if position > _FARTHEST:
        raise _Bad("its header is damaged")
    file.seek(position)


def _tiff_tags(file: BinaryIO, base: int) -> tuple[dict[int, tuple[int, ...]], int]:
    """Whole-number tags of the first page, and how many pages there are (2: two or more)."""
    file.seek(base)
    mark = file.read(4)
    order = {b"II": "<", b"MM": ">"}[mark[:2]]
    big = struct.unpack(order + "H", mark[2:])[0] == 43
    if big:
        file.seek(4, 1)
    offset_code, count_code, inline = ("Q", "Q", 8) if big else ("I", "H", 4)
    pointer = struct.Struct(order + offset_code)
    counter = struct.Struct(order + count_code)
    entry = struct.Struct(order + "HH" + offset_code + f"{inline}s")
    (first,) = pointer.unpack(file.read(pointer.size))
    _go(file, base + first)
    (count,) = counter.unpack(file.read(counter.size))
    if count > 4096:
        raise _Bad("its header is damaged")
    entries = [entry.unpack(file.read(entry.size)) for _ in range(count)]
    (following,) = pointer.unpack(file.read(pointer.size).ljust(pointer.size, b"\0"))
    tags: dict[int, tuple[int, ...]] = {}
    for tag, kind, number, value in entries:
        if kind not in _TIFF_CODES or not 0 < number <= 64:
            continue  # text, fractions and long tables are of no use here
        size = _TIFF_SIZES[kind] * number
        if size > inline:
            _go(file, base + pointer.unpack(value)[0])
            value = file.read(size)
        tags[tag] = struct.unpack(f"{order}{number}{_TIFF_CODES[kind]}", value[:size])
    return tags, 2 if following else 1
