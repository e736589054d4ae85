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
# Rows worked on at once stay in the processor's own memory.
_BAND_ROWS = 128
# Lettering burnt into the picture has fine corners too. It never gets darker: so many pixels within so far that
# stay brighter by this than what lies round them are not one pixel, which lossy coding spreads over a few.
_CROWD_PX = 31
_MOST_TOGETHER = 12
_STAYS_ABOVE = 12
_WIDE_WINDOW = 15

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

    def __init__(self, *, ground: NDArray[np.uint8]) -> None:
        self.ground = ground
        self.was_lit = np.zeros(ground.shape, np.uint8)
        self.asked = np.zeros(ground.shape, np.uint8)
        self.changed = np.zeros(ground.shape, np.uint8)
        self.stayed = np.zeros(ground.shape, np.uint8)
        self.above = np.zeros(ground.shape, np.uint16)
        self.darkest = np.full(ground.shape, 255, np.uint8)

    def add(self, image: ImageArray, ground: NDArray[np.uint8], rows: slice, *, first: bool) -> None:
        """Add some rows of a picture."""
        asked = (ground < _BRIGHT_GROUND).view(np.uint8)
        above = np.asarray(cv2.subtract(image, ground), dtype=np.uint8) * asked
        lit = (above >= _LIT).view(np.uint8)
        apart = np.asarray(cv2.absdiff(ground, self.ground[rows]), dtype=np.uint8) > _CHANGED
        changed = apart.view(np.uint8) & asked
        if first:
            self.was_lit[rows] = lit
        self.asked[rows] += asked
        self.changed[rows] += changed
        self.stayed[rows] += changed & lit & self.was_lit[rows]
        cv2.min(image, self.darkest[rows], self.darkest[rows])
        capped = cv2.threshold(above, _MOST_ADDED, 0, cv2.THRESH_TRUNC)[1]
        self.above[rows] += np.asarray(capped, dtype=np.uint8)
        cv2.copyTo(ground, asked, self.ground[rows])
        cv2.copyTo(lit, asked, self.was_lit[rows])


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
        first = self._sums is None
        if self._sums is None:
            self._sums = _Sums(ground=ground.copy())
        for top in range(0, len(image), _BAND_ROWS):
            rows = slice(top, top + _BAND_ROWS)
            self._sums.add(image[rows], ground[rows], rows, first=first)
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
        signs = telling & (sigmas > _SIGN_SIGMAS) & (stayed >= _HALF)
        clear = (
            signs
            & (sigmas > _CLEAR_SIGMAS)
            & (stayed >= _MOSTLY)
            & _alone(mean)
            & ~_crowded(self._sums.darkest)
        )
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


def _crowded(darkest: NDArray[np.uint8]) -> BoolArray:
    """Where many pixels that never get dark stand together; `darkest` is the minimum over the pictures."""
    above = cv2.subtract(darkest, cv2.medianBlur(darkest, _WIDE_WINDOW))
    stays = (np.asarray(above, dtype=np.uint8) > _STAYS_ABOVE).astype(np.float32)
    near = np.asarray(cv2.boxFilter(stays, -1, (_CROWD_PX, _CROWD_PX), normalize=False))
    return np.asarray(near > _MOST_TOGETHER + 0.5, dtype=bool)


def _strongest(clear: BoolArray, mean: NDArray[np.float32]) -> tuple[tuple[int, int], ...]:
    y, x = np.nonzero(clear)
    order = np.argsort(-mean[y, x], kind="stable")[:MOST_HOT_PIXELS]
    return tuple((int(px), int(py)) for px, py in zip(x[order], y[order], strict=True))
