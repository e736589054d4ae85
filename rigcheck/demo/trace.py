"""Which pixels see the board, where their rays meet it, and what print they find there."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.demo.board import BoardInSpace
from rigcheck.demo.camera import RayGrid, project_from
from rigcheck.demo.mount import Picture32
from rigcheck.model import CameraModel, RigidTransform
from rigcheck.model._arrays import BoolArray, FloatArray
from rigcheck.opencv import cv2

__all__ = ["Footprint", "Strip", "footprint", "meet", "print_seen", "texels_met"]

_FAR_TEXEL = -1e4  # where no board is; far outside any print
_ROOM_PX = 12  # around the board, for its blur
_SURFACE_STEPS = 25
_SURFACE_MM = 1e-6
_POINTS_PER_SIDE = 12
_SHIFT_BITS = 4
_EASE = np.array([[0, -1, 0], [-1, 16, -1], [0, -1, 0]], dtype=np.float32) / np.float32(12)


@dataclass(frozen=True, kw_only=True)
class Strip:
    """Part of the footprint: nodes [first, last) by row and column, counted from the footprint's corner."""

    rows: tuple[int, int]
    columns: tuple[int, int]
    step_px: int
    on_plate: bool

    @property
    def pixels(self) -> tuple[slice, slice]:
        """Its pixels, counted from the footprint's corner."""
        step = self.step_px
        (r0, r1), (c0, c1) = self.rows, self.columns
        return slice(r0 * step, r1 * step), slice(c0 * step, c1 * step)


@dataclass(frozen=True, kw_only=True, eq=False)
class Footprint:
    """Where the board is seen during one exposure.

    Parameters
    ----------
    exposure : tuple of RigidTransform
    corner : (int, int)
        (row, column) of its first node in the ray grid.
    step_px : int
    hidden, plate : (R, C) bool
        Nodes that hand or plate may cover, and those that the plate may cover.
    outlines_px : per moment of the exposure, per outline, (K, 2) float64
        Counted from the centre of the footprint's first pixel.
    """

    exposure: tuple[RigidTransform, ...]
    corner: tuple[int, int]
    step_px: int
    hidden: BoolArray
    plate: BoolArray
    outlines_px: tuple[tuple[FloatArray, ...], ...]

    @property
    def nodes(self) -> tuple[slice, slice]:
        """Its nodes in the ray grid."""
        row, column = self.corner
        return slice(row, row + self.hidden.shape[0]), slice(column, column + self.hidden.shape[1])

    @property
    def pixels(self) -> tuple[slice, slice]:
        """Its pixels in the picture that covers the whole ray grid, margin included."""
        rows, columns = self.nodes
        step = self.step_px
        return slice(rows.start * step, rows.stop * step), slice(columns.start * step, columns.stop * step)

    def strips(self, rows: int) -> Iterator[Strip]:
        """Cut it into strips of so many rows of nodes, each no wider than the board is there."""
        for first in range(0, self.hidden.shape[0], rows):
            last = min(first + rows, self.hidden.shape[0])
            columns = np.flatnonzero(self.hidden[first:last].any(axis=0))
            if len(columns) > 0:
                yield Strip(
                    rows=(first, last),
                    columns=(int(columns[0]), int(columns[-1]) + 1),
                    step_px=self.step_px,
                    on_plate=bool(self.plate[first:last].any()),
                )

    def cover(self, strip: Strip) -> Picture32:
        """Share of each pixel, and of the exposure, in which plate or hand hide the background."""
        rows, columns = strip.pixels
        total = np.zeros((rows.stop - rows.start, columns.stop - columns.start), dtype=np.float32)
        for outlines in self.outlines_px:
            mask = np.zeros(total.shape, dtype=np.uint8)
            for outline in outlines:
                _fill(mask, outline - [columns.start, rows.start])
            total += mask
        return total * np.float32(1.0 / (255 * len(self.outlines_px)))


