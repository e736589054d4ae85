"""Decoded video pictures as arrays: the luma plane as it is, or RGB."""

import re
from typing import Any

import av
import numpy as np
from av.video.reformatter import ColorRange, Colorspace, Interpolation
from numpy.typing import NDArray

from rigcheck.model._arrays import ImageArray
from rigcheck.opencv import cv2

__all__ = ["PixelFormat", "luma", "rgb"]

_BT709 = np.array([[0.2126, 0.7152, 0.0722]])  # luma weights of ITU-R BT.709 for red, green, blue
_HD_LINES = 720  # from here on BT.709 is meant when a file names no matrix (common practice)
_UNREADABLE = re.compile(
    r"^bayer|^xyz|f(16|32)(le|be)$|vaapi|cuda|vdpau"
)  # mosaics, floats, pictures on a graphics card


class PixelFormat:
    """How a pixel format is read: where luma lies, and how many bits it has.

    Parameters
    ----------
    name : str
        FFmpeg's name of the format.

    Raises
    ------
    ValueError
        When the format holds no picture of plain whole-number samples.
    """

    def __init__(self, name: str) -> None:
        self.name = name
        form = av.VideoFormat(name)
        self.bits = max(component.bits for component in form.components)
        self.is_rgb = form.is_rgb or form.has_palette
        if form.is_bit_stream or _UNREADABLE.search(name) or self.bits > 16:
            raise ValueError(f"pixel format {name}")
        self.bit_depth = max(self.bits, 8)
        self.colour = self.is_rgb or len(form.components) >= 3
        self.planar_luma = not self.is_rgb and _luma_is_plane(name)

    @property
    def dtype(self) -> type[np.uint8] | type[np.uint16]:
        """Type of the samples."""
        return np.uint8 if self.bit_depth == 8 else np.uint16

    @property
    def unpacked(self) -> str:
        """Format with the same luma values in a plane of their own."""
        depth = "" if self.bit_depth == 8 else f"{self.bit_depth}le"
        return f"yuv444p{depth}" if self.colour else f"gray{depth}"

    @property
    def full_rgb(self) -> str:
        """RGB of the same depth: interleaved for 8 bit, planes above."""
        return "rgb24" if self.bit_depth == 8 else f"gbrp{self.bit_depth}le"


def _luma_is_plane(name: str) -> bool:
    """Tell whether plane 0 holds nothing but luma, low bits first."""
    if name.endswith("be"):
        return False
    if name.startswith("gray"):
        return True
    if name.startswith(("yuvj", "yuva", "yuv")) and "p" in name[3:]:
        return True
    return name in ("nv12", "nv16", "nv21", "nv24", "nv42")


def luma(frame: av.VideoFrame, form: PixelFormat) -> ImageArray:
    """Luma or grey of a picture, (H, W), with the code values that were recorded.

    Parameters
    ----------
    frame : av.VideoFrame
    form : PixelFormat
        Of this very frame.

    Notes
    -----
    Of RGB video the BT.709 weighted sum is taken, as of colour pictures.
    """
    if form.is_rgb:
        weighted: NDArray[Any] = cv2.transform(rgb(frame, form), _BT709)
        return weighted
    if not form.planar_luma:
        # Same matrix and range on both sides: samples are moved, not converted.
        frame = frame.reformat(format=form.unpacked, interpolation=Interpolation.POINT)
    plane = frame.planes[0]
    samples: NDArray[Any] = np.frombuffer(memoryview(plane), dtype=form.dtype)
    rows = samples.reshape(-1, plane.line_size // samples.itemsize)
    return rows[: frame.height, : frame.width].copy()


def rgb(frame: av.VideoFrame, form: PixelFormat) -> ImageArray:
    """Picture as (H, W, 3) RGB of full range, in the depth that was recorded.

    Notes
    -----
    Matrix and range are those the file states; where it states none, BT.709 from 720 lines on, else BT.601,
    and video range (common practice). For looking at; luma is what is measured.
    """
    unstated = Colorspace.ITU709 if frame.height >= _HD_LINES else Colorspace.ITU601
    stated = frame.colorspace in (1, 5, 6, 7, 9)
    full = frame.color_range == 2 or form.name.startswith("yuvj") or form.is_rgb
    converted = frame.reformat(
        format=form.full_rgb,
        src_colorspace=None if stated else unstated,
        src_color_range=ColorRange.JPEG if full else ColorRange.MPEG,
        dst_color_range=ColorRange.JPEG,
    )
    image: NDArray[Any] = np.ascontiguousarray(converted.to_ndarray())
    return image
