"""How every figure is drawn and put into a page: greys, one accent, SVG without scripts or links.

Figures carry no text from outside (names, files): those stand in the page around
them, where Jinja2 escapes them.
"""

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from itertools import pairwise
from threading import Thread
from typing import TYPE_CHECKING, Any

import numpy as np
from markupsafe import Markup

from rigcheck.model._arrays import BoolArray, FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.path import Path

__all__ = [
    "ACCENT",
    "GREYS",
    "INK",
    "cells_path",
    "figure_of",
    "load_beside",
    "picture_axes",
    "step_below",
    "strokes",
    "to_svg",
]

ACCENT = "#7b2d52"
INK = "#26282b"
GREYS = ("#ffffff", "#dcdddf", "#bbbdc0", "#94979b", "#6a6d72")
_SETTINGS: dict[Any, object] = {
    "svg.fonttype": "none",
    "font.size": 9.0,
    "axes.linewidth": 0.6,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "hatch.linewidth": 0.5,
    "text.parse_math": False,
}


def load_beside() -> None:
    """Load what draws figures in a thread of its own, while footage is decoded: a third of a second."""
    Thread(target=import_module, args=("matplotlib.backends.backend_svg",), daemon=True).start()


@contextmanager
def figure_of(width_in: float, height_in: float, *, salt: str) -> "Iterator[Figure]":
    """Make a figure with this project's settings; no global plotting state is left behind.

    Parameters
    ----------
    width_in, height_in : float
        Inches of 72 points.
    salt : str
        Different for each figure of a page: the SVG's own ids are made from it.
    """
    import matplotlib
    from matplotlib.figure import Figure

    with matplotlib.rc_context({**_SETTINGS, "svg.hashsalt": salt}):
        yield Figure(figsize=(width_in, height_in), layout="constrained")


def to_svg(figure: "Figure") -> Markup:
    """Write a figure as an inline SVG element: no prolog, links, metadata or ids that nothing refers to."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    FigureCanvasSVG(figure)
    buffer = io.StringIO()
    figure.savefig(
        buffer, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None}
    )
    svg = buffer.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>\s*", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<!--.*?-->\s*", "", svg, flags=re.DOTALL)
    svg = re.sub(r'\s(?:xmlns(?::\w+)?|version)="[^"]*"', "", svg)
    svg = svg.replace("xlink:href", "href")
    svg = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", svg)
    svg = re.sub(r'(<svg[^>]*?) height="[^"]*"', r'\1 aria-hidden="true" focusable="false"', svg, count=1)
    wanted = set(re.findall(r"url\(#([^)]+)\)|href=\"#([^\"]+)\"", svg))
    used = {name for pair in wanted for name in pair if name}
    svg = re.sub(r'\sid="([^"]*)"', lambda found: found[0] if found[1] in used else "", svg)
    svg = re.sub(r"font: (\d+(?:\.\d+)?)px [^;\"]*", r"font-size: \1px", svg)
    return Markup(svg.strip())


def picture_axes(figure: "Figure", size_px: tuple[int, int]) -> "Axes":
    """Return axes that are a picture's frame: pixels, y down, no ticks."""
    width, height = size_px
    axes = figure.add_subplot()
    axes.set_xlim(-0.5, width - 0.5)
    axes.set_ylim(height - 0.5, -0.5)
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
    return axes


def strokes(starts: FloatArray, ends: FloatArray, head: float = 0.0) -> "Path":
    """Join many arrows into one path, so that a thousand stay small in the file.

    Parameters
    ----------
    starts, ends : (N, 2) float64
    head : float
        Length of each arrow head's two strokes as a share of the arrow; 0 for plain lines.
    """
    from matplotlib.path import Path

    pieces = [np.stack([starts, ends], axis=1)]
    if head:
        back = (starts - ends) * head
        for sign in (1.0, -1.0):
            side = np.stack(
                [back[:, 0] - sign * 0.45 * back[:, 1], back[:, 1] + sign * 0.45 * back[:, 0]], axis=1
            )
            pieces.append(np.stack([ends, ends + side], axis=1))
    points = np.concatenate(pieces).reshape(-1, 2)
    return Path(points, np.tile(np.array([Path.MOVETO, Path.LINETO], dtype=np.uint8), len(points) // 2))


def cells_path(mask: BoolArray, x_edges: FloatArray, y_edges: FloatArray) -> "Path | None":
    """Outline the cells of a mask as one path; runs along a row become one rectangle.

    Parameters
    ----------
    mask : (rows, columns) bool
    x_edges : (columns + 1,) float64
    y_edges : (rows + 1,) float64

    Returns
    -------
    matplotlib.path.Path or None
        None when the mask is empty.
    """
    from matplotlib.path import Path

    corners = []
    for row, (top, bottom) in enumerate(pairwise(y_edges)):
        ends = np.flatnonzero(np.diff(np.concatenate([[False], mask[row], [False]]).astype(int)))
        for left, right in x_edges[ends].reshape(-1, 2):
            corners += [(left, top), (right, top), (right, bottom), (left, bottom), (left, top)]
    if not corners:
        return None
    codes = [Path.MOVETO, Path.LINETO, Path.LINETO, Path.LINETO, Path.CLOSEPOLY]
    return Path(np.array(corners), np.array(codes * (len(corners) // 5), dtype=np.uint8))


def step_below(value: float) -> float:
    """Return the largest of 1, 2, 5 times a power of ten that is not above `value` (positive)."""
    power = 10.0 ** np.floor(np.log10(value))
    return float(power * max(step for step in (1.0, 2.0, 5.0) if step * power <= value * (1 + 1e-9)))


def one_digit_below(value: float) -> float:
    """Return `value` (positive) rounded down to one significant digit."""
    power = 10.0 ** np.floor(np.log10(value))
    return float(power * np.floor(value / power * (1 + 1e-9)))
