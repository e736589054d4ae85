"""Folders of pictures and single pictures, decoded as stored."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigcheck.errors import InputError
from rigcheck.footage.headers import PICTURE_SUFFIXES, PictureHeader, read_header
from rigcheck.footage.timing import FrameTable, count_table
from rigcheck.model import Finding
from rigcheck.model._arrays import ImageArray, IntArray
from rigcheck.opencv import cv2

__all__ = ["PictureSource", "narrow_depth", "open_pictures"]

_BT709 = np.array(
    [[0.0722, 0.7152, 0.2126]]
)  # luma weights of ITU-R BT.709 in OpenCV's order blue, green, red
_TURNS_DEG = {
    1: 0,
    2: 0,
    3: 180,
    4: 180,
    5: 90,
    6: 90,
    7: 270,
    8: 270,
}  # clockwise, for display (CIPA DC-008)
_MIRRORED = frozenset({2, 4, 5, 7})
_NARROW_DEPTHS = (10, 12, 14)


class PictureSource:
    """Pictures that follow each other by name.

    Parameters
    ----------
    paths : tuple of Path
    headers : tuple of PictureHeader
        One a picture, alike in size and depth.
    findings : tuple of Finding
    """

    stream = 0  # pictures have one stream each

    def __init__(
        self, paths: tuple[Path, ...], headers: tuple[PictureHeader, ...], findings: tuple[Finding, ...]
    ) -> None:
        self.paths = paths
        self.headers = headers
        self.stored_depth = headers[0].bit_depth
        narrow = self._narrow_depth() if self.stored_depth == 16 else None
        self.bit_depth = narrow or self.stored_depth
        if narrow is not None:
            findings = (*findings, _narrow_finding(narrow))
        self.findings = findings

    @property
    def size_px(self) -> tuple[int, int]:
        """(width, height)."""
        return self.headers[0].size_px

    @property
    def colour(self) -> bool:
        """True when any picture has colour."""
        return any(header.colour for header in self.headers)

    @property
    def display_rotation_deg(self) -> int:
        """Clockwise turn that the first picture's EXIF asks of a viewer; not applied."""
        return _TURNS_DEG[self.headers[0].orientation]

    @property
    def table(self) -> FrameTable:
        """Indices without times; every picture can be decoded on its own."""
        n = len(self.paths)
        return count_table(n, np.ones(n, dtype=bool), rate=None)

    def origin_of(self, index: int) -> str:
        """Name the file that holds a picture."""
        return str(self.paths[index])

    def read(self, wanted: IntArray, *, colour: bool) -> Iterator[tuple[int, ImageArray]]:
        """Decode the pictures with these ascending indices, one at a time."""
        for index in wanted:
            yield int(index), self._decode(int(index), colour=colour)

    def _decode(self, index: int, *, colour: bool) -> ImageArray:
        path, header = self.paths[index], self.headers[index]
        image: NDArray[Any] = _decoded(path)
        if image.shape[1::-1] != header.size_px or image.dtype.itemsize * 8 != header.bit_depth:
            raise _undecodable(path, "what was decoded differs from what the header states")
        if not header.colour and image.ndim == 3:
            image = np.ascontiguousarray(
                image[:, :, 0]
            )  # grey with transparency comes as three equal channels
        if image.ndim == 3:
            image = np.ascontiguousarray(image[:, :, :3])
            image = cv2.cvtColor(image, cv2.COLOR_BGR2RGB) if colour else cv2.transform(image, _BT709)
        elif colour:
            image = cv2.cvtColor(image, cv2.COLOR_GRAY2RGB)
        return image

    def _narrow_depth(self) -> int | None:
        """10, 12 or 14 when the code values of first, middle and last picture never leave the low bits."""
        n = len(self.paths)
        highest = max(int(self._raw_max(k)) for k in sorted({0, n // 2, n - 1}))
        return narrow_depth(highest)

    def _raw_max(self, index: int) -> int:
        return int(_decoded(self.paths[index]).max())


def narrow_depth(highest: int) -> int | None:
    """10, 12 or 14 where 16-bit pictures whose highest code value this is leave the high bits empty."""
    return next((bits for bits in _NARROW_DEPTHS if 255 < highest < 1 << bits), None)


def open_pictures(paths: tuple[Path, ...], findings: tuple[Finding, ...] = ()) -> PictureSource:
    """Open pictures that follow each other, checking every header and decoding the first.

    Parameters
    ----------
    paths : tuple of Path
        In order.
    findings : tuple of Finding
        What is known of them already.

    Raises
    ------
    InputError
        When one is no picture, is cut short within its header, or differs from the others in size or depth.
    """
    headers = tuple(read_header(path) for path in paths)
    first = headers[0]
    for path, header in zip(paths, headers, strict=True):
        if header.size_px != first.size_px:
            raise InputError(
                f"{path}: {header.size_px[0]} x {header.size_px[1]} px found, "
                f"{first.size_px[0]} x {first.size_px[1]} px needed as in {paths[0].name}; "
                "pictures of one camera must be of one size.",
                hint="take out the pictures that were cropped, scaled or come from another camera",
            )
        if header.bit_depth != first.bit_depth:
            raise InputError(
                f"{path}: {header.bit_depth} bit found, {first.bit_depth} bit needed as in {paths[0].name}; "
                "pictures of one camera must be of one bit depth.",
                hint="export all pictures of the camera at the same bit depth",
            )
    _decoded(paths[0])
    return PictureSource(paths, headers, (*findings, *_header_findings(paths, headers)))


def pictures_in(folder: Path) -> tuple[tuple[Path, ...], tuple[Finding, ...]]:
    """Pictures of a folder sorted by name, numbers in names by value; hidden files are passed over.

    Raises
    ------
    InputError
        When the folder cannot be read, holds no picture, or something under a picture's name that is no file.
    """
    try:
        named = [path for path in folder.iterdir() if not path.name.startswith(".")]
        files = [path for path in named if path.is_file()]
    except OSError as error:
        raise InputError(
            f"{folder}: the folder cannot be read ({error.strerror or error}).",
            hint="check that you may read it",
        ) from error
    pictures = sorted((path for path in files if path.suffix.lower() in PICTURE_SUFFIXES), key=_by_name)
    others = len(files) - len(pictures)
    broken = sorted(path for path in set(named) - set(files) if path.suffix.lower() in PICTURE_SUFFIXES)
    if broken:
        raise InputError(
            f"{broken[0]}: no plain file found (a folder, a pipe, or a link that leads nowhere), a picture needed.",
            hint="copy the picture itself there, or take the entry out of the footage",
        )
    if not pictures:
        found = f"{others} other files" if others else "nothing"
        raise InputError(
            f"{folder}: the folder holds {found}, pictures (PNG, TIFF or JPEG) are needed.",
            hint="name the folder that holds the pictures themselves, or the video file",
        )
    note = Finding(
        code="other_files", sentence=f"{folder}: {others} files that are no pictures were passed over."
    )
    return tuple(pictures), (note,) if others else ()


def _by_name(path: Path) -> tuple[list[tuple[int, int, str]], str]:
    """Order of names with numbers compared by value."""
    pieces = re.split(r"(\d+)", path.name.casefold())
    return [(0, int(text), "") if text.isdecimal() else (1, 0, text) for text in pieces if text], path.name


def _decoded(path: Path) -> NDArray[Any]:
    try:
        data = np.fromfile(path, dtype=np.uint8)
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror or error}).",
            hint="check that the disk is connected and that you may read the file",
        ) from error
    try:
        # UNCHANGED: full bit depth, and no turning by EXIF orientation.
        image = cv2.imdecode(data, cv2.IMREAD_UNCHANGED) if len(data) else None
    except cv2.error as error:
        raise _undecodable(path, f"the decoder stopped ({error.err})") from error
    if image is None:
        raise _undecodable(path, "the picture data are damaged or cut short")
    return image


