"""What the calibration means on the face: depth sigma over the face, and how it fell with every view."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup

from rigcheck.geometry.face_volume import FACE_BOX_MM
from rigcheck.model import Estimate, FaceVolume
from rigcheck.model._arrays import FloatArray
from rigcheck.report.figures import ACCENT, GREYS, INK, cells_path, figure_of, step_below, to_svg
from rigcheck.report.numbers import format_number

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["box_grid", "cell_edges", "depth_map_figure", "round_levels", "views_figure"]

_BOX_MM = FACE_BOX_MM[:2]
_GRID_MM = 10.0
_MOST_LEVELS = 7
_WIDEST_LINEAR = 8.0


def depth_map_figure(volume: FaceVolume, *, salt: str) -> Markup | None:
    """Draw the depth sigma on the middle plane of the face volume, with the box as a neutral grid.

    Parameters
    ----------
    volume : FaceVolume
    salt : str
        Different for each figure of a page.

    Returns
    -------
    Markup or None
        None when the volume carries no map.
    """
    if volume.depth_map_mm is None or volume.map_x_mm is None or volume.map_y_mm is None:
        return None
    depth = np.asarray(volume.depth_map_mm)
    levels = round_levels(float(np.nanmin(depth)), float(np.nanmax(depth)))
    with figure_of(4.2, 4.6, salt=salt) as figure:
        axes = figure.add_subplot()
        axes.set_aspect("equal")
        if len(levels) > 1 and min(depth.shape) > 1:
            _shade_cells(axes, volume, levels)
            lines = axes.contour(
                volume.map_x_mm, volume.map_y_mm, depth, levels[1:-1], colors=INK, linewidths=0.7
            )
            labels = axes.clabel(lines, fmt=lambda level: f"{format_number(level)} mm", fontsize=8.5)
            for label in labels:
                label.set_bbox({"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.85})
        box_grid(axes)
        axes.set_xlabel("across the face, from its centre (mm)")
        axes.set_ylabel("along the face (mm)")
        return to_svg(figure)


def views_figure(estimates: Sequence[Estimate], *, salt: str) -> Markup | None:
    """Draw how the depth sigma on the face fell as views were added.

    Parameters
    ----------
    estimates : sequence of Estimate
        Depth sigma in mm; `n` is the number of views it rests on.
    salt : str
        Different for each figure of a page.

    Returns
    -------
    Markup or None
        None with fewer than two numbers.
    """
    known = sorted((one.n, one.value) for one in estimates if one.value is not None)
    if len(known) < 2:
        return None
    n, value = zip(*known, strict=True)
    with figure_of(4.2, 2.6, salt=salt) as figure:
        axes = figure.add_subplot()
        axes.plot(n, value, color=ACCENT, linewidth=1.4, marker="+", markersize=7, markeredgewidth=1.2)
        axes.set_xlim(0, max(n) * 1.12)
        _scale_sigma(axes, min(value), max(value))
        axes.grid(color=GREYS[1], linewidth=0.6)
        axes.set_axisbelow(True)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        axes.annotate(f"{format_number(value[-1], 2)} mm", (n[-1], value[-1]), (0, 7),
                      textcoords="offset points", ha="center")  # fmt: skip
        axes.set_xlabel("views used")
        axes.set_ylabel("depth sigma on the face (mm)")
        return to_svg(figure)


def _scale_sigma(axes: "Axes", lowest: float, highest: float) -> None:
    """Start at zero where that can be read, else use a logarithmic scale marked in plain numbers."""
    if highest <= _WIDEST_LINEAR * max(lowest, 1e-12):
        axes.set_ylim(0, highest * 1.12)
        return
    axes.set_yscale("log")
    ends = (0.7 * lowest, 1.4 * highest)
    decades = range(int(np.floor(np.log10(ends[0]))), int(np.ceil(np.log10(ends[1]))))
    marks = [step * 10.0**decade for decade in decades for step in (1, 2, 5)]
    marks = [mark for mark in marks if ends[0] <= mark <= ends[1]]
    axes.set_yticks(marks, [format_number(mark) for mark in marks])
    axes.minorticks_off()
    axes.set_ylim(*ends)


def round_levels(lowest: float, highest: float) -> list[float]:
    """Round levels that enclose both ends, few enough to read."""
    if not highest > lowest:
        return [lowest]
    step = step_below(highest - lowest)
    for finer in (0.1, 0.2, 0.5, 1.0):
        if (highest - lowest) / (step * finer) <= _MOST_LEVELS - 1:
            step *= finer
            break
    first, last = int(np.floor(lowest / step + 1e-9)), int(np.ceil(highest / step - 1e-9))
    return [step * k for k in range(first, last + 1)]


def _shades(count: int) -> list[str]:
    """Greys from light (small sigma) to dark (large); none so dark that a line on it is lost."""
    return [f"{shade:.3f}" for shade in np.linspace(0.97, 0.62, max(count, 1))]


def _shade_cells(axes: "Axes", volume: FaceVolume, levels: list[float]) -> None:
    """Fill each cell that was computed with the grey of its step, within the box."""
    from matplotlib.patches import PathPatch

    if volume.depth_map_mm is None or volume.map_x_mm is None or volume.map_y_mm is None:
        return
    edges = cell_edges(volume.map_x_mm, axis=0), cell_edges(volume.map_y_mm, axis=1)
    step = np.digitize(volume.depth_map_mm, levels[1:-1])
    for number, shade in enumerate(_shades(len(levels) - 1)):
        path = cells_path(step == number, edges[0], edges[1])
        if path is not None:
            axes.add_patch(PathPatch(path, facecolor=shade, edgecolor=shade, linewidth=0.3))


def cell_edges(centres: FloatArray, *, axis: int) -> FloatArray:
    """Edges of the cells around evenly or unevenly spaced centres, within the box: 0 across, 1 along the face."""
    between = (centres[:-1] + centres[1:]) / 2
    first, last = 2 * centres[0] - between[0], 2 * centres[-1] - between[-1]
    half = _BOX_MM[axis] / 2
    return np.asarray(np.clip(np.concatenate([[first], between, [last]]), -half, half))


def box_grid(axes: "Axes") -> None:
    """Outline the face volume's front with a plain grid every 10 mm."""
    half_x, half_y = _BOX_MM[0] / 2, _BOX_MM[1] / 2
    for x in np.arange(-60.0, half_x, _GRID_MM):
        axes.plot([x, x], [-half_y, half_y], color=GREYS[3], linewidth=0.25)
    for y in np.arange(-70.0, half_y, _GRID_MM):
        axes.plot([-half_x, half_x], [y, y], color=GREYS[3], linewidth=0.25)
    edge_x, edge_y = [-half_x, half_x, half_x, -half_x, -half_x], [-half_y, -half_y, half_y, half_y, -half_y]
    axes.plot(edge_x, edge_y, color=INK, linewidth=1.2)
    axes.set_xlim(-half_x - 1, half_x + 1)
    axes.set_ylim(half_y + 1, -half_y - 1)
    for side in axes.spines.values():
        side.set_visible(False)
    axes.set_xticks(np.arange(-60.0, 61.0, 30.0))
    axes.set_yticks(np.arange(-80.0, 81.0, 40.0))