def _fill(mask: NDArray[np.uint8], outline_px: FloatArray) -> None:
    corners = np.rint(np.clip(outline_px, -9000, 9000) * 2**_SHIFT_BITS).astype(np.int32)
    cv2.fillPoly(mask, [corners.reshape(-1, 1, 2)], 255, lineType=cv2.LINE_AA, shift=_SHIFT_BITS)


def footprint(
    camera: CameraModel, exposure: tuple[RigidTransform, ...], *, board: BoardInSpace, grid: RayGrid
) -> Footprint | None:
    """Find the nodes of the ray grid that may see the board; None when it is out of the picture."""
    outlines = [
        [_outline_px(camera, pose, board, outline) for outline in board.outlines_mm] for pose in exposure
    ]
    seen = np.concatenate([outline for moment in outlines for outline in moment])
    if len(seen) == 0:
        return None
    first_pixel = grid.first_px - 0.5 * (grid.step_px - 1)
    shape = np.array(grid.rays.shape[:2])
    low = (
        np.floor((seen.min(axis=0) - first_pixel - _ROOM_PX) / grid.step_px).clip(0, shape[::-1]).astype(int)
    )
    high = (
        np.ceil((seen.max(axis=0) - first_pixel + _ROOM_PX) / grid.step_px).clip(0, shape[::-1]).astype(int)
    )
    columns, rows = (high - low).tolist()
    if min(rows, columns) < 2:
        return None
    corner_px = first_pixel + low * grid.step_px
    shifted = tuple(tuple(outline - corner_px for outline in moment) for moment in outlines)
    reach = -(-_ROOM_PX // grid.step_px)
    plate = _nodes_inside([moment[:1] for moment in shifted], (rows, columns), grid.step_px, reach)
    hidden = _nodes_inside(shifted, (rows, columns), grid.step_px, reach)
    return Footprint(
        exposure=exposure,
        corner=(int(low[1]), int(low[0])),
        step_px=grid.step_px,
        hidden=hidden,
        plate=plate,
        outlines_px=shifted,
    )


def _outline_px(
    camera: CameraModel, pose: RigidTransform, board: BoardInSpace, outline_mm: FloatArray
) -> FloatArray:
    """Picture of a closed polygon, with points between so that its bends are followed: (K, 2) px."""
    share = np.arange(_POINTS_PER_SIDE)[:, None] / _POINTS_PER_SIDE
    ends = np.roll(outline_mm, -1, axis=0)
    dense = np.concatenate([a + share * (b - a) for a, b in zip(outline_mm, ends, strict=True)])
    seen = project_from(camera, pose, board.on_surface(dense))
    return seen[np.isfinite(seen).all(axis=1)]


def _nodes_inside(
    outlines: "list[tuple[FloatArray, ...]] | tuple[tuple[FloatArray, ...], ...]",
    shape: tuple[int, int],
    step_px: int,
    reach: int,
) -> BoolArray:
    mask = np.zeros(shape, dtype=np.uint8)
    for moment in outlines:
        for outline in moment:
            if len(outline) >= 3:
                _fill(mask, (outline - 0.5 * (step_px - 1)) / step_px)
    around = np.ones((2 * reach + 1, 2 * reach + 1), dtype=np.uint8)
    return np.asarray(cv2.dilate(mask, around) > 0)


def meet(rays: FloatArray, camera_from_board: RigidTransform, board: BoardInSpace) -> FloatArray:
    """Find where rays meet the board's surface.

    Parameters
    ----------
    rays : (R, C, 3) float64, camera frame
    camera_from_board : RigidTransform
    board : BoardInSpace

    Returns
    -------
    (R, C, 3) float64, mm, board frame; NaN where a ray misses the board's plane or there is no ray

    Notes
    -----
    A shape is met by going back and forth between surface and ray, which converges while the surface's slope
    times the tangent of the ray's angle to the normal stays well below 1.
    """
    back = camera_from_board.inverse()
    start = back.translation_mm
    direction = rays @ back.rotation.T
    slope = np.where(np.abs(direction[..., 2]) > 1e-9, direction[..., 2], np.nan)
    reach = -start[2] / slope
    point = start + direction * reach[..., None]
    for _ in range(_SURFACE_STEPS if board.shape is not None else 0):
        off = board.on_surface(point[..., :2])[..., 2] - point[..., 2]
        if not float(np.nanmax(np.abs(off), initial=0.0)) > _SURFACE_MM:
            break
        reach = reach + off / slope
        point = start + direction * reach[..., None]
    point[~(reach > 0)] = np.nan
    return np.asarray(point)


def texels_met(met_mm: FloatArray, board: BoardInSpace) -> Picture32:
    """Texels of the finest level at places on the board, to be interpolated linearly.

    Parameters
    ----------
    met_mm : (R, C, 3) float64, mm, board frame; NaN where there is no board

    Returns
    -------
    (R, C, 2) float32
        Far outside the print where there is no board.

    Notes
    -----
    Interpolated linearly, a curve errs by h² / 12 of its second derivative on average along each axis;
    a twelfth of the second differences is taken off the nodes, so that the average error is none.
    """
    exact = met_mm[..., :2] * board.texels_per_mm + np.array(board.origin_texel)
    missing = np.isnan(exact)
    texels = np.where(missing, _FAR_TEXEL, exact).astype(np.float32)
    eased = cv2.filter2D(texels, -1, _EASE, borderType=cv2.BORDER_REPLICATE)
    for edge in (np.s_[:1], np.s_[-1:], np.s_[:, :1], np.s_[:, -1:]):  # no second difference there
        eased[edge] = texels[edge]
    eased[missing] = _FAR_TEXEL
    return np.asarray(eased, dtype=np.float32)


def print_seen(texels: Picture32, board: BoardInSpace, strip: Strip, *, samples: int) -> Picture32:
    """Read the print where a strip's rays meet it, averaged over each pixel's area.

    Parameters
    ----------
    texels : (R, C, 2) float32
        Of the whole footprint; see :func:`texels_met`.
    board : BoardInSpace
    strip : Strip
    samples : int
        Per pixel along each axis.

    Returns
    -------
    (H, W) float32, share of light given back
    """
    (r0, r1), (c0, c1) = strip.rows, strip.columns
    top, left = min(r0, 1), min(c0, 1)  # one node more on each side, where there is one, to interpolate
    part = texels[r0 - top : r1 + 1, c0 - left : c1 + 1]
    missing = part[..., 0] == _FAR_TEXEL
    fine = strip.step_px * samples
    level = _level(part, missing, fine, len(board.levels))
    if level > 0:
        part = (part + np.float32(0.5)) / np.float32(2**level) - np.float32(0.5)
    where = _interpolated(part, missing, fine)
    inner = where[top * fine : (top + r1 - r0) * fine, left * fine : (left + c1 - c0) * fine]
    found = cv2.remap(board.levels[level], inner, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    size = ((c1 - c0) * strip.step_px, (r1 - r0) * strip.step_px)
    return np.asarray(cv2.resize(found, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def _interpolated(texels: Picture32, missing: BoolArray, factor: int) -> Picture32:
    size = (texels.shape[1] * factor, texels.shape[0] * factor)
    where = cv2.resize(texels, size, interpolation=cv2.INTER_LINEAR)
    if missing.any():  # positions interpolated across the edge of the lens's field mean nothing
        edge = cv2.dilate(missing.astype(np.uint8), np.ones((5, 5), np.uint8))
        where[cv2.resize(edge, size, interpolation=cv2.INTER_NEAREST) > 0] = _FAR_TEXEL
    return np.asarray(where, dtype=np.float32)


def _level(texels: Picture32, missing: BoolArray, samples_per_node: int, n_levels: int) -> int:
    """Choose the level of the print whose texels are about as large as the spacing of the samples."""
    middle = len(texels) // 2
    steps = np.abs(np.diff(texels[middle], axis=0))[~(missing[middle, 1:] | missing[middle, :-1])]
    if len(steps) == 0:
        return 0
    spacing = float(np.median(np.maximum(steps[:, 0], steps[:, 1]))) / samples_per_node
    return int(np.clip(np.floor(np.log2(max(spacing, 1e-6))), 0, n_levels - 1))
