"""Which rows of teeth a camera sees in a bite, and how high: by the line between them, else by how wide the teeth are.

References
----------
Nelson, Wheeler's Dental Anatomy, Physiology and Occlusion: the crown of an upper central incisor is 8.5 mm wide, of a
lower one 5.3 mm (from memory; any textbook of dental anatomy holds them).
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from rigcheck.face.head_model import EYE_SPAN_MM
from rigcheck.face.picks_strip import MouthStrip
from rigcheck.face.picks_teeth import row_line
from rigcheck.model import Estimate
from rigcheck.model._arrays import BoolArray, FloatArray

__all__ = ["Rows", "SeenRows", "rows_measures", "rows_seen", "rows_sentence"]

Rows = Literal["both", "upper", "lower", "unclear", "none"]

_CENTRAL = (0.25, 0.75)
_TOOTH = 0.6  # of the teeth's own brightness
_OFF_LINE = 0.006  # the line between the rows is left out so far above and below
_LEAST_HEIGHT = 0.012
_COMMON = 0.75  # of the columns, for a row of the strip to lie within the row of teeth
# Half the distance at which teeth and eyes are seen makes teeth look larger against the eyes: on eight rendered heads
# upper central incisors are 0.10 to 0.13 wide, lower ones 0.06 to 0.08.
_NARROWEST, _WIDEST = 0.05, 0.15
_LOWER_MOST, _UPPER_LEAST = 0.085, 0.095
_LEAST_DIP = 0.04
_AROUND = 0.02
_SIGMA = 0.008  # rows of the strip and where the points put the lips; assumed
_MIDLINE = 0.08  # the line between the central incisors lies so near to the middle, share of the opening


@dataclass(frozen=True, kw_only=True)
class SeenRows:
    """What one camera sees: heights of the upper and the lower row and the width of a front tooth.

    In outer-eye distances; None where that row is not seen, or which of them it is cannot be told (`row` then tells
    its height).
    """

    rows: Rows
    upper: float | None = None
    lower: float | None = None
    row: float | None = None
    tooth: float | None = None


def rows_seen(strip: MouthStrip) -> SeenRows:
    """Tell the rows.

    Parameters
    ----------
    strip : MouthStrip
        Of at least 200 columns, reaching 0.1 outer-eye distances beyond the lips.

    Notes
    -----
    A line between rows means both. Of one row the width of the front teeth tells which: the line between the two
    central incisors is looked for near the middle, then the nearest pair of lines at equal distances from it.
    """
    levels = np.maximum(strip.levels, 0.5)
    height = strip.height[:, None]
    inside = (height >= strip.upper) & (height <= strip.lower)
    central = (strip.along > _CENTRAL[0]) & (strip.along < _CENTRAL[1])
    if not inside[:, central].any():
        return SeenRows(rows="none")
    bright = float(np.percentile(levels[:, central][inside[:, central]], 85.0))
    tooth = inside & (levels > _TOOTH * bright)
    line = row_line(strip)
    if line is not None:
        known = np.flatnonzero(np.isfinite(line))
        off = height - np.interp(np.arange(len(line)), known, line[known])
        upper, lower = (
            _height(tooth & part, central, strip.step) for part in (off < -_OFF_LINE, off > _OFF_LINE)
        )
        if min(upper, lower) >= _LEAST_HEIGHT:
            return SeenRows(rows="both", upper=upper, lower=lower)
    row = _height(tooth, central, strip.step)
    if row < _LEAST_HEIGHT:
        return SeenRows(rows="none")
    wide = _tooth_width(strip, levels, tooth[:, central].mean(axis=1) > _COMMON)
    if wide is not None and wide <= _LOWER_MOST:
        return SeenRows(rows="lower", lower=row, tooth=wide)
    if wide is not None and wide >= _UPPER_LEAST:
        return SeenRows(rows="upper", upper=row, tooth=wide)
    return SeenRows(rows="unclear", row=row, tooth=wide)


def _height(tooth: BoolArray, central: BoolArray, step: float) -> float:
    return float(np.median(tooth[:, central].sum(axis=0))) * step


def _tooth_width(strip: MouthStrip, levels: FloatArray, rows: BoolArray) -> float | None:
    """Width of the central incisors, outer-eye distances; None where no such pair of lines stands out."""
    if rows.sum() < 3:
        return None
    bright = levels[rows].mean(axis=0)
    ends = strip.places_px[0, [0, -1]]
    spacing = float(np.linalg.norm(ends[1] - ends[0])) / strip.unit_px / (len(bright) - 1)
    near = max(round(_AROUND / spacing), 2)
    around = np.array(
        [np.percentile(bright[max(k - near, 0) : k + near + 1], 90.0) for k in range(len(bright))]
    )
    dips = np.maximum(1.0 - bright / around, 0.0)
    middles = np.flatnonzero(np.abs(strip.along - 0.5) < _MIDLINE)
    middle = int(middles[dips[middles].argmax()])
    if dips[middle] < _LEAST_DIP:
        return None
    most = min(middle, len(dips) - 1 - middle)
    reach = np.arange(round(_NARROWEST / spacing), min(round(_WIDEST / spacing), most))
    if len(reach) < 3:
        return None
    # A tooth is seldom as wide as its neighbour to the column.
    soft = np.array([dips[max(k - 2, 0) : k + 3].max() for k in range(len(dips))])
    pair = np.minimum(soft[middle - reach], soft[middle + reach])
    clear = np.flatnonzero(pair >= max(0.5 * dips[middle], _LEAST_DIP))
    if len(clear) == 0:
        return None
    first = clear[0]
    run = clear[: int(np.argmax(np.diff(np.append(clear, len(reach) + 9)) > 1)) + 1]
    return float(reach[first : run[-1] + 1].mean()) * spacing


def rows_sentence(camera: str, seen: SeenRows) -> str:
    """Say what a camera sees, in millimetres on an average head."""
    upper, lower, row, tooth = (
        None if each is None else each * EYE_SPAN_MM
        for each in (seen.upper, seen.lower, seen.row, seen.tooth)
    )
    if upper is not None and lower is not None:
        return (
            f"{camera} sees both rows of teeth: {upper:.0f} mm of the upper, {lower:.0f} mm of the lower one"
        )
    which = "upper" if upper is not None else "lower"
    height = upper if upper is not None else lower
    if height is not None:
        return f"{camera} sees the {which} row alone, {height:.0f} mm of it (its front teeth are {tooth:.1f} mm wide)"
    if row is not None:
        return f"{camera} sees {row:.0f} mm of teeth; which row that is cannot be told"
    return f"{camera} sees no row of teeth plainly"


def rows_measures(camera: str, seen: SeenRows) -> dict[str, Estimate]:
    """Heights of the rows and width of a front tooth, by name, outer-eye distances; those not known are left out."""
    known = {"upper_row": seen.upper, "lower_row": seen.lower, "row": seen.row, "front_tooth": seen.tooth}
    return {
        f"{camera}.{name}": Estimate(value=value, sigma=_SIGMA, unit="of eye distance", n=1)
        for name, value in known.items()
        if value is not None
    }
