"""Pictures as recorded, as files: the very bytes where a still came as a file, else lossless PNG."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigcheck.errors import OutputError
from rigcheck.live.shots import Shot, View
from rigcheck.opencv import cv2

__all__ = ["Still", "still_of", "stills_of"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Still:
    """One picture as a file: its suffix and its bytes."""

    suffix: str
    data: bytes


def stills_of(views: Sequence[View], shots: Sequence[Shot]) -> tuple[Still, ...]:
    """The picture of each camera at one moment."""
    return tuple(still_of(view, shots[view.source_idx]) for view in views)


def still_of(view: View, shot: Shot) -> Still:
    """One camera's picture: nothing of it is changed.

    Raises
    ------
    OutputError
        When it cannot be written as PNG.
    """
    if shot.file is not None and view.layout is None:
        return Still(suffix=shot.file[0], data=shot.file[1])
    image: NDArray[Any] = np.ascontiguousarray(view.cut(shot.image))
    if image.ndim == 3:
        image = cv2.cvtColor(image, cv2.COLOR_RGB2BGR)
    done, encoded = cv2.imencode(".png", image, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    if not done:
        raise OutputError(
            f"a picture of {image.shape[1]} × {image.shape[0]} px cannot be written as PNG.",
            hint="try again.",
        )
    return Still(suffix=".png", data=encoded.tobytes())
