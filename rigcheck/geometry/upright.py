"""Pictures and points turned upright by quarter turns, and back.

`turn_deg` is by how much the picture as recorded is turned clockwise to stand upright: 0, 90, 180 or 270. A camera
mounted with its body turned clockwise by 90°, as seen from behind it, records a picture that lies
counter-clockwise, so its `mount_rotation_deg` is exactly this turn.
"""

from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from rigcheck.model._arrays import FloatArray, ImageArray

PictureT = TypeVar("PictureT", NDArray[np.uint8], ImageArray)

__all__ = ["recorded_points", "upright_picture", "upright_points", "upright_size"]


def upright_picture(image: PictureT, turn_deg: int) -> PictureT:
    """Turn a picture, (H, W) or (H, W, 3), of any depth, clockwise."""
    turned: NDArray[Any] = np.rot90(image, k=-_quarters(turn_deg))
    return np.ascontiguousarray(turned)


def upright_size(size_px: tuple[int, int], turn_deg: int) -> tuple[int, int]:
    """(width, height) of the turned picture, from (width, height) as recorded."""
    return size_px if _quarters(turn_deg) % 2 == 0 else (size_px[1], size_px[0])


def upright_points(points_px: FloatArray, size_px: tuple[int, int], turn_deg: int) -> FloatArray:
    """Map points of the picture as recorded into the turned picture.

    Parameters
    ----------
    points_px : (..., 2) float64, px, as recorded
    size_px : (width, height) as recorded
    turn_deg : 0, 90, 180 or 270, clockwise
    """
    x, y = points_px[..., 0], points_px[..., 1]
    right, bottom = size_px[0] - 1.0, size_px[1] - 1.0
    match _quarters(turn_deg):
        case 0:
            turned = (x, y)
        case 1:
            turned = (bottom - y, x)
        case 2:
            turned = (right - x, bottom - y)
        case _:
            turned = (y, right - x)
    return np.stack(turned, axis=-1)


def recorded_points(points_px: FloatArray, size_px: tuple[int, int], turn_deg: int) -> FloatArray:
    """Map points of the turned picture back into the picture as recorded.

    Parameters
    ----------
    points_px : (..., 2) float64, px, in the turned picture
    size_px : (width, height) as recorded
    turn_deg : 0, 90, 180 or 270, the clockwise turn to undo
    """
    return upright_points(points_px, upright_size(size_px, turn_deg), (360 - turn_deg) % 360)


def _quarters(turn_deg: int) -> int:
    if turn_deg not in (0, 90, 180, 270):
        raise ValueError(f"turn_deg: {turn_deg} found, 0, 90, 180 or 270 needed")
    return turn_deg // 90
