"""Capture devices through OpenCV."""

import sys
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigcheck.live.feeds import SourceLost
from rigcheck.live.shots import Shot, is_grey
from rigcheck.opencv import cv2

__all__ = ["DeviceFeed"]

_FAILED_READS = 5
_WAIT_MS = 2000.0


def _opened(place: str) -> Any:  # noqa: ANN401 - cv2 carries no types
    """The device, by index or path; one picture is held back by the driver at most, where it can be set."""
    which: int | str = int(place) if place.isdecimal() else place
    by = cv2.CAP_V4L2 if sys.platform.startswith("linux") else cv2.CAP_ANY
    capture = cv2.VideoCapture(which, by, [cv2.CAP_PROP_READ_TIMEOUT_MSEC, int(_WAIT_MS)])
    if not capture.isOpened():
        capture = cv2.VideoCapture(which, by)
    capture.set(cv2.CAP_PROP_BUFFERSIZE, 1)
    return capture


class DeviceFeed:
    """A capture device.

    Parameters
    ----------
    place : str
        Index or path.
    opened : callable, optional
        Opens it; gives what ``cv2.VideoCapture`` gives.

    Notes
    -----
    Format, size and rate are left as the camera's own tool has set them. OpenCV gives 8 bits; channels that are alike
    are taken as a grey camera's.
    """

    stalled_after_s: float = 1.0
    lost_after_s: float | None = 5.0
    stalled_remedy = "check the camera's cable and power"

    def __init__(self, place: str, *, opened: Callable[[str], Any] = _opened) -> None:
        self.name = f"device {place}"
        self._place = place
        self._opened = opened
        self._capture: Any = None
        self._number = 0
        self._failed = 0
        self._colour = False

    def open(self) -> None:
        """Open the device."""
        self.close()
        try:
            capture = self._opened(self._place)
        except cv2.error as error:
            raise SourceLost(f"{self.name} cannot be opened ({error.err})", "check its cable") from error
        if not capture.isOpened():
            capture.release()
            raise SourceLost(
                f"{self.name} cannot be opened",
                "check its cable, that you may use it, and that no other program holds it",
            )
        self._capture, self._failed = capture, 0

    def read(self) -> Shot | None:
        """The next picture; None when the driver gave none."""
        good, image = self._capture.read()
        at = time.monotonic()
        if not good or image is None:
            self._failed += 1
            if self._failed >= _FAILED_READS:
                raise SourceLost(f"{self.name} gives no more pictures", "check its cable and power")
            time.sleep(0.05)
            return None
        self._failed = 0
        return self._shot(np.asarray(image), at)

    def close(self) -> None:
        """Release the device."""
        if self._capture is not None:
            self._capture.release()
            self._capture = None

    def _shot(self, image: NDArray[Any], at: float) -> Shot:
        if image.ndim == 3 and not self._colour:
            self._colour = not is_grey(image)  # once colour was seen it stays a colour camera
        if image.ndim == 3:
            colour = self._colour
            kept: NDArray[Any] = (
                cv2.cvtColor(image, cv2.COLOR_BGR2RGB) if colour else cv2.extractChannel(image, 1)
            )
        else:
            colour, kept = False, image
        self._number += 1
        depth = 8 * kept.dtype.itemsize
        return Shot(
            number=self._number - 1, captured_at_s=at, bit_depth=depth, colour=colour, make=lambda: kept
        )
