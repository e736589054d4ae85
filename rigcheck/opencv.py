"""The only door to OpenCV: a missing system library becomes a sentence, not a traceback.

Rooms that use OpenCV write ``from rigcheck.opencv import cv2`` and wrap calls that
can fail on the user's data in :func:`translated`.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
from numpy.typing import NDArray

from rigcheck.errors import DependencyError, EstimationError

# A computation on the user's own machine: no thread pool of OpenCV's video readers, no log noise.
os.environ.setdefault("OPENCV_LOG_LEVEL", "ERROR")

_SYSTEM_LIBRARIES = {
    "libGL": "libgl1",
    "libgthread": "libglib2.0-0",
    "libglib": "libglib2.0-0",
    "libSM": "libsm6",
    "libXext": "libxext6",
}


def missing_library_error(reason: str) -> DependencyError:
    """Turn the loader's complaint about OpenCV into a sentence that names Debian packages.

    Parameters
    ----------
    reason : str
        Text of the ``ImportError`` that importing ``cv2`` raised.

    Returns
    -------
    DependencyError
        Names the packages to install; when no system library is named in
        `reason`, the remedy is to reinstall OpenCV itself.
    """
    named = {package for library, package in _SYSTEM_LIBRARIES.items() if library in reason}
    if not named:
        return DependencyError(
            f"OpenCV could not be loaded ({reason}).",
            hint="install it again: python -m pip install --force-reinstall opencv-contrib-python",
        )
    # The loader stops at the first library it misses; the others are named too, so that once is enough.
    needed = sorted(named | {"libgl1", "libglib2.0-0"})
    return DependencyError(
        f"OpenCV needs libraries of the system that are missing ({reason}).",
        hint=f"on Debian or Ubuntu: sudo apt-get install {' '.join(needed)}",
    )


try:
    import cv2
except ImportError as error:
    raise missing_library_error(str(error)) from error


def shrunk(picture: NDArray[np.uint8], size_px: tuple[int, int]) -> NDArray[np.uint8]:
    """A picture (H, W) at a smaller size (width, height), each pixel the mean of those that it covers.

    Notes
    -----
    Sides of even numbers of pixels, at least twice as long as wanted, are halved first, which OpenCV does in a fraction
    of the time; means are then rounded once more.
    """
    while min(picture.shape[1] / size_px[0], picture.shape[0] / size_px[1]) >= 2:
        height, width = picture.shape
        if height % 2 or width % 2:
            break
        half = cv2.resize(picture, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
        picture = np.asarray(half, dtype=np.uint8)
    if (picture.shape[1], picture.shape[0]) == size_px:
        return picture
    return np.asarray(cv2.resize(picture, size_px, interpolation=cv2.INTER_AREA), dtype=np.uint8)


@contextmanager
def translated(where: str, hint: str) -> Iterator[None]:
    """Turn ``cv2.error`` into an :class:`EstimationError` that says where and what to do.

    Parameters
    ----------
    where : str
        What was being done, on what.
    hint : str
        What the operator does about it.
    """
    try:
        yield
    except cv2.error as error:
        raise EstimationError(f"{where}: OpenCV stopped ({error.err}).", hint=hint) from error


__all__ = ["cv2", "missing_library_error", "shrunk", "translated"]
