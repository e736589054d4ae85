"""Decoded video pictures as shots: luma where the pictures are grey, else RGB."""

from typing import Any, Literal

import av
import numpy as np
from numpy.typing import NDArray

from rigcheck.footage.planes import PixelFormat, luma, rgb
from rigcheck.live.feeds import SourceLost
from rigcheck.live.shots import Shot, is_grey

__all__ = ["DecodedShots"]


class DecodedShots:
    """Makes shots of one stream's decoded pictures, counting them.

    Notes
    -----
    A grey camera's pictures are often coded as colour with neutral chroma: they stay grey until colour is seen once.
    """

    def __init__(self, name: str) -> None:
        self._name = name
        self._number = 0
        self._colour = False
        self._form: PixelFormat | None = None

    def shot(self, frame: av.VideoFrame, at_s: float) -> Shot:
        """Take a decoded picture; SourceLost where its pixels cannot be read."""
        form = self._form_of(frame)
        if form.colour and not self._colour:
            self._colour = form.is_rgb or not _neutral(frame, form)
        colour = form.colour and self._colour
        self._number += 1
        return Shot(
            number=self._number - 1,
            captured_at_s=at_s,
            bit_depth=form.bit_depth,
            colour=colour,
            make=lambda: rgb(frame, form) if colour else luma(frame, form),
            value_range=_range(frame, form),
        )

    def _form_of(self, frame: av.VideoFrame) -> PixelFormat:
        if self._form is None or self._form.name != frame.format.name:
            try:
                self._form = PixelFormat(frame.format.name)
            except ValueError as error:
                raise SourceLost(
                    f"{self._name} sends {error}, which cannot be measured on",
                    "set the camera or encoder to plain 8 to 16 bit pictures",
                ) from error
        return self._form


def _neutral(frame: av.VideoFrame, form: PixelFormat) -> bool:
    """Whether the chroma planes say nothing; only asked where they are planes of their own."""
    if len(frame.planes) < 3:
        return False
    planes: list[NDArray[Any]] = []
    for plane in frame.planes[1:3]:
        samples: NDArray[Any] = np.frombuffer(memoryview(plane), dtype=form.dtype)
        rows = samples.reshape(-1, plane.line_size // samples.itemsize)[: plane.height, : plane.width]
        planes.append(rows >> (form.bits - 8) if form.bits > 8 else rows)
    chroma: NDArray[Any] = np.stack(planes)
    return is_grey(chroma)


def _range(frame: av.VideoFrame, form: PixelFormat) -> Literal["full", "video"] | None:
    if form.name.startswith("yuvj") or frame.color_range == 2:
        return "full"
    return "video" if frame.color_range == 1 else None
