"""Pictures handed to a process beside this one through memory that both see."""

import mmap
import os
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigcheck.model import Frame, FrameRef

if sys.platform == "linux":
    from multiprocessing.reduction import DupFd

__all__ = ["Placed", "SharedPictures"]

_SLOTS = 3


@dataclass(frozen=True, kw_only=True)
class Placed:
    """A picture without its pixels, which lie from `start` on in memory of `size` bytes."""

    ref: FrameRef
    bit_depth: int
    shape: tuple[int, ...]
    dtype: str
    start: int
    size: int


class SharedPictures:
    """Where one process puts pictures for one other, which it is given to on starting.

    Parameters
    ----------
    file : int, optional
        Descriptor of the memory, as the other process has it.

    Notes
    -----
    Each picture stays until the third after it is put. The memory lies in no folder and on no disk, and is gone with
    the two processes. Only Linux has such; elsewhere a picture is sent whole, which copies it five times.
    """

    def __init__(self, file: int | None = None) -> None:
        self._file = file
        if file is None and sys.platform == "linux":
            with suppress(OSError):  # where it is forbidden
                self._file = os.memfd_create("pictures")
        self._memory: mmap.mmap | None = None
        self._size = 0
        self._count = 0

    def __reduce__(self) -> tuple[Callable[..., "SharedPictures"], tuple[object, ...]]:
        """For the other process, while that is being started."""
        if sys.platform != "linux" or self._file is None:
            return SharedPictures, ()
        return _handed, (DupFd(self._file),)

    def put(self, frame: Frame) -> Frame | Placed:
        """Put a picture; what is given back is to be sent, for :meth:`get`."""
        if self._file is None:
            return frame
        image, self._count = frame.image, self._count + 1
        placed = Placed(
            ref=frame.ref,
            bit_depth=frame.bit_depth,
            shape=image.shape,
            dtype=image.dtype.str,
            start=(self._count % _SLOTS) * image.nbytes,
            size=_SLOTS * image.nbytes,
        )
        self._pixels(placed)[...] = image
        return placed

    def get(self, sent: Frame | Placed) -> Frame:
        """Give the picture that the other process put; not to be written into."""
        if isinstance(sent, Frame):
            return sent
        return Frame(ref=sent.ref, image=self._pixels(sent), bit_depth=sent.bit_depth)

    def close(self) -> None:
        """Let the memory go."""
        self._memory = None
        if self._file is not None:
            os.close(self._file)
            self._file = None

    def _pixels(self, placed: Placed) -> NDArray[Any]:
        """The pixels of a picture as they lie in the memory, which is made as large as is needed."""
        if self._file is None:
            raise ValueError("pictures are shared no more")
        if self._memory is None or self._size < placed.size:
            if os.fstat(self._file).st_size < placed.size:
                os.ftruncate(self._file, placed.size)
            self._memory, self._size = mmap.mmap(self._file, placed.size), placed.size
        count = int(np.prod(placed.shape))
        pixels: NDArray[Any] = np.frombuffer(self._memory, placed.dtype, count, placed.start)
        return pixels.reshape(placed.shape)


def _handed(file: Any) -> SharedPictures:  # noqa: ANN401 - of the library's own kind
    return SharedPictures(file.detach())
