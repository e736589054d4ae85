"""A folder that stills are saved into: the newest whole picture."""

import os
import time
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigcheck.footage.headers import PICTURE_SUFFIXES
from rigcheck.footage.pictures import narrow_depth
from rigcheck.live.feeds import SourceLost
from rigcheck.live.shots import Shot
from rigcheck.model._arrays import ImageArray
from rigcheck.opencv import cv2

__all__ = ["FolderFeed"]

_LOOK_S = 0.15
# After so long without growing, a picture that is not whole is taken to be damaged.
_UNFINISHED_S = 5.0
_PNG_END, _JPEG_END = b"IEND\xaeB`\x82", b"\xff\xd9"
_TAIL = 64


class FolderFeed:
    """A growing folder of stills.

    Parameters
    ----------
    folder : Path

    Notes
    -----
    A picture counts once its file has stopped growing, ends as its format ends, and can be decoded. Files that are
    hidden or no pictures are passed over. Only the newest is shown: what is skipped is not lost.
    """

    stalled_after_s: float = 10.0
    lost_after_s: float | None = None

    def __init__(self, folder: Path) -> None:
        self.name = str(folder)
        self.stalled_remedy = "take the next still"
        self._folder = folder
        self._number = 0
        self._shown: tuple[int, str] = (-1, "")
        self._sizes: dict[str, tuple[int, float]] = {}

    def open(self) -> None:
        """Look whether the folder is there."""
        self._listed()

    def read(self) -> Shot | None:
        """The newest whole picture, where there is a newer one than before."""
        time.sleep(_LOOK_S)
        self.stalled_remedy = "take the next still"
        for order, path, size in sorted(self._listed(), reverse=True):
            if order <= self._shown:
                break
            if not self._settled(path.name, size):
                continue
            shot = self._shot(path)
            if shot is not None:
                self._shown = order
                self._sizes.clear()
                return shot
            self._tell_unfinished(path.name)
        return None

    def close(self) -> None:
        """Nothing is held."""

    def _listed(self) -> list[tuple[tuple[int, str], Path, int]]:
        """Pictures with what orders them: when they were written or put here, then name."""
        found = []
        try:
            with os.scandir(self._folder) as entries:
                for entry in entries:
                    if entry.name.startswith(".") or Path(entry.name).suffix.lower() not in PICTURE_SUFFIXES:
                        continue
                    status = entry.stat()
                    if status.st_size:
                        # A copy may keep its old time of writing; the second time is when it came.
                        order = (max(status.st_mtime_ns, status.st_ctime_ns), entry.name)
                        found.append((order, Path(entry.path), status.st_size))
        except FileNotFoundError as error:
            if not self._folder.is_dir():
                raise SourceLost(f"{self.name} is gone", "check that the disk is connected") from error
        except OSError as error:
            raise SourceLost(
                f"{self.name} cannot be read ({error.strerror or error})", "check that you may read it"
            ) from error
        return found

    def _settled(self, name: str, size: int) -> bool:
        """Whether the file had this size at the look before."""
        now = time.monotonic()
        before = self._sizes.get(name)
        if before is None or before[0] != size:
            self._sizes[name] = (size, now)
            return False
        return True

    def _tell_unfinished(self, name: str) -> None:
        if time.monotonic() - self._sizes[name][1] > _UNFINISHED_S:
            self.stalled_remedy = f"{name} stays unfinished or is damaged: save it again"

    def _shot(self, path: Path) -> Shot | None:
        try:
            data = path.read_bytes()
        except OSError:
            return None
        image = _whole(data, path.suffix.lower())
        if image is None:
            return None
        colour = image.ndim == 3
        self._number += 1
        return Shot(
            number=self._number - 1,
            captured_at_s=time.monotonic(),
            bit_depth=_depth(image),
            colour=colour,
            make=lambda: image,
            file=(path.suffix.lower(), data),
        )


def _whole(data: bytes, suffix: str) -> ImageArray | None:
    """The picture, RGB or grey; None where it is cut short or cannot be decoded."""
    tail = data[-_TAIL:].rstrip(b"\0")
    if (suffix == ".png" and _PNG_END not in tail) or (suffix in (".jpg", ".jpeg") and _JPEG_END not in tail):
        return None
    try:
        image: NDArray[Any] | None = cv2.imdecode(np.frombuffer(data, dtype=np.uint8), cv2.IMREAD_UNCHANGED)
    except cv2.error:
        return None
    if image is None or image.dtype not in (np.uint8, np.uint16):
        return None
    if image.ndim == 2:
        return image
    if image.shape[2] < 3:
        image = np.ascontiguousarray(image[:, :, 0])
        return image
    coloured: NDArray[Any] = cv2.cvtColor(np.ascontiguousarray(image[:, :, :3]), cv2.COLOR_BGR2RGB)
    return coloured


def _depth(image: ImageArray) -> int:
    """Bits that the code values use."""
    if image.dtype == np.uint8:
        return 8
    return narrow_depth(int(image.max())) or 16
