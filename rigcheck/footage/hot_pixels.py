"""Hot pixels: single pixels of a sensor that stay brighter than what lies round them, whatever is filmed."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.model._arrays import ImageArray
from rigcheck.opencv import cv2

# So many are kept, the strongest: enough to know a sensor again.
MOST_HOT_PIXELS = 64
# Fewer pictures do not tell a pixel from a picture's own detail.
LEAST_PICTURES = 8
# Counts are bytes; more pictures would not tell more.
MOST_PICTURES = 240
# A pixel counts as lit in a picture from this many code values (of 255) above its neighbourhood's median ...
_LIT = 4
# ... of which no more than this is added up, so that no single picture carries a mean.
_MOST_ADDED = 24
# On brighter ground a hot pixel has no room left to stand out: such pictures are not asked about it.
_BRIGHT_GROUND = 170
# The ground of a pixel has changed when its median differs by this from the last picture asked.
_CHANGED = 10
# Shares of the pictures asked.
_LEAST_ASKED = 0.25
_LEAST_CHANGED = 0.2
_LEAST_CHANGES = 5
# Share of the changes of ground before and after which the pixel was lit: a thing filmed is covered by them.
_MOSTLY = 0.7
_HALF = 0.5
# Means in robust sigmas of all of them; known places are asked for less.
_CLEAR_SIGMAS = 10.0
_SIGN_SIGMAS = 5.0
# Detail finer than the median's window may leave a mean of all zeros.
_LEAST_SIGMA = 0.2
_WINDOW = 3
# Lettering burnt into the picture has fine corners too, many together.
_CLUSTER_PX = 24
_MOST_TOGETHER = 3

BoolArray = NDArray[np.bool_]

__all__ = ["LEAST_PICTURES", "MOST_HOT_PIXELS", "HotPixelLook", "HotPixelWatch"]


@dataclass(frozen=True, kw_only=True, eq=False)
class HotPixelLook:
    """What a camera's pictures tell of its hot pixels.

    Parameters
    ----------
    n_pictures : int
        Pictures looked at.
    hot_pixels_px : tuple of (x, y)
        The strongest first.
    telling : (H, W) bool
        Where the picture changed often enough to tell a hot pixel from a thing that is filmed.
    marked : (H, W) bool
        Where a pixel, or a neighbour of it, is lit clearly enough for a place that is known beforehand.
    """

    n_pictures: int
    hot_pixels_px: tuple[tuple[int, int], ...]
    telling: BoolArray
    marked: BoolArray

    @property
    def chance(self) -> float:
        """Share of the places that tell which are marked: how often a place picked at random is."""
        return float((int((self.marked & self.telling).sum()) + 1) / (int(self.telling.sum()) + 2))

    @property
    def telling_share(self) -> float:
        """Share of the picture that tells."""
        return float(self.telling.mean())


class _Sums:
    """The last ground of each pixel and whether it was lit there; running sums over the pictures. (H, W) each."""

    def __init__(self, *, ground: NDArray[np.uint8], was_lit: BoolArray) -> None:
        self.ground, self.was_lit = ground, was_lit
        self.asked = np.zeros(ground.shape, np.uint8)
        self.changed = np.zeros(ground.shape, np.uint8)
        self.stayed = np.zeros(ground.shape, np.uint8)
        self.above = np.zeros(ground.shape, np.uint16)


class HotPixelWatch:
    """Running sums over the pictures of one camera; no picture is kept.

    Notes
    -----
    Lossy coding softens a single pixel, and in some pictures swallows it: means over many pictures bring it out.
    A thing filmed that stays in its place looks the same as a hot pixel: only places tell where the ground
    changed from picture to picture, as it does under a board that is moved about. Soft specks (dust on sensor
    or lens) are wider than the window and are not seen. Pixels stuck dark are not looked for: a black square
    hides them, and a bright one is all that would show them.
    """

    def __init__(self) -> None:
        self._n = 0
        self._sums: _Sums | None = None

    @property
    def n_pictures(self) -> int:
        """Pictures added so far."""
        return self._n

    def add(self, image: ImageArray) -> None:
        """Add a grey picture, (H, W) uint8; all of one size. Pictures beyond `MOST_PICTURES` are not needed."""
        if self._n == MOST_PICTURES:
            return
        ground = np.asarray(cv2.medianBlur(image, _WINDOW), dtype=np.uint8)
        asked = ground < _BRIGHT_GROUND
        above = np.asarray(cv2.subtract(image, ground), dtype=np.uint8) * asked
        lit = above >= _LIT
        if self._sums is None:
            self._sums = _Sums(ground=ground.copy(), was_lit=lit.copy())
        sums = self._sums
        changed = (np.asarray(cv2.absdiff(ground, sums.ground), dtype=np.uint8) > _CHANGED) & asked
        sums.asked += asked
        sums.changed += changed
        sums.stayed += changed & lit & sums.was_lit
        sums.above += np.asarray(cv2.threshold(above, _MOST_ADDED, 0, cv2.THRESH_TRUNC)[1], dtype=np.uint8)
        cv2.copyTo(ground, asked.view(np.uint8), sums.ground)
        cv2.copyTo(lit.view(np.uint8), asked.view(np.uint8), sums.was_lit.view(np.uint8))
        self._n += 1

    def look(self) -> HotPixelLook | None:
        """Sum up; None where too few pictures were added."""
        if self._sums is None or self._n < LEAST_PICTURES:
            return None
        asked, changed = self._sums.asked, self._sums.changed
        telling = (asked >= _LEAST_ASKED * self._n) & (changed >= _LEAST_CHANGED * asked)
        telling &= changed >= _LEAST_CHANGES
        telling[:2], telling[-2:], telling[:, :2], telling[:, -2:] = False, False, False, False
        mean = np.asarray(self._sums.above / np.maximum(asked, 1).astype(np.float32), dtype=np.float32)
        stayed = self._sums.stayed / np.maximum(changed, 1).astype(np.float32)
        sigma, middle = _spread(mean[telling])
        sigmas = (mean - middle) / sigma
        clear = telling & (sigmas > _CLEAR_SIGMAS) & (stayed >= _MOSTLY) & _alone(mean)
        signs = telling & (sigmas > _SIGN_SIGMAS) & (stayed >= _HALF)
        marked = cv2.dilate(signs.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
        return HotPixelLook(
            n_pictures=self._n, hot_pixels_px=_strongest(clear, mean), telling=telling, marked=marked
        )


def _spread(means: NDArray[np.float32]) -> tuple[float, float]:
    """Robust sigma and median of the means."""
    if not len(means):
        return _LEAST_SIGMA, 0.0
    middle = float(np.median(means))
    return max(1.4826 * float(np.median(np.abs(means - middle))), _LEAST_SIGMA), middle


def _alone(mean: NDArray[np.float32]) -> BoolArray:
    """The highest of its surroundings, and no stroke: two pixels away nothing reaches half of it."""
    ring = np.ones((5, 5), np.uint8)
    ring[1:4, 1:4] = 0
    highest = mean >= cv2.dilate(mean, np.ones((5, 5), np.uint8))
    return np.asarray(highest & (cv2.dilate(mean, ring) < 0.5 * mean), dtype=bool)


def _strongest(clear: BoolArray, mean: NDArray[np.float32]) -> tuple[tuple[int, int], ...]:
    y, x = np.nonzero(clear)
    places = np.column_stack([x, y])
    near = np.abs(places[:, None] - places[None]).max(2) <= _CLUSTER_PX if len(places) <= 4096 else None
    if near is None:
        return ()
    keep = near.sum(1) <= _MOST_TOGETHER
    places, strength = places[keep], mean[y[keep], x[keep]]
    order = np.argsort(-strength, kind="stable")[:MOST_HOT_PIXELS]
    return tuple((int(px), int(py)) for px, py in places[order])
