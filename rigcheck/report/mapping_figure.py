"""How far two calibrations put the same direction apart in the picture, drawn over the picture."""

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from rigcheck.model._arrays import FloatArray
from rigcheck.report.figures import (
    ACCENT,
    INK,
    figure_of,
    one_digit_below,
    picture_axes,
    step_below,
    strokes,
    to_svg,
)
from rigcheck.report.numbers import format_number

_WIDTH_IN = 3.0
_SCALE_IN = 0.26
# Every second point of a 25 x 25 grid.
_EVERY = 2
_SHARE_OF_WIDTH = 0.06

__all__ = ["MappingFigure", "mapping_figure"]


@dataclass(frozen=True, kw_only=True)
class MappingFigure:
    """The drawing, and how much longer than life its arrows are."""

    svg: Markup
    exaggeration: float


def mapping_figure(
    pixels: FloatArray, differences_px: FloatArray, size_px: tuple[int, int], *, salt: str
) -> MappingFigure:
    """Draw differences as arrows, much longer than life, with a scale below.

    Parameters
    ----------
    pixels, differences_px : (M, 2) float64
    size_px : (width, height)
    salt : str
        Different for each figure of a page.
    """
    from matplotlib.patches import PathPatch

    width, height = size_px
    x, y = (np.unique(np.round(pixels[:, axis], 6)) for axis in (0, 1))
    kept = np.isin(np.round(pixels[:, 0], 6), x[::_EVERY]) & np.isin(np.round(pixels[:, 1], 6), y[::_EVERY])
    starts, steps = pixels[kept], differences_px[kept]
    largest = max(float(np.sqrt((steps**2).sum(1)).max(initial=0.0)), 1e-6)
    gain = one_digit_below(_SHARE_OF_WIDTH * width / largest)
    with figure_of(_WIDTH_IN, _WIDTH_IN * height / width + _SCALE_IN, salt=salt) as figure:
        axes = picture_axes(figure, size_px)
        path = strokes(starts, starts + gain * steps, head=0.3)
        axes.add_patch(PathPatch(path, fill=False, edgecolor=ACCENT, linewidth=0.9, clip_on=False))
        real = step_below(largest)
        line, start = height + 0.05 * width, 0.02 * width
        end = start + gain * real
        scale = strokes(np.array([[start, line]]), np.array([[end, line]]), head=0.3)
        axes.add_patch(PathPatch(scale, fill=False, edgecolor=INK, linewidth=1.2, clip_on=False))
        label = f"= {format_number(real)} px (drawn {format_number(gain)} times longer)"
        axes.text(end + 0.02 * width, line, label, va="center", clip_on=False)
        return MappingFigure(svg=to_svg(figure), exaggeration=gain)
