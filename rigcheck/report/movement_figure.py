"""Where on the face a change of the rig moves points, and which way."""

from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup

from rigcheck.model._arrays import FloatArray
from rigcheck.report.face_figures import box_grid, cell_edges, round_levels
from rigcheck.report.figures import INK, cells_path, figure_of, to_svg
from rigcheck.report.numbers import format_number

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_FLAT_MM = 1e-6

__all__ = ["movement_figure"]


def movement_figure(x_mm: FloatArray, y_mm: FloatArray, depth_mm: FloatArray, *, salt: str) -> Markup | None:
    """Draw the movement in depth on the middle plane of the face volume.

    Parameters
    ----------
    x_mm : (columns,) float64
    y_mm : (rows,) float64
        Offsets from the face's centre.
    depth_mm : (rows, columns) float64
        Signed: farther from the cameras is positive. NaN where it is not known.
    salt : str
        Different for each figure of a page.

    Returns
    -------
    Markup or None
        None where nothing is known. Darker moves more, whichever way; lines join equal movement, dashed where
        points come nearer.
    """
    if not np.isfinite(depth_mm).any():
        return None
    lowest, highest = float(np.nanmin(depth_mm)), float(np.nanmax(depth_mm))
    with figure_of(4.2, 4.6, salt=salt) as figure:
        axes = figure.add_subplot()
        axes.set_aspect("equal")
        if highest - lowest > _FLAT_MM:
            levels = round_levels(lowest, highest)
            _shade(axes, (x_mm, y_mm, depth_mm), levels)
            lines = axes.contour(
                x_mm, y_mm, depth_mm, levels, colors=INK, linewidths=0.7, negative_linestyles="dashed"
            )
            labels = axes.clabel(lines, fmt=_label, fontsize=8.5)
            for label in labels:
                label.set_bbox({"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.85})
        else:
            axes.text(0, 0, f"{format_number(highest)} mm everywhere", ha="center")
        box_grid(axes)
        axes.set_xlabel("across the face, from its centre (mm)")
        axes.set_ylabel("along the face (mm)")
        return to_svg(figure)


def _label(level: float) -> str:
    sign = "+" if level > 0 else ""
    return f"{sign}{format_number(level)} mm"


def _shade(axes: "Axes", field: tuple[FloatArray, FloatArray, FloatArray], levels: list[float]) -> None:
    """Fill each cell with the grey of the size of its movement."""
    from matplotlib.patches import PathPatch

    x, y, depth = field
    size = np.nan_to_num(np.abs(depth))
    steps = np.unique(np.abs(np.array(levels)))
    bounds = steps[(steps > 0) & (steps < size.max())]
    step = np.digitize(size, bounds)
    for number, shade in enumerate(np.linspace(0.97, 0.62, len(bounds) + 1)):
        path = cells_path(step == number, cell_edges(x, axis=0), cell_edges(y, axis=1))
        if path is not None:
            grey = f"{shade:.3f}"
            axes.add_patch(PathPatch(path, facecolor=grey, edgecolor=grey, linewidth=0.3))
