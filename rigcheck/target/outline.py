"""A board as geometry: the black areas in millimetres, from which every output is made."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.model import BoardSpec
from rigcheck.target.layout import BoardLayout, board_layout, check_board, marker_modules

FloatArray = NDArray[np.float64]
Node = tuple[int, int]

__all__ = ["BoardOutline", "board_outline", "board_picture", "picture_from_board_px"]


@dataclass(frozen=True, kw_only=True, eq=False)
class BoardOutline:
    """The black areas of a board, twice: as disjoint boxes and as outlines.

    Parameters
    ----------
    size_mm : (width, height)
        The squares alone, without the quiet zone.
    quiet_mm : float
        White margin that belongs around the squares: one square.
    boxes_mm : (N, 4) float64
        Disjoint black boxes (x, y, width, height), board frame; modules of a marker that touch
        in a row are one box.
    loops_mm : tuple of (K, 2) float64
        Closed outlines of the black areas, board frame, to be filled by the even-odd rule; areas
        that touch along an edge share one outline, so that no renderer leaves a seam.

    Notes
    -----
    Drawn as described (`square_mm`, `marker_mm`), not as measured on a print.
    """

    size_mm: tuple[float, float]
    quiet_mm: float
    boxes_mm: FloatArray
    loops_mm: tuple[FloatArray, ...]


def board_outline(spec: BoardSpec) -> BoardOutline:
    """Draw a board as geometry.

    Parameters
    ----------
    spec : BoardSpec

    Returns
    -------
    BoardOutline

    Raises
    ------
    ConfigError
        See :func:`rigcheck.target.check_board`.
    """
    check_board(spec)
    layout = board_layout(spec)
    boxes: list[tuple[float, float, float, float]] = []
    loops: list[FloatArray] = []
    for origin, module, grid in _black_pieces(spec, layout):
        boxes += [
            (origin[0] + module * left, origin[1] + module * row, module * length, module)
            for row, left, length in _runs(grid)
        ]
        loops += [origin + module * loop for loop in _loops(grid)]
    columns, rows = spec.squares
    return BoardOutline(
        size_mm=(columns * spec.square_mm, rows * spec.square_mm),
        quiet_mm=spec.square_mm,
        boxes_mm=np.array(boxes),
        loops_mm=tuple(loops),
    )


def _black_pieces(
    spec: BoardSpec, layout: BoardLayout
) -> Iterator[tuple[FloatArray, float, NDArray[np.bool_]]]:
    """Yield origin (mm), module size (mm) and grid of each black square and each marker."""
    square = spec.square_mm
    for row, column in np.argwhere(layout.black):
        yield np.array([column * square, row * square]), square, np.ones((1, 1), dtype=bool)
    if spec.dictionary is None or spec.marker_mm is None:
        return
    margin = 0.5 * (square - spec.marker_mm)
    for marker_id, cell in zip(layout.marker_ids, layout.marker_cells, strict=True):
        grid = marker_modules(spec.dictionary, int(marker_id))
        yield cell * square + margin, spec.marker_mm / len(grid), grid


def _runs(grid: NDArray[np.bool_]) -> Iterator[tuple[int, int, int]]:
    """Yield (row, first column, length) of each horizontal run of True."""
    for row, line in enumerate(grid):
        steps = np.flatnonzero(np.diff(np.concatenate(([0], line.astype(np.int8), [0]))))
        for left, right in zip(steps[::2], steps[1::2], strict=True):
            yield row, int(left), int(right - left)


def _loops(grid: NDArray[np.bool_]) -> list[FloatArray]:
    """Outlines of the True cells, each a closed loop of (x, y) grid nodes, straight nodes removed."""
    after: dict[Node, list[Node]] = {}
    padded = np.pad(grid, 1)
    for y, x in np.argwhere(grid):
        sides = (
            (padded[y, x + 1], (x, y), (x + 1, y)),
            (padded[y + 1, x + 2], (x + 1, y), (x + 1, y + 1)),
            (padded[y + 2, x + 1], (x + 1, y + 1), (x, y + 1)),
            (padded[y + 1, x], (x, y + 1), (x, y)),
        )
        for neighbour, start, end in sides:
            if not neighbour:
                after.setdefault(start, []).append(end)
    loops: list[FloatArray] = []
    while after:
        start = next(iter(after))
        loop, node = [start], _step(after, start)
        while node != start:
            loop.append(node)
            node = _step(after, node)
        nodes = np.array(loop, dtype=np.float64)
        turns = np.any(np.roll(nodes, 1, axis=0) + np.roll(nodes, -1, axis=0) != 2 * nodes, axis=1)
        loops.append(nodes[turns])
    return loops


def _step(after: dict[Node, list[Node]], node: Node) -> Node:
    ends = after[node]
    end = ends.pop()
    if not ends:
        del after[node]
    return end


def picture_from_board_px(spec: BoardSpec, points_mm: FloatArray, *, px_per_mm: float) -> FloatArray:
    """Map points of the board frame into the picture made by :func:`board_picture`.

    Parameters
    ----------
    spec : BoardSpec
    points_mm : (N, 2) float64
        Board frame, mm, as described (not as measured).
    px_per_mm : float

    Returns
    -------
    (N, 2) float64
        px; pixel (0, 0) is the centre of the top-left pixel, so the board's origin is at
        ``square_mm * px_per_mm - 0.5`` in x and y.
    """
    return (np.asarray(points_mm, dtype=np.float64) + spec.square_mm) * px_per_mm - 0.5


def board_picture(spec: BoardSpec, *, px_per_mm: float) -> NDArray[np.uint8]:
    """Draw a board as a picture of exact area coverage, with a white quiet zone of one square.

    Parameters
    ----------
    spec : BoardSpec
    px_per_mm : float
        Scale. Where modules fall on whole pixels the picture holds only 0 and 255;
        elsewhere a pixel's value is 255 times its white share, rounded.

    Returns
    -------
    (H, W) uint8
        W is ``(columns + 2) * square_mm * px_per_mm`` rounded up, H likewise. The picture's
        outer edge (the corner of the top-left pixel) is the outer corner of the quiet zone;
        see :func:`picture_from_board_px` for where the board's frame lies.

    Raises
    ------
    ConfigError
        See :func:`rigcheck.target.check_board`.
    """
    outline = board_outline(spec)
    sides = (np.array(outline.size_mm) + 2 * outline.quiet_mm) * px_per_mm
    width, height = (int(np.ceil(side - 1e-9)) for side in sides)
    black = np.zeros((height, width), dtype=np.float32)
    edges = np.array(outline.boxes_mm)
    edges[:, :2] += outline.quiet_mm
    edges[:, 2:] += edges[:, :2]
    for x0, y0, x1, y1 in edges * px_per_mm:
        left, columns = _coverage(x0, x1)
        top, rows = _coverage(y0, y1)
        black[top : top + len(rows), left : left + len(columns)] += np.outer(rows, columns)
    white = 1.0 - np.clip(black, 0.0, 1.0)
    return np.asarray(np.rint(255.0 * white), dtype=np.uint8)


def _coverage(start: float, end: float) -> tuple[int, FloatArray]:
    """First pixel touched by [start, end], and the share of each touched pixel that it covers."""
    start, end = (round(value) if abs(value - round(value)) < 1e-6 else value for value in (start, end))
    first, last = int(np.floor(start)), int(np.ceil(end))
    pixel = np.arange(first, max(last, first + 1), dtype=np.float64)
    return first, np.clip(np.minimum(pixel + 1, end) - np.maximum(pixel, start), 0.0, 1.0)
