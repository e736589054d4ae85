"""One picture as it came from a source, turned into an array only where somebody looks at it."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from rigcheck.footage.request import Layout
from rigcheck.model import Frame, FrameRef
from rigcheck.model._arrays import ImageArray
from rigcheck.opencv import cv2

__all__ = ["Shot", "View", "grey_of", "is_grey"]

# Coding leaves the chroma of a grey camera's pictures this near to neutral, 8-bit code values.
_NEUTRAL = 3
_SPARSE = 8


@dataclass(frozen=True, kw_only=True, eq=False)
class Shot:
    """One picture as it came.

    Parameters
    ----------
    number : int
        Counts from 0 within a session of the source.
    captured_at_s : float
        Monotonic clock: when it arrived, or when a played file is due to show it.
    bit_depth : int
    colour : bool
    make : callable
        Gives (H, W) luma or grey, or (H, W, 3) RGB of full range where `colour`; see :class:`rigcheck.model.Frame`.
    value_range : "full", "video" or None
        Of `make`'s luma, where the source says it.
    file : (str, bytes) or None
        Suffix and bytes of the picture file that it came as.
    """

    number: int
    captured_at_s: float
    bit_depth: int
    colour: bool
    make: Callable[[], ImageArray]
    value_range: Literal["full", "video"] | None = None
    file: tuple[str, bytes] | None = None

    @cached_property
    def image(self) -> ImageArray:
        """The picture as an array; made once."""
        return self.make()


@dataclass(frozen=True, kw_only=True)
class View:
    """Which part of a source's picture is one camera's."""

    source_idx: int
    layout: Layout | None = None
    second: bool = False

    def cut(self, image: ImageArray) -> ImageArray:
        """Cut the camera's part out of a picture, not copied."""
        height, width = image.shape[:2]
        if self.layout == "side-by-side":
            width //= 2
            return image[:, width : 2 * width] if self.second else image[:, :width]
        if self.layout == "stacked":
            height //= 2
            return image[height : 2 * height] if self.second else image[:height]
        return image

    def frame(self, shot: Shot, *, camera: str, origin: str) -> Frame:
        """The camera's picture as measuring takes it."""
        ref = FrameRef(camera=camera, frame_idx=shot.number, origin=origin, time_s=shot.captured_at_s)
        image: NDArray[Any] = np.ascontiguousarray(self.cut(shot.image))
        return Frame(ref=ref, image=image, bit_depth=shot.bit_depth)


def grey_of(image: ImageArray, bit_depth: int) -> NDArray[np.uint8]:
    """An 8-bit grey picture to look at, (H, W); see :meth:`rigcheck.model.Frame.grey8` for one to measure on."""
    grey: NDArray[Any] = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY) if image.ndim == 3 else image
    if grey.dtype != np.uint8:
        grey = cv2.convertScaleAbs(grey, alpha=2.0 ** (8 - bit_depth))
    return np.asarray(grey, dtype=np.uint8)


def is_grey(planes: ImageArray) -> bool:
    """Whether the channels (H, W, 3) of a picture are alike, or chroma planes (K, H, W) neutral, but for coding."""
    thin = planes[..., ::_SPARSE, ::_SPARSE] if planes.shape[-1] != 3 else planes[::_SPARSE, ::_SPARSE]
    if planes.shape[-1] == 3:
        spread = thin.max(axis=-1).astype(np.int32) - thin.min(axis=-1)
    else:
        spread = np.abs(thin.astype(np.int32) - 128)
    return bool(np.quantile(spread, 0.99) <= _NEUTRAL)
