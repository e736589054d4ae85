"""Square cut-outs of a picture, turned and scaled, without aliasing."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2

__all__ = ["PictureLevels", "Square", "as_input"]

Picture8 = NDArray[np.uint8]


@dataclass(frozen=True, kw_only=True, eq=False)
class Square:
    """A square in a picture.

    `centre_px` in pixels (the centre of the top-left pixel is (0, 0)); `side_px`; `angle_rad` is the direction of
    its own x axis in the picture, clockwise as seen, since y points down. Own coordinates run from
    (0, 0) at its top-left corner to (1, 1).
    """

    centre_px: FloatArray
    side_px: float
    angle_rad: float = 0.0

    @property
    def _axes(self) -> FloatArray:
        cos, sin = np.cos(self.angle_rad), np.sin(self.angle_rad)
        return np.array([[cos, sin], [-sin, cos]]) * self.side_px

    def to_picture(self, own: FloatArray) -> FloatArray:
        """Map (N, 2) own coordinates to picture pixels."""
        return np.asarray(self.centre_px + (own - 0.5) @ self._axes)

    def from_picture(self, points_px: FloatArray) -> FloatArray:
        """Map (N, 2) picture pixels to own coordinates."""
        return np.asarray((points_px - self.centre_px) @ self._axes.T / self.side_px**2 + 0.5)

    def within(self, outer: "Square", size: int) -> "Square":
        """Give the same square in pixels of the cut-out of `outer` of `size` pixels."""
        return Square(
            centre_px=outer.from_picture(self.centre_px) * size - 0.5,
            side_px=self.side_px / outer.side_px * size,
            angle_rad=self.angle_rad - outer.angle_rad,
        )


def as_input(cut: Picture8) -> NDArray[np.float32]:
    """Turn a cut-out into the (1, H, W, 3) float32 a network takes, still in code values; grey in equal channels."""
    rgb = cv2.cvtColor(cut, cv2.COLOR_GRAY2RGB) if cut.ndim == 2 else cut
    return np.asarray(rgb, dtype=np.float32)[None]


class PictureLevels:
    """A picture and its halves, so that a small cut-out of a large area does not alias.

    Parameters
    ----------
    image : (H, W) or (H, W, 3) uint8
    """

    def __init__(self, image: Picture8) -> None:
        self._levels = [image]

    @property
    def size_px(self) -> tuple[int, int]:
        """(width, height) of the picture."""
        return int(self._levels[0].shape[1]), int(self._levels[0].shape[0])

    def _level(self, scale: float) -> int:
        """Index of the smallest level still at least as fine as `scale` picture pixels a cut-out pixel."""
        wanted = max(0, int(np.floor(np.log2(max(scale, 1.0)))))
        while len(self._levels) <= wanted and min(self._levels[-1].shape[:2]) >= 64:
            finest = self._levels[-1]
            half = finest[: finest.shape[0] // 2 * 2, : finest.shape[1] // 2 * 2]
            shape = (half.shape[1] // 2, half.shape[0] // 2)
            self._levels.append(
                np.asarray(cv2.resize(half, shape, interpolation=cv2.INTER_AREA), dtype=np.uint8)
            )
        return min(wanted, len(self._levels) - 1)

    def cut(self, square: Square, size: int, *, mirrored: bool = False) -> Picture8:
        """Cut a square out, (size, size) uint8 or, of a coloured picture, (size, size, 3); black outside the picture.

        Cut-out pixel i covers the i-th of `size` equal parts of the square's side; `mirrored` swaps its
        left and right.
        """
        level = self._level(square.side_px / size)
        factor = 0.5**level
        cell_centres = np.array([[0.0, 0.0], [size - 1.0, 0.0], [0.0, size - 1.0]])
        own = (cell_centres + 0.5) / size
        if mirrored:
            own[:, 0] = 1.0 - own[:, 0]
        picture = (square.to_picture(own) + 0.5) * factor - 0.5
        # Rows of the affine map from cut-out pixels to pixels of the level.
        step = (picture[1:] - picture[0]) / (size - 1.0)
        matrix = np.column_stack([step[0], step[1], picture[0]])
        cut = cv2.warpAffine(
            self._levels[level],
            matrix,
            (size, size),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_CONSTANT,
        )
        return np.asarray(cut, dtype=np.uint8)