def _undecodable(path: Path, why: str) -> InputError:
    return InputError(
        f"{path}: cannot be decoded: {why}; a whole picture is needed.",
        hint="copy the file again from the camera, or take it out of the footage",
    )


def _narrow_finding(bits: int) -> Finding:
    return Finding(
        code="low_bits",
        sentence=(
            f"the 16 bit pictures use only the lowest {bits} bits in the first, middle and last picture: "
            f"they are taken as {bits} bit."
        ),
    )


def _header_findings(paths: tuple[Path, ...], headers: tuple[PictureHeader, ...]) -> list[Finding]:
    findings = []
    turned = [k for k, header in enumerate(headers) if header.orientation != 1]
    if turned:
        orientation = headers[turned[0]].orientation
        mirrored = " and mirrored" if orientation in _MIRRORED else ""
        findings.append(
            Finding(
                code="display_rotation",
                sentence=(
                    f"{len(turned)} of {len(headers)} pictures ask a viewer to show them turned by "
                    f"{_TURNS_DEG[orientation]} degrees clockwise{mirrored} (first: "
                    f"{paths[turned[0]].name}); they are used as stored."
                ),
            )
        )
    paged = [path.name for path, header in zip(paths, headers, strict=True) if header.pages > 1]
    if paged:
        findings.append(
            Finding(
                code="several_pages", sentence=f"{paged[0]} holds several pictures; only the first is used."
            )
        )
    return findings
