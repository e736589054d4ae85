"""Picture headers against Pillow and tifffile (general-purpose readers, independent of this code)."""

import io

import numpy as np
import pytest
import tifffile
from PIL import Image

from rigcheck.errors import InputError
from rigcheck.footage.headers import read_header

GREY = np.arange(12 * 20, dtype=np.uint8).reshape(12, 20)
COLOUR = np.stack([GREY, GREY[::-1], GREY[:, ::-1]], axis=2)
DEEP = GREY.astype(np.uint16) * 257


def _pillow(image, suffix, **options):
    buffer = io.BytesIO()
    Image.fromarray(image).save(buffer, {"png": "PNG", "jpg": "JPEG", "tif": "TIFF"}[suffix], **options)
    return buffer.getvalue()


def _tiff(image, **options):
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, image, **options)
    return buffer.getvalue()


FILES = {
    "png grey": (_pillow(GREY, "png"), "PNG", 8, False),
    "png colour": (_pillow(COLOUR, "png"), "PNG", 8, True),
    "png grey 16": (_pillow(DEEP, "png"), "PNG", 16, False),
    "png palette": (_pillow(GREY % 4, "png", bits=2), "PNG", 8, False),
    "jpeg grey": (_pillow(GREY, "jpg"), "JPEG", 8, False),
    "jpeg colour": (_pillow(COLOUR, "jpg"), "JPEG", 8, True),
    "jpeg progressive": (_pillow(COLOUR, "jpg", progressive=True), "JPEG", 8, True),
    "tiff grey": (_tiff(GREY), "TIFF", 8, False),
    "tiff grey 16": (_tiff(DEEP), "TIFF", 16, False),
    "tiff colour 16": (_tiff(COLOUR.astype(np.uint16), photometric="rgb"), "TIFF", 16, True),
    "tiff big-endian": (_tiff(DEEP, byteorder=">"), "TIFF", 16, False),
    "tiff big file": (_tiff(DEEP, bigtiff=True), "TIFF", 16, False),
    "tiff deflate": (_tiff(DEEP, compression="zlib"), "TIFF", 16, False),
    "tiff tiled": (_tiff(np.tile(DEEP, (4, 4)), tile=(16, 16)), "TIFF", 16, False),
}


@pytest.mark.parametrize("name", FILES)
def test_size_depth_and_colour(name, tmp_path):
    data, kind, depth, colour = FILES[name]
    path = tmp_path / "picture"
    path.write_bytes(data)
    header = read_header(path)
    with Image.open(io.BytesIO(data)) as theirs:
        assert header.size_px == theirs.size
    assert (header.kind, header.bit_depth, header.colour) == (kind, depth, colour)
    assert (header.orientation, header.pages) == (1, 1)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("suffix", ["png", "jpg", "tif"])
def test_orientation(orientation, suffix, tmp_path):
    """EXIF (CIPA DC-008) in JPEG and PNG, and the tag of TIFF 6.0 itself, as written by Pillow."""
    exif = Image.Exif()
    exif[274] = orientation
    path = tmp_path / "picture"
    path.write_bytes(_pillow(COLOUR, suffix, exif=exif))
    assert read_header(path).orientation == orientation


def test_several_pages(tmp_path):
    path = tmp_path / "pages.tif"
    tifffile.imwrite(path, np.stack([DEEP, DEEP]), photometric="minisblack")
    assert read_header(path).pages == 2


@pytest.mark.parametrize("name", FILES)
def test_a_header_cut_short_is_refused(name, tmp_path):
    data = FILES[name][0]
    path = tmp_path / "picture.png"
    for length in (0, 1, 3, 9, 20):
        path.write_bytes(data[:length])
        with pytest.raises(InputError, match=r"picture\.png"):
            read_header(path)


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b"", "0 bytes"),
        (b"not a picture at all", "whatever its name says"),
        (_tiff(GREY.astype(np.float32)), "whole numbers"),
        (_tiff(GREY.astype(np.uint32)), "32 bits"),
    ],
)
def test_what_is_no_usable_picture_is_refused(data, found, tmp_path):
    path = tmp_path / "picture.tif"
    path.write_bytes(data)
    with pytest.raises(InputError, match=found):
        read_header(path)


def test_random_damage_never_ends_in_anything_but_a_clear_error(tmp_path):
    rng = np.random.default_rng([7, 1])
    path = tmp_path / "picture"
    for data, *_ in FILES.values():
        for _ in range(40):
            broken = bytearray(data)
            for place in rng.integers(0, min(len(data), 120), 3):
                broken[place] = rng.integers(256)
            path.write_bytes(broken)
            try:
                read_header(path)
            except InputError as error:
                assert error.hint  # noqa: PT017 - either outcome is right, but nothing else is
