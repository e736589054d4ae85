"""How much the parts of a face changed between two small pictures: in passing, and with the head's sway taken off."""

from collections import deque
from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2

__all__ = ["PartWatch", "left_over_dn", "small_picture"]

PARTS: Mapping[str, tuple[int, ...]] = MappingProxyType(
    {
        "eyes": (33, 263, 159, 386, 145, 374),
        "mouth": (61, 291, 0, 17),
        "face": (10, 152, 234, 454),
    }
)
_MOVING = ("eyes", "mouth")
_SMALL_PX = 360.0  # longer side of the small picture
_LEAST_CONTRAST_DN = 4.0
# A part looks other than before when what is left exceeds by this factor what noise alone leaves. Lids a seventh
# further shut, lips 0.5 mm apart or eyes 5 deg aside leave about three times the noise of 2 code values in full size.
_OTHER = 1.6
_REMEMBERED, _FEWEST = 24, 6
_EVERY = 4  # pictures from one comparison of neighbours to the next
_LARGE_PX = 10_000  # of larger parts every second pixel of every second row
_QUIET = 25.0  # per cent: of what is left from one picture to the next, what noise alone leaves

Small = NDArray[np.float32]
Box = tuple[slice, slice]


class PartWatch:
    """Compares each small picture of one camera with the one before, and with the one last looked at closely."""

    def __init__(self) -> None:
        self._before: Small | None = None
        self._looked: Small | None = None
        self._boxes: dict[str, Box] = {}
        self._quiet: dict[str, deque[float]] = {part: deque(maxlen=_REMEMBERED) for part in PARTS}
        self._now: Small | None = None
        self._count = 0

    def see(self, small: Small) -> dict[str, float]:
        """Take the next picture; how much eyes and mouth changed since the one before, over their own contrast.

        Parameters
        ----------
        small : (H, W) float32
            See `small_picture`.

        Returns
        -------
        dict
            Empty where nothing is known: at the first picture, and while no face is known.
        """
        self._before, self._now = self._now, small
        if self._before is None or self._before.shape != small.shape:
            self._looked, self._boxes = None, {}
            return {}
        self._count += 1
        if self._count % _EVERY == 0 or len(self._quiet["face"]) < _FEWEST:
            for part, box in self._boxes.items():
                self._quiet[part].append(left_over_dn(small[box], self._before[box]))
        moved = {}
        for part in _MOVING:
            if (own := self._boxes.get(part)) is not None:
                contrast = max(float(small[own].std()), _LEAST_CONTRAST_DN)
                moved[part] = float((small[own] - self._before[own]).std()) / contrast
        return moved

    def other(self, part: str) -> bool | None:
        """Whether a part looks other than at the last close look; None where that is not known."""
        quiet = self._quiet[part]
        if self._looked is None or self._now is None or part not in self._boxes or len(quiet) < _FEWEST:
            return None
        box = self._boxes[part]
        return left_over_dn(self._now[box], self._looked[box]) > _OTHER * float(np.percentile(quiet, _QUIET))

    def looked(self, points_px: FloatArray | None, width_px: int) -> None:
        """Note that the picture seen last was looked at closely, and where its face is, (478, 2) px; None for none."""
        self._looked, self._boxes = None, {}
        if points_px is None or self._now is None:
            return
        scale = self._now.shape[1] / width_px
        boxes = {
            part: _box(points_px[list(members)] * scale, self._now.shape) for part, members in PARTS.items()
        }
        self._boxes = {part: box for part, box in boxes.items() if box is not None}
        self._looked = self._now


def left_over_dn(now: Small, before: Small) -> float:
    """RMS of what differs between two pictures beside a shift of parts of a pixel and a change of light, code values.

    Notes
    -----
    One linear step: the difference is fitted by a constant, the picture itself and its two derivatives. Shifts of more
    than about a pixel are left over. Parts smaller than 4 by 4 px are not asked for.

    References
    ----------
    Lucas & Kanade, An iterative image registration technique, IJCAI 1981, with gain and offset.
    """
    step = 2 if now.size > _LARGE_PX else 1
    change = now - before
    mean = (now + before) / 2.0
    inside = (slice(1, -1, step), slice(1, -1, step))
    rows = np.stack(
        [
            each.ravel()
            for each in (
                change[inside],
                mean[inside],
                mean[1:-1:step, 2::step][:, : mean[inside].shape[1]] - mean[1:-1:step, :-2:step],
                mean[2::step, 1:-1:step][: mean[inside].shape[0]] - mean[:-2:step, 1:-1:step],
            )
        ]
    )
    rows -= rows.mean(axis=1, keepdims=True)
    products = (rows @ rows.T).astype(np.float64)
    fitted = np.linalg.lstsq(products[1:, 1:], products[1:, 0], rcond=1e-7)[0]
    return float(np.sqrt(max(products[0, 0] - float(fitted @ products[1:, 0]), 0.0) / rows.shape[1]))


def small_picture(grey: NDArray[np.uint8]) -> Small:
    """Give the picture with its longer side at most 360 px, as (H, W) float32."""
    scale = min(1.0, _SMALL_PX / max(grey.shape))
    size = (round(grey.shape[1] * scale), round(grey.shape[0] * scale))
    small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA) if scale < 1.0 else grey
    return np.asarray(small, dtype=np.float32)


def _box(points: FloatArray, shape: tuple[int, ...]) -> Box | None:
    margin = 0.15 * float(np.ptp(points, axis=0).max())
    low = np.maximum(points.min(axis=0) - margin, 0).astype(int)
    high = np.minimum(points.max(axis=0) + margin + 1, shape[1::-1]).astype(int)
    if (high - low < 4).any():
        return None
    return slice(low[1], high[1]), slice(low[0], high[0])
