"""Rows of teeth in the open mouth: how much of them shows, and whether a dark line parts the rows."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from rigcheck.face.picks_contacts import same_teeth
from rigcheck.face.picks_strip import MouthStrip
from rigcheck.model._arrays import BoolArray, FloatArray, IntArray

__all__ = ["TeethRows", "read_teeth", "row_line"]

# Lengths in outer-eye distances, brightness in shares of the teeth's own.
_CENTRAL = (0.2, 0.8)  # share of the way between the corners: incisors and canines
_LEAST_OPENING = 0.02
_TOOTH = 0.6
_DIP = 0.85  # darker counts as the line between the rows
_ROW = 0.74  # a row beside the line is nowhere darker, over
_ROW_HEIGHT = 0.012
# The lower row starts at its edge at once, a lip brightens slowly: from half dark to bright within this.
_SHARP, _HALF_DARK = 0.016, 0.6
_ABOVE, _BELOW = 0.03, 0.06  # how far beyond the points' lips the rows may reach
# Above this share of the opening a line is the one between the rows; lower down it may be the lower lip's edge, or the
# points took the line for the lip: then what lies below it must show the lines between teeth.
_NOT_LIP = 0.8
_LEVEL = 0.025  # half the height within which places of one line lie
_SUPPORT = 0.5


@dataclass(frozen=True, kw_only=True)
class TeethRows:
    """What is seen between the lips.

    Lengths in outer-eye distances. `opening` is between the lips by the points (median), `shown` how much of it is as
    bright as teeth, `wide` the share of places from corner to corner with teeth. `brightness` is the teeth's over the
    lips'. `gap` is how wide a wholly black line between the rows would be; None where no line was seen, `support`
    the share of places that agree on it. `edge_height` is how far below the upper lip that line runs.
    """

    opening: float
    shown: float
    wide: float
    brightness: float
    gap: float | None
    support: float
    edge_height: float | None


@dataclass(frozen=True, kw_only=True)
class _Line:
    """A dark stretch of one column: its middle, its upper and lower end, and how wide a wholly black one would be.

    `low` tells that it lies so far down in the opening that it may be the edge of the lower lip.
    """

    column: int
    height: float
    above: float
    below: float
    gap: float
    low: bool


def read_teeth(strip: MouthStrip, *, finer: Callable[[], MouthStrip | None] | None = None) -> TeethRows:
    """Read the rows.

    Parameters
    ----------
    strip : MouthStrip
        Reaching at least 0.1 outer-eye distances beyond the lips.
    finer : callable, optional
        Gives the same strip in more columns (see `picks_contacts.same_teeth`), asked for only where a line may be the
        lower lip's edge. Without one the strip itself is looked at.

    Notes
    -----
    Nothing here knows teeth from another bright thing between the lips; brightness and width say how likely it is.
    A row hidden behind a lip from one camera may be seen by the other.
    """
    levels = np.maximum(strip.levels, 0.5)
    height = strip.height[:, None]
    inside = (height >= strip.upper) & (height <= strip.lower)
    central = np.flatnonzero((strip.along > _CENTRAL[0]) & (strip.along < _CENTRAL[1]))
    opening = float(np.median((strip.lower - strip.upper)[central]))
    if opening < _LEAST_OPENING:
        return TeethRows(
            opening=opening, shown=0.0, wide=0.0, brightness=0.0, gap=None, support=0.0, edge_height=None
        )
    bright = float(np.percentile(levels[:, central][inside[:, central]], 85.0))
    lips = float(np.median(levels[(height < strip.upper - 0.02) | (height > strip.lower + 0.02)]))
    shown = ((levels > _TOOTH * bright) & inside).sum(axis=0) * strip.step
    lines = list(_lines(strip, levels, inside, central, bright))
    chosen, support = _rows_line(lines, len(central), strip, finer)
    return TeethRows(
        opening=opening,
        shown=float(np.median(shown[central])),
        wide=float(np.mean(shown > _LEAST_OPENING)),
        brightness=bright / lips,
        gap=float(np.median([line.gap for line in chosen])) if chosen else None,
        support=support,
        edge_height=float(np.median([line.height - strip.upper[line.column] for line in chosen]))
        if chosen
        else None,
    )


def row_line(strip: MouthStrip) -> FloatArray | None:
    """Height at which the lower row starts in each column, (C,), NaN where no line was seen there; None where none was.

    Parameters
    ----------
    strip : MouthStrip
    """
    levels = np.maximum(strip.levels, 0.5)
    height = strip.height[:, None]
    inside = (height >= strip.upper) & (height <= strip.lower)
    central = np.flatnonzero((strip.along > _CENTRAL[0]) & (strip.along < _CENTRAL[1]))
    if not inside[:, central].any():
        return None
    bright = float(np.percentile(levels[:, central][inside[:, central]], 85.0))
    lines = list(_lines(strip, levels, inside, central, bright))
    chosen, _ = _rows_line(lines, len(central), strip, None)
    if not chosen:
        return None
    heights = np.full(len(strip.along), np.nan)
    for line in chosen:
        heights[line.column] = line.height
    return heights


def _lines(
    strip: MouthStrip, levels: FloatArray, inside: BoolArray, central: IntArray, bright: float
) -> Iterator[_Line]:
    """Dark stretches with a row of teeth above and below, of each column."""
    row = max(round(_ROW_HEIGHT / strip.step), 2)
    sharp = max(round(_SHARP / strip.step), 2)
    for column in central:
        values = levels[:, column]
        if inside[:, column].sum() < 4:
            continue
        own = float(np.percentile(values[inside[:, column]], 90.0))
        if own < _ROW * bright:
            continue  # between two teeth
        reach = np.flatnonzero(
            (strip.height >= strip.upper[column] - _ABOVE) & (strip.height <= strip.lower[column] + _BELOW)
        )
        share = values / own
        for start, end in _stretches(share < _DIP):
            lowest = strip.upper[column] + _NOT_LIP * (strip.lower[column] - strip.upper[column])
            centre = float(strip.height[(start + end) // 2])
            if start - row < reach[0] or end + row > reach[-1]:
                continue
            if centre - strip.upper[column] < _ROW_HEIGHT:
                continue  # no row fits above it: the upper lip's edge
            if share[start - row : start].min() < _ROW or share[end : end + row].min() < _ROW:
                continue
            dark = np.flatnonzero(share[start:end] < _HALF_DARK)
            if len(dark) and end - (start + int(dark[-1])) > sharp:
                continue
            gap = float((1.0 - share[start:end]).sum()) * strip.step
            yield _Line(
                column=int(column),
                height=centre,
                above=float(strip.height[start - 1]),
                below=float(strip.height[end]),
                gap=gap,
                low=centre > lowest,
            )


def _stretches(marked: BoolArray) -> list[tuple[int, int]]:
    """First and one past the last of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], marked.astype(np.int8), [0]])))
    return [(int(start), int(end)) for start, end in zip(edges[::2], edges[1::2], strict=True)]


