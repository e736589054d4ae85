"""Profiles across the edges between a board's squares: where the edges are, and the pixels beside them."""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from rigcheck.geometry.sfr import BINS_PER_PX
from rigcheck.model import BoardSpec, Observation
from rigcheck.target.layout import board_layout
from rigcheck.target.neighbours import homography, mapped

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]
Samples = NDArray[np.float32]

__all__ = ["BLACK_SIDE_PX", "WHITE_SIDE_PX", "EdgeLines", "Profiles", "edge_lines", "edge_profiles"]

# Code values at and beyond which an 8-bit pixel may be clipped.
CLIPPED = (1, 254)
MIN_EDGE_PX = 12.0
# Of an edge at both its ends, that is not used.
END_SHARE = 0.12
# Kept away from the marker on the white side: this much, and this many sigmas of its blur.
MARKER_PX, MARKER_BLURS = 0.5, 2.0
MOST_LINES = 16
# Across the edge, measured from it.
BLACK_SIDE_PX = 8.0
WHITE_SIDE_PX = (2.5, 8.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class EdgeLines:
    """Edges before they are measured: ends in the picture and on the board (squares).

    `room_px` is there on the white side, towards which `to_white_px` points.
    """

    first_px: FloatArray
    second_px: FloatArray
    first: FloatArray
    second: FloatArray
    along_x: BoolArray
    room_px: FloatArray
    to_white_px: FloatArray

    def chosen(self, keep: BoolArray | IntArray) -> "EdgeLines":
        """Keep some of the edges, or put them in another order."""
        return EdgeLines(**{field.name: getattr(self, field.name)[keep] for field in fields(self)})

    @property
    def upright(self) -> BoolArray:
        """Whether an edge runs more along the picture's columns than along its rows, (M,)."""
        along = np.abs(self.second_px - self.first_px)
        return np.asarray(along[:, 1] > along[:, 0])


@dataclass(frozen=True, kw_only=True, eq=False)
class Profiles:
    """Profiles across edges, (M, B): mean distance (px), mean value and number of pixels in each bin.

    `clipped` (M,) is the share of pixels that may be clipped.
    """

    at_px: Samples
    value: Samples
    count: Samples
    clipped: FloatArray


def edge_lines(observation: Observation, spec: BoardSpec) -> EdgeLines:
    """Pairs of neighbouring corners with room between and beside them."""
    columns, rows = spec.corner_grid
    found = np.full(columns * rows, -1, dtype=np.int64)
    found[observation.corner_ids] = np.arange(observation.n)
    grid = found.reshape(rows, columns)
    along_x = np.stack([grid[:, :-1].ravel(), grid[:, 1:].ravel()])
    along_y = np.stack([grid[:-1].ravel(), grid[1:].ravel()])
    pairs = np.concatenate([along_x, along_y], axis=1)
    is_x = np.arange(pairs.shape[1]) < along_x.shape[1]
    both = (pairs >= 0).all(axis=0)
    (one, two), is_x = pairs[:, both], is_x[both]
    row, column = np.divmod(observation.corner_ids, columns)
    board = np.stack([column + 1.0, row + 1.0], axis=1)
    points = observation.corners_px
    whole = homography(board, points)
    steps = mapped(whole, 0.5 * (board[one] + board[two]))[1]
    length = np.linalg.norm(points[two] - points[one], axis=1)
    across = np.abs(np.linalg.det(steps)) / np.where(
        is_x, np.linalg.norm(steps[..., 0], axis=1), np.linalg.norm(steps[..., 1], axis=1)
    )
    ratio = 0.0 if spec.marker_mm is None or spec.kind == "checkerboard" else spec.marker_mm / spec.square_mm
    margin = 0.5 * (1.0 - ratio)
    room = margin * across - MARKER_PX - MARKER_BLURS * observation.blur_px
    keep = (length >= MIN_EDGE_PX) & (room >= WHITE_SIDE_PX[0])
    ends = EdgeLines(
        first_px=points[one],
        second_px=points[two],
        first=board[one],
        second=board[two],
        along_x=is_x,
        room_px=room,
        to_white_px=_to_white(spec, board[one], is_x)[:, None]
        * np.where(is_x[:, None], steps[..., 1], steps[..., 0]),
    )
    return ends.chosen(keep)


def _to_white(spec: BoardSpec, first: FloatArray, along_x: BoolArray) -> FloatArray:
    """+1 where the white square is on the side of the board's +y (of an edge along y: +x), else -1."""
    black = board_layout(spec).black
    column, row = first.astype(np.int64).T
    # An edge begins at the corner (column, row), counted in squares from the board's origin.
    before = np.where(along_x, black[row - 1, column], black[row, column - 1])
    return np.where(before, 1.0, -1.0)


def edge_profiles(image: NDArray[np.uint8], ends: EdgeLines, white_px: float, *, guard_px: float) -> Profiles:
    """Bin the pixels beside each edge by their distance to it; edges come level ones first."""
    level = int((~ends.upright).sum())
    parts = []
    for part, picture, order in (
        (ends.chosen(np.arange(level)), image, (0, 1)),
        (ends.chosen(np.arange(level, len(ends.room_px))), image.T, (1, 0)),
    ):
        if len(part.room_px):
            line = np.stack([part.first_px, part.second_px, part.to_white_px])[..., order]
            parts.append(_level_profiles(picture, line, white_px, guard_px=guard_px))
    return Profiles(
        **{
            field.name: np.concatenate([getattr(part, field.name) for part in parts])
            for field in fields(Profiles)
        }
    )


def _level_profiles(
    image: NDArray[np.uint8], line_px: FloatArray, white_px: float, *, guard_px: float
) -> Profiles:
    """Profiles of edges that run more along the rows; `line_px` (3, M, 2) are ends and way to white."""
    swap = line_px[0, :, :1] > line_px[1, :, :1]
    start, end = np.where(swap, line_px[1], line_px[0]), np.where(swap, line_px[0], line_px[1])
    run = end - start
    slope = run[:, 1] / run[:, 0]
    cosine = np.sign(line_px[2, :, 1]) / np.sqrt(1.0 + slope * slope)
    guard = np.maximum(guard_px, END_SHARE * run[:, 0])
    low, high = np.ceil(start[:, 0] + guard), np.floor(end[:, 0] - guard)
    lines = np.arange(MOST_LINES)
    # Evenly spread columns, whole numbers; fewer than all of them where an edge is long.
    count = np.minimum(high - low + 1.0, MOST_LINES)
    share = lines / np.maximum(count - 1.0, 1.0)[:, None]
    columns = np.rint(low[:, None] + share * (high - low)[:, None])
    line = start[:, 1:] + slope[:, None] * (columns - start[:, :1])
    nearest = np.rint(line)
    reach = int(np.ceil(BLACK_SIDE_PX / float(np.abs(cosine).min(initial=1.0))))
    offsets = np.arange(-reach, reach + 1)
    height, width = image.shape
    used = (lines < count[:, None]) & (columns >= 0) & (columns < width)
    used &= (nearest >= reach) & (nearest < height - reach)
    edge, at = np.nonzero(used)
    row, column = nearest[edge, at].astype(np.intp), columns[edge, at].astype(np.intp)
    values = image[row[:, None] + offsets, column[:, None]]
    first = (row - line[edge, at])[:, None].astype(np.float32)
    away = first + offsets.astype(np.float32)
    distance = away * cosine[edge, None].astype(np.float32)
    # A column crosses a slanted edge aslant: far from the edge it would reach past the edge's ends.
    along = ((columns[edge, at] - start[edge, 0])[:, None] + away * (slope * cosine**2)[edge, None]).astype(
        np.float32
    )
    beside = (along >= guard[edge, None]) & (along <= (run[:, 0] - guard)[edge, None])
    return _binned(
        values, np.where(beside, distance, np.float32(1e3)), edge, white_px=white_px, n_edges=len(slope)
    )


def _binned(
    values: NDArray[np.uint8], distance: Samples, edge: IntArray, *, white_px: float, n_edges: int
) -> Profiles:
    """Means in bins of a quarter of a pixel, from the black side to the white."""
    below = int(BINS_PER_PX * BLACK_SIDE_PX)
    n_bins = below + int(BINS_PER_PX * white_px) + 1
    number = np.rint(distance * np.float32(BINS_PER_PX)).astype(np.int32) + below
    inside = (number >= 0) & (number < n_bins)
    where = (number + (edge * n_bins)[:, None].astype(np.int32))[inside]
    picked = values[inside]
    size = n_edges * n_bins
    count = np.bincount(where, minlength=size)
    safe = np.maximum(count, 1)
    value = np.bincount(where, weights=picked, minlength=size) / safe
    at = np.bincount(where, weights=distance[inside], minlength=size) / safe
    bad = (picked <= CLIPPED[0]) | (picked >= CLIPPED[1])
    clipped = np.bincount(where[bad] // n_bins, minlength=n_edges)
    shape = (n_edges, n_bins)
    return Profiles(
        at_px=at.reshape(shape).astype(np.float32),
        value=value.reshape(shape).astype(np.float32),
        count=count.reshape(shape).astype(np.float32),
        clipped=clipped / np.maximum(count.reshape(shape).sum(axis=1), 1),
    )
