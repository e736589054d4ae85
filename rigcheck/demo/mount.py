"""The plate behind the print and the hand that holds it, painted around the print."""

import numpy as np
from numpy.typing import NDArray

from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2

__all__ = ["Canvas", "Picture32", "pyramid"]

Picture32 = NDArray[np.float32]

_RIM, _SKIN, _SLEEVE = 0.10, 0.40, 0.035  # share of the light that is given back
_RIM_MM = 4.0
_ROUNDNESS_MM = 9.0  # depth from its outline at which skin faces the camera squarely
_FINGERS_MM = ([[-25, 5], [8, 9]], [[-29, 20], [6, 24]], [[-27, 35], [6, 39]], [[-21, 49], [8, 53]])
_BELOW_MM = 115.0  # how far hand and sleeve reach below the plate


class Canvas:
    """The print on its plate, with room around it.

    Parameters
    ----------
    reflectance : (H, W) float32
        The print with its white margin.
    origin_texel : (float, float)
        Where the board's origin stands in `reflectance`.
    texels_per_mm : (float, float)
        Along the columns and rows.
    held : bool
        Paint a hand.
    """

    def __init__(
        self,
        reflectance: Picture32,
        *,
        origin_texel: tuple[float, float],
        texels_per_mm: tuple[float, float],
        held: bool,
    ) -> None:
        self._scale = np.array(texels_per_mm)
        rim_x, rim_y = (round(2 * _RIM_MM * scale) for scale in texels_per_mm)
        below = round(_BELOW_MM * texels_per_mm[1]) if held else rim_y
        self.image = cv2.copyMakeBorder(
            reflectance, rim_y, below, rim_x, rim_x, cv2.BORDER_CONSTANT, value=[_RIM]
        ).astype(np.float32)
        self.origin_texel = (rim_x + origin_texel[0], rim_y + origin_texel[1])
        low = self._to_mm(np.array([rim_x - 0.5, rim_y - 0.5]) - _RIM_MM * self._scale)
        corner = np.array([rim_x + reflectance.shape[1], rim_y + reflectance.shape[0]]) - 0.5
        high = self._to_mm(corner + _RIM_MM * self._scale)
        self._plate = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
        self.outlines_mm: tuple[FloatArray, ...] = (self._plate,)
        if held:
            self.outlines_mm = (self._plate, self._paint_hand())

    def _to_mm(self, texels: FloatArray) -> FloatArray:
        return np.asarray((texels - self.origin_texel) / self._scale)

    def _to_texels(self, mm: FloatArray) -> FloatArray:
        return np.asarray(mm * self._scale + self.origin_texel)

    def _paint_hand(self) -> FloatArray:
        """Paint a fist below the plate, its thumb over the lower margin; return its outline, mm."""
        right, bottom = self._plate[2]
        base = np.array([0.60 * right, bottom])
        below = np.arange(self.image.shape[0])[:, None] > self._to_texels(np.array([0.0, bottom]))[1]
        sleeve = self._stroke(base, [[26, 92], [44, 150]], 33.0) & below
        palm = self._stroke(base, [[16, 26], [24, 44], [22, 66]], 23.0) & below
        # Curled fingers, seen from their knuckles' side; the lowest is painted first.
        fingers = [self._stroke(base, line, 8.5 - 0.4 * i) & below for i, line in enumerate(_FINGERS_MM)]
        thumb = self._stroke(base, [[14, 24], [1, 4], [-7, -13]], 8.0)
        self._shade(palm, 0.92 * _SKIN)
        for finger in reversed(fingers):
            self._shade(finger, _SKIN)
        self.image[sleeve] = _SLEEVE
        self._shade(thumb, 1.1 * _SKIN)
        return self._outline(np.logical_or.reduce([palm, sleeve, thumb, *fingers]))

    def _stroke(
        self, base_mm: FloatArray, offsets_mm: list[list[int]], radius_mm: float
    ) -> NDArray[np.bool_]:
        """Mask of a thick rounded line through points, given from a base point."""
        mask = np.zeros(self.image.shape, dtype=np.uint8)
        points = np.rint(self._to_texels(base_mm + np.array(offsets_mm, dtype=np.float64))).astype(np.int32)
        width = round(2 * radius_mm * float(self._scale.mean()))
        cv2.polylines(mask, [points.reshape(-1, 1, 2)], False, 255, thickness=width)
        return mask > 0

    def _shade(self, mask: NDArray[np.bool_], reflectance: float) -> None:
        """Paint something round: bright where it faces the camera, darker towards its outline."""
        depth = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5) / self._scale.mean()
        facing = np.sqrt(np.clip(1 - (1 - np.clip(depth / _ROUNDNESS_MM, 0, 1)) ** 2, 0, 1))
        lines = np.random.default_rng(5).standard_normal((self.image.shape[0] // 8, self.image.shape[1] // 8))
        grain = cv2.resize(cv2.GaussianBlur(lines, (0, 0), 2.0), self.image.shape[::-1])
        painted = reflectance * (0.35 + 0.65 * facing) * (1 + 0.35 * grain)
        self.image[mask] = painted[mask]

    def _outline(self, mask: NDArray[np.bool_]) -> FloatArray:
        found, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        longest = max(found, key=len)
        simple = cv2.approxPolyDP(longest, 2.0, True).reshape(-1, 2)
        return self._to_mm(simple.astype(np.float64))


def pyramid(image: Picture32, smallest: int = 64) -> tuple[Picture32, ...]:
    """Return the picture and its halvings by area; odd sizes are first extended by one row or column."""
    levels = [image]
    while min(levels[-1].shape) >= 2 * smallest:
        rows, columns = levels[-1].shape
        even = cv2.copyMakeBorder(levels[-1], 0, rows % 2, 0, columns % 2, cv2.BORDER_REPLICATE)
        half = cv2.resize(even, (even.shape[1] // 2, even.shape[0] // 2), interpolation=cv2.INTER_AREA)
        levels.append(half.astype(np.float32))
    for level in levels:
        level.setflags(write=False)
    return tuple(levels)
