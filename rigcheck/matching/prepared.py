"""Pictures made ready for matching, whole or the part that is wanted at half size."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rigcheck.matching.choose import well_lit
from rigcheck.matching.refine import PatchShape
from rigcheck.model import ImageArray
from rigcheck.model._arrays import BoolArray, FloatArray
from rigcheck.opencv import cv2

__all__ = ["LEAST_SIDE_PX", "MaskedPair", "PreparedPicture", "cut_out", "eight_bit"]

Float32 = NDArray[np.float32]

LEAST_SIDE_PX = 64
_SMOOTHING_ROOM_PX = 16


@dataclass(frozen=True, kw_only=True, eq=False)
class MaskedPair:
    """Two pictures of one moment as recorded, and where matches may lie, (H, W) each."""

    images: tuple[ImageArray, ImageArray]
    masks: tuple[BoolArray, BoolArray]


@dataclass(frozen=True, kw_only=True)
class PreparedPicture:
    """One picture made ready: smoothed whole and at half size for fitting.

    Its pixel p lies at corner_px + step_px p, (x, y), of the recorded picture.
    """

    whole: Float32
    half: Float32
    allowed: BoolArray
    shape: PatchShape
    corner_px: tuple[float, float] = (0.0, 0.0)
    step_px: int = 1

    def recorded(self, places: FloatArray) -> FloatArray:
        """Places (N, 2) of this picture as places of the recorded one."""
        return np.asarray(self.corner_px + self.step_px * places)


def eight_bit(image: ImageArray) -> tuple[NDArray[np.uint8], float]:
    """A picture (H, W) or (H, W, 3) as 8 bit grey, and its largest code value."""
    grey = _grey(image)
    if grey.dtype == np.uint8:
        return np.asarray(grey, dtype=np.uint8), 255.0
    full = float(2 ** int(np.ceil(np.log2(max(int(grey.max()), 255) + 1))) - 1)
    return (grey.astype(np.float32) * np.float32(255.0 / full)).astype(np.uint8), full


def _grey(image: ImageArray) -> ImageArray:
    if image.ndim == 2:
        return image
    grey: ImageArray = np.rint(image @ np.array([0.2126, 0.7152, 0.0722])).astype(image.dtype)  # ITU-R BT.709
    return grey


def _prepared(grey: ImageArray, mask: BoolArray, shape: PatchShape, full: float) -> PreparedPicture:
    """Make a picture (H, W) ready, with a mask (H, W) of where matches may lie."""
    values = grey.astype(np.float32)
    height, width = (side // 2 * 2 for side in values.shape)
    half = cv2.resize(values[:height, :width], (width // 2, height // 2), interpolation=cv2.INTER_AREA)
    sigma = shape.smoothed_px
    return PreparedPicture(
        whole=np.asarray(cv2.GaussianBlur(values, (0, 0), sigma), dtype=np.float32),
        half=np.asarray(cv2.GaussianBlur(half, (0, 0), sigma), dtype=np.float32),
        allowed=well_lit(grey, full) & mask,
        shape=shape,
    )


def cut_out(image: ImageArray, mask: BoolArray, shape: PatchShape, step: int = 2) -> PreparedPicture:
    """Make ready the box around what is wanted, whole (1) or at half size (2), with room for patches and smoothing."""
    room = step * (shape.radius + _SMOOTHING_ROOM_PX)
    ends = []
    for axis in (1, 0):
        at = np.flatnonzero(mask.any(axis=axis))
        at = at if len(at) else np.array([0])
        side = mask.shape[1 - axis]
        low = min(max(int(at[0]) - room, 0), side - LEAST_SIDE_PX) // 2 * 2
        high = min(max(int(at[-1]) + room, low + LEAST_SIDE_PX), side)
        ends.append(slice(low, low + (high - low) // 2 * 2))
    rows, columns = ends
    part, wanted = _grey(image[rows, columns]), mask[rows, columns]
    full = eight_bit(image[::4, ::4])[1]
    if step == 1:
        ready = _prepared(part, wanted, shape, full)
        return replace(ready, corner_px=(float(columns.start), float(rows.start)))
    size = (part.shape[1] // 2, part.shape[0] // 2)
    resized = cv2.resize(part, size, interpolation=cv2.INTER_AREA)
    small: ImageArray = (
        np.asarray(resized, dtype=np.uint8)
        if image.dtype == np.uint8
        else np.asarray(resized, dtype=np.uint16)
    )
    ready = _prepared(small, np.ascontiguousarray(wanted[::2, ::2]), shape, full)
    return replace(ready, corner_px=(columns.start + 0.5, rows.start + 0.5), step_px=2)