def _rows_line(
    lines: Sequence[_Line], count: int, strip: MouthStrip, finer: Callable[[], MouthStrip | None] | None
) -> tuple[Sequence[_Line], float]:
    """The line between the rows, and the share of columns that agree on it; else none, and the best share."""
    chosen, support = _agreed([line for line in lines if not line.low], count)
    if chosen or not any(line.low for line in lines):
        return chosen, support
    low, low_support = _agreed(lines, count)
    looked = strip if finer is None or not low else finer()
    if not low or looked is None:
        return [], support
    at = strip.along[[line.column for line in low]]
    above, below = (
        _over_columns(looked, at, np.array(heights))
        for heights in ([line.above for line in low], [line.below for line in low])
    )
    return (low, low_support) if same_teeth(looked, above, below) else ([], support)


def _over_columns(strip: MouthStrip, at: FloatArray, heights: FloatArray) -> FloatArray:
    """Heights known at some shares of the way along the mouth, in every column between the first and the last."""
    order = np.argsort(at)
    found: FloatArray = np.interp(strip.along, at[order], heights[order], left=np.nan, right=np.nan)
    return found


def _agreed(lines: Sequence[_Line], count: int) -> tuple[list[_Line], float]:
    """Highest lines on whose height half the columns agree, and their share; else none, and the best share."""
    most = 0.0
    for line in sorted(lines, key=lambda each: each.height):
        near = [other for other in lines if abs(other.height - line.height) < _LEVEL]
        share = len({other.column for other in near}) / max(count, 1)
        if share >= _SUPPORT:
            return near, share
        most = max(most, share)
    return [], most
