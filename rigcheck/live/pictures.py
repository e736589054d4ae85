"""Upright pictures for the page, made only when they are asked for."""

from threading import Lock

import numpy as np

from rigcheck.geometry.upright import upright_picture
from rigcheck.live.shots import Shot, View, grey_of
from rigcheck.live.state import Picture
from rigcheck.opencv import cv2

__all__ = ["PicturesForPage"]

_QUALITY = 80


class PicturesForPage:
    """The newest picture of one camera as JPEG, made once for all who look.

    Parameters
    ----------
    view : View
    height_px : int
        Of the upright picture; smaller pictures stay as they are.
    """

    def __init__(self, view: View, height_px: int) -> None:
        self._view = view
        self._height_px = height_px
        self._lock = Lock()
        self._made: Picture | None = None

    def of(self, shot: Shot, turn_deg: int) -> Picture:
        """The picture of a shot, turned clockwise by `turn_deg` to stand upright."""
        with self._lock:
            if self._made is None or self._made.seq != shot.number:
                self._made = self._make(shot, turn_deg)
            return self._made

    def _make(self, shot: Shot, turn_deg: int) -> Picture:
        grey = grey_of(self._view.cut(shot.image), shot.bit_depth)
        height, width = grey.shape
        upright_height = height if turn_deg in (0, 180) else width
        scale = min(self._height_px / upright_height, 1.0)
        size = max(round(width * scale), 1), max(round(height * scale), 1)
        # Scaled first: turning a small picture is cheaper.
        if scale < 1.0:
            grey = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        upright = upright_picture(grey, turn_deg)
        encoded = cv2.imencode(".jpg", upright, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])[1]
        return Picture(
            seq=shot.number,
            jpeg=encoded.tobytes(),
            size_px=(upright.shape[1], upright.shape[0]),
            captured_at_s=shot.captured_at_s,
        )
