"""Pictures made ready for matching, whole or the part that is wanted at half size."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rigcheck.matching.choose import well_lit
from rigcheck.matching.refine import PatchShape
from rigcheck.model import ImageArray
from rigcheck.model._arrays import BoolArray, FloatArray
from rigcheck.opencv import cv2

__all__ = ["LEAST_SIDE_PX", "PreparedPicture", "cut_out", "prepared"]

Float32 = NDArray[np.float32]

LEAST_SIDE_PX = 64
_SMOOTHING_ROOM_PX = 16


@dataclass(frozen=True, kw_only=True)
class PreparedPicture:
    """One picture made ready: as it is for search, smoothed whole and at half size for fitting.

    Its pixel p lies at corner_px + step_px p, (x, y), of the recorded picture.
    """

    eight: NDArray[np.uint8]
    whole: Float32
    half: Float32
    allowed: BoolArray
    shape: PatchShape
    corner_px: tuple[float, float] = (0.0, 0.0)
    step_px: int = 1

    def recorded(self, places: FloatArray) -> FloatArray:
        """Places (N, 2) of this picture as places of the recorded one."""
        return np.asarray(self.corner_px + self.step_px * places)


def prepared(image: ImageArray, mask: BoolArray | None, shape: PatchShape) -> PreparedPicture:
    """Make a whole picture ready, (H, W) or (H, W, 3), with a mask (H, W) of where matches may lie."""
    grey = image
    if image.ndim == 3:
        grey = np.rint(image @ np.array([0.2126, 0.7152, 0.0722])).astype(image.dtype)  # ITU-R BT.709
    full = 255.0
    if grey.dtype != np.uint8:
        full = float(2 ** int(np.ceil(np.log2(max(int(grey.max()), 255) + 1))) - 1)
    values = grey.astype(np.float32)
    eight = grey.astype(np.uint8) if full == 255.0 else (values * np.float32(255.0 / full)).astype(np.uint8)
    height, width = (side // 2 * 2 for side in values.shape)
    half = cv2.resize(values[:height, :width], (width // 2, height // 2), interpolation=cv2.INTER_AREA)
    sigma = shape.smoothed_px
    lit = well_lit(grey, full)
    return PreparedPicture(
        eight=eight,
        whole=np.asarray(cv2.GaussianBlur(values, (0, 0), sigma), dtype=np.float32),
        half=np.asarray(cv2.GaussianBlur(half, (0, 0), sigma), dtype=np.float32),
        allowed=lit if mask is None else lit & mask,
        shape=shape,
    )


def cut_out(image: ImageArray, mask: BoolArray, shape: PatchShape) -> PreparedPicture:
    """Make ready the box around what is wanted, at half size, with room around for patches and smoothing."""
    room = 2 * (shape.radius + _SMOOTHING_ROOM_PX)
    ends = []
    for axis in (1, 0):
        at = np.flatnonzero(mask.any(axis=axis))
        at = at if len(at) else np.array([0])
        side = mask.shape[1 - axis]
        low = min(max(int(at[0]) - room, 0), side - LEAST_SIDE_PX) // 2 * 2
        high = min(max(int(at[-1]) + room, low + LEAST_SIDE_PX), side)
        ends.append(slice(low, low + (high - low) // 2 * 2))
    rows, columns = ends
    part = image[rows, columns]
    size = (part.shape[1] // 2, part.shape[0] // 2)
    resized = cv2.resize(part, size, interpolation=cv2.INTER_AREA)
    small: ImageArray = (
        np.asarray(resized, dtype=np.uint8)
        if image.dtype == np.uint8
        else np.asarray(resized, dtype=np.uint16)
    )
    ready = prepared(small, np.ascontiguousarray(mask[rows, columns][::2, ::2]), shape)
    return replace(ready, corner_px=(columns.start + 0.5, rows.start + 0.5), step_px=2)
