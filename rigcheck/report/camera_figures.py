"""One camera's pictures: where the board was seen, and what the solution leaves unexplained."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup

from rigcheck.model import ViewResult, ViewSide
from rigcheck.model._arrays import FloatArray, IntArray
from rigcheck.report.figures import (
    ACCENT,
    GREYS,
    INK,
    cells_path,
    figure_of,
    one_digit_below,
    picture_axes,
    step_below,
    strokes,
    to_svg,
)
from rigcheck.report.numbers import format_number

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.patches import Patch

__all__ = ["CoverageFigure", "ResidualFigure", "coverage_figure", "residual_figure", "sides_of"]

_WIDTH_IN = 4.0
_LEGEND_IN = 0.5
_SCALE_IN = 0.26
_MOST_ARROWS = 700
_CELLS_ACROSS = 9
_FEWEST_A_CELL = 4


@dataclass(frozen=True, kw_only=True)
class CoverageFigure:
    """The drawing and the share of the picture that the board covered."""

    svg: Markup
    covered_percent: float


@dataclass(frozen=True, kw_only=True)
class ResidualFigure:
    """The drawing, how much longer than life its arrows are, and how many of them are drawn."""

    svg: Markup
    exaggeration: float
    n_drawn: int
    n_corners: int
    largest_cell_mean_px: float | None


def sides_of(views: Sequence[ViewResult], index: int) -> tuple[ViewSide, ...]:
    """Return one camera's part of every view that has one."""
    return tuple(side for view in views if (side := view.sides[index]) is not None)


def coverage_figure(counts: IntArray, size_px: tuple[int, int], *, salt: str) -> CoverageFigure:
    """Draw the area that the board covered, darker where it did in more views; hatched where in none.

    Parameters
    ----------
    counts : (rows, columns) int
        In how many views each cell of the picture lay within the seen part of the board.
    size_px : tuple of int
        (width, height) of the picture.
    salt : str
        Different for each figure of a page.
    """
    from matplotlib.patches import Patch, PathPatch

    bounds = _count_bounds(int(counts.max(initial=0)))
    level = np.searchsorted(bounds, counts, side="right")
    columns, rows = (
        np.linspace(-0.5, size - 0.5, n + 1) for size, n in zip(size_px, counts.T.shape, strict=True)
    )
    with figure_of(_WIDTH_IN, _WIDTH_IN * size_px[1] / size_px[0] + _LEGEND_IN, salt=salt) as figure:
        axes = picture_axes(figure, size_px)
        keys = []
        for step in range(len(bounds) + 1):
            path = cells_path(level == step, columns, rows)
            if path is not None:
                axes.add_patch(_shade(PathPatch(path), step, 0.0 if step == 0 else 0.4))
            keys.append(_shade(Patch(label=_count_label(bounds, step)), step, 0.4))
        figure.legend(
            handles=keys,
            loc="outside lower center",
            ncols=len(keys),
            frameon=False,
            title="views that cover it",
            handlelength=1.4,
            columnspacing=1.1,
            handletextpad=0.5,
        )
        svg = to_svg(figure)
    covered = 100.0 * float((counts > 0).mean()) if counts.size else 0.0
    return CoverageFigure(svg=svg, covered_percent=covered)


def residual_figure(
    sides: Sequence[ViewSide], size_px: tuple[int, int], *, salt: str
) -> ResidualFigure | None:
    """Draw residuals as arrows, much longer than life: single corners in grey, the mean of each cell dark.

    Parameters
    ----------
    sides : sequence of ViewSide
        One camera's part of every view.
    size_px : tuple of int
        (width, height) of the picture.
    salt : str
        Different for each figure of a page.

    Returns
    -------
    ResidualFigure or None
        None when there is no corner to draw.

    Notes
    -----
    Corners left out as outliers are not drawn. Of very many corners a
    random part is drawn, the same each time; the means use all.
    """
    kept = [side.weights >= 0.5 for side in sides]
    if not any(mask.any() for mask in kept):
        return None
    points = np.concatenate(
        [side.observation.corners_px[mask] for side, mask in zip(sides, kept, strict=True)]
    )
    residuals = np.concatenate([side.residuals_px[mask] for side, mask in zip(sides, kept, strict=True)])
    typical = max(float(np.quantile(np.hypot(*residuals.T), 0.95)), 1e-6)
    gain = one_digit_below(0.05 * size_px[0] / typical)
    centres, means = _cell_means(points, residuals, size_px)
    shown = np.random.default_rng(len(points)).permutation(len(points))[:_MOST_ARROWS]
    with figure_of(_WIDTH_IN, _WIDTH_IN * size_px[1] / size_px[0] + _SCALE_IN, salt=salt) as figure:
        axes = picture_axes(figure, size_px)
        _draw_strokes(axes, points[shown], gain * residuals[shown], (GREYS[4], 0.55))
        _draw_strokes(axes, centres, gain * means, (ACCENT, 1.5))
        _scale_arrow(axes, size_px, gain, typical)
        svg = to_svg(figure)
    largest = float(np.hypot(*means.T).max()) if len(means) else None
    return ResidualFigure(svg=svg, exaggeration=gain, n_drawn=len(shown), n_corners=len(points),
                          largest_cell_mean_px=largest)  # fmt: skip


