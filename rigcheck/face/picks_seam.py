"""Whether the lips are sealed along the whole seam: the width of its dark line at many places, in the picture."""

from dataclasses import dataclass

import numpy as np

from rigcheck.face.picks_strip import MouthStrip
from rigcheck.model._arrays import FloatArray, IntArray

__all__ = ["SEAM_PLACES", "Seam", "read_seam"]

SEAM_PLACES = 48
# All in outer-eye distances: within this of the line its darkness is summed, and beyond it, up to the second, the lips'
# own brightness is read.
_LINE, _LIPS = 0.035, 0.065
_EXPECTED = 0.05  # how far the points may be off
_STRAIGHT = 0.15  # cost of a step of one row between columns, in medians of brightness
_DIRECTIONS = 2


@dataclass(frozen=True, kw_only=True, eq=False)
class Seam:
    """The dark line where the lips meet, at `SEAM_PLACES` places from the performer's right to the left.

    `width` (N,) is how wide a wholly black line of the same darkness would be, in outer-eye distances: blur and
    exposure do not change it. `sigma` (N,) is what the picture's noise makes of it. `depth` (N,) is the line's
    brightness over that of the lips beside it.
    """

    width: FloatArray
    sigma: FloatArray
    depth: FloatArray
    height: FloatArray


def read_seam(strip: MouthStrip, *, noise_dn: float) -> Seam:
    """Read the line.

    Parameters
    ----------
    strip : MouthStrip
        Of `SEAM_PLACES` columns.
    noise_dn : float
        Standard deviation of one pixel.

    Notes
    -----
    The line is the darkest way from corner to corner that does not jump, near where the points expect it. Against
    the straight line between the brightnesses of both lips, so that a lit lower and a shaded upper lip
    cancel. A gap in which teeth show is darker at its edges only; the teeth are read elsewhere.
    """
    levels = np.maximum(strip.levels, 1.0)
    lip = float(np.median(levels))
    expected = 1.0 - np.exp(-0.5 * (strip.height / _EXPECTED) ** 2)
    line = _darkest_way(levels / lip + expected[:, None])
    near, far = round(_LINE / strip.step), round(_LIPS / strip.step)
    first, second = (_beside(levels, line, reach) for reach in ((-far, -near), (near + 1, far + 1)))
    inside = _around(levels, line, range(-near, near + 1))
    share = np.linspace(0.0, 1.0, 2 * near + 1)[:, None]
    lips = first * (1.0 - share) + second * share
    return Seam(
        width=(1.0 - inside / lips).sum(axis=0) * strip.step,
        sigma=noise_dn * strip.step * np.sqrt((1.0 / lips**2).sum(axis=0)),
        depth=levels[line, np.arange(levels.shape[1])] / np.minimum(first, second),
        height=strip.height[line],
    )


def _around(levels: FloatArray, line: IntArray, offsets: range) -> FloatArray:
    """Levels at these rows from the line, (len(offsets), C); NaN beyond the strip."""
    rows = line[None] + np.array(offsets)[:, None]
    found = levels[np.clip(rows, 0, len(levels) - 1), np.arange(levels.shape[1])]
    return np.where((rows >= 0) & (rows < len(levels)), found, np.nan)


def _beside(levels: FloatArray, line: IntArray, reach: tuple[int, int]) -> FloatArray:
    """Median brightness of the lip beside the line in each column; NaN where the strip does not reach."""
    return np.asarray(np.median(_around(levels, line, range(*reach)), axis=0))


def _darkest_way(cost: FloatArray) -> IntArray:
    """Row of the cheapest way in each column: dynamic programming."""
    rows, columns = cost.shape
    total = cost[:, 0].copy()
    came = np.zeros((rows, columns), dtype=np.int64)
    steps = range(-_DIRECTIONS, _DIRECTIONS + 1)
    for column in range(1, columns):
        padded = np.pad(total, _DIRECTIONS, constant_values=np.inf)
        options = np.stack(
            [padded[_DIRECTIONS + step : _DIRECTIONS + step + rows] + _STRAIGHT * abs(step) for step in steps]
        )
        best = options.argmin(axis=0)
        came[:, column] = np.clip(np.arange(rows) + best - _DIRECTIONS, 0, rows - 1)
        total = cost[:, column] + options[best, np.arange(rows)]
    way = [int(total.argmin())]
    for column in range(columns - 1, 0, -1):
        way.append(int(came[way[-1], column]))
    return np.array(way[::-1], dtype=np.int64)