def _shade(patch: "Patch", step: int, linewidth: float) -> "Patch":
    """Fill with the grey of a step; the lowest, no view at all, is hatched."""
    patch.set_facecolor(GREYS[step])
    patch.set_edgecolor(GREYS[3] if step == 0 else GREYS[step])
    patch.set_linewidth(linewidth)
    if step == 0:
        patch.set_hatch("////")
    return patch


def _count_bounds(most: int) -> list[int]:
    """Lower bounds of the darker steps: at least one view, then thirds of the most in round numbers."""
    bounds = [1]
    for share in (0.25, 0.5):
        bound = round(step_below(max(most * share, 1.0)))
        if bound > bounds[-1]:
            bounds.append(bound)
    return bounds


def _count_label(bounds: list[int], step: int) -> str:
    if step == 0:
        return "none"
    if step == len(bounds):
        return f"{bounds[-1]} or more"
    low, high = bounds[step - 1], bounds[step] - 1
    return f"{low}" if low == high else f"{low} to {high}"


def _cell_means(
    points: FloatArray, residuals: FloatArray, size_px: tuple[int, int]
) -> tuple[FloatArray, FloatArray]:
    """Mean residual of each cell that holds enough corners: (centres, means), both (M, 2), px."""
    cell = size_px[0] / _CELLS_ACROSS
    down = max(round(size_px[1] / cell), 1)
    index = np.floor((points + 0.5) / [cell, size_px[1] / down]).astype(int)
    index = index.clip(0, [_CELLS_ACROSS - 1, down - 1])
    flat = index[:, 1] * _CELLS_ACROSS + index[:, 0]
    counts = np.bincount(flat, minlength=_CELLS_ACROSS * down)
    sums = np.stack(
        [np.bincount(flat, residuals[:, axis], minlength=_CELLS_ACROSS * down) for axis in (0, 1)], axis=1
    )
    full = np.flatnonzero(counts >= _FEWEST_A_CELL)
    centres = np.stack(
        [(full % _CELLS_ACROSS + 0.5) * cell, (full // _CELLS_ACROSS + 0.5) * size_px[1] / down]
    )
    return centres.T - 0.5, sums[full] / counts[full, None]


def _draw_strokes(axes: "Axes", starts: FloatArray, vectors: FloatArray, style: tuple[str, float]) -> None:
    from matplotlib.patches import PathPatch

    if len(starts):
        path = strokes(starts, starts + vectors, head=0.3)
        axes.add_patch(PathPatch(path, fill=False, edgecolor=style[0], linewidth=style[1], capstyle="round"))


def _scale_arrow(axes: "Axes", size_px: tuple[int, int], gain: float, typical: float) -> None:
    """Draw below the picture an arrow of a round length with its size in life."""
    from matplotlib.patches import PathPatch

    width, height = size_px
    real = step_below(2.0 * typical)
    start, length = 0.02 * width, gain * real
    line = height + 0.045 * width
    arrow = strokes(np.array([[start, line]]), np.array([[start + length, line]]), head=0.3)
    axes.add_patch(PathPatch(arrow, fill=False, edgecolor=INK, linewidth=1.2, clip_on=False))
    label = f"= {format_number(real)} px (drawn {format_number(gain)} times longer)"
    axes.text(start + length + 0.02 * width, line, label, va="center", clip_on=False)
