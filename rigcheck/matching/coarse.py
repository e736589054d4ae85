"""From a guide to a smooth map of picture 1 onto picture 2, good to a pixel or two."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.matching.guide import Guide, grid_places, map_at
from rigcheck.matching.refine import read_at
from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2, shrunk

__all__ = ["CoarseMap", "coarse_map", "coarse_map_again", "flow_cell_px", "region_of"]

Float32 = NDArray[np.float32]
Picture8 = NDArray[np.uint8]

Region = tuple[int, int, int, int]  # left, top, right, bottom (the last two excluded), px

_FLOW_SIDE = 360.0  # longer side of the pictures between which flow is found
_AGAIN_SIDE = 240.0  # the same where a map of a moment nearby is at hand
_WINDOW_CELLS = 9
_CHOICE_SMOOTHED = 2.0
_FLOW_SMOOTHED = 1.5
_ROOM = 0.04  # around the region, over the picture's longer side


@dataclass(frozen=True, kw_only=True, eq=False)
class CoarseMap:
    """`field` (h, w, 2) float32: px in picture 2 of cells that cover a region of picture 1.

    The region's `size_px` (width, height) and its `corner_px` (x, y).
    """

    field: Float32
    size_px: tuple[int, int]
    corner_px: tuple[int, int] = (0, 0)

    def at(self, places_px: FloatArray) -> FloatArray:
        """Places (N, 2) carried into picture 2, px."""
        return map_at(self.field, places_px - np.array(self.corner_px), self.size_px).astype(np.float64)

    def slope(self, places_px: FloatArray) -> FloatArray:
        """Local map (N, 2, 2): column k is the step in picture 2 per pixel along axis k of picture 1."""
        reach = 2.0 * self.size_px[0] / self.field.shape[1]
        columns = [
            (self.at(places_px + step) - self.at(places_px - step)) / (2 * reach)
            for step in (np.array([reach, 0.0]), np.array([0.0, reach]))
        ]
        return np.stack(columns, axis=-1)


def flow_cell_px(size_px: tuple[int, int], side: float = _FLOW_SIDE) -> float:
    """Side of the cells at which flow is found, px of the whole picture."""
    return max(max(size_px) / side, 1.0)


def region_of(mask: NDArray[np.bool_]) -> Region:
    """Smallest region that holds a mask (H, W) with room around; all of the picture for an empty one."""
    edges: list[int] = []
    for axis in (0, 1):
        at, side = np.flatnonzero(mask.any(axis=axis)), mask.shape[1 - axis]
        room = round(_ROOM * max(mask.shape))
        ends = (max(int(at[0]) - room, 0), min(int(at[-1]) + 1 + room, side)) if len(at) else (0, side)
        edges += ends
    return edges[0], edges[2], edges[1], edges[3]


def coarse_map(
    first: Picture8, second: Picture8, mask: NDArray[np.bool_], guide: Guide, region: Region
) -> CoarseMap:
    """Choose among the guide's candidates cell by cell, then follow what is left by dense flow.

    Parameters
    ----------
    first, second : (H, W) uint8
    mask : (H, W) bool
        Of picture 1, where matches are wanted.
    guide : Guide
    region : tuple of int
        Of picture 1, for which the map is wanted; see :func:`region_of`.

    References
    ----------
    Collins, CVPR 1996 (sweeping planes). Kroeger et al., ECCV 2016 (dense inverse search).
    """
    size = (first.shape[1], first.shape[0])
    start = guide.maps[0]
    if len(guide.maps) > 1:
        start = _chosen(first, second, mask, guide)
    cell = flow_cell_px(size)
    places = _cells(region, cell)
    return _with_flow(first, second, map_at(start, places, size), region, cell)


def coarse_map_again(first: Picture8, second: Picture8, before: CoarseMap, region: Region) -> CoarseMap:
    """Follow by dense flow what differs from the map of a moment at which the face stood nearly alike.

    Parameters
    ----------
    first, second : (H, W) uint8
    before : CoarseMap
    region : tuple of int
        Of picture 1; what lies beyond `before` starts like its edge.
    """
    cell = flow_cell_px((first.shape[1], first.shape[0]), _AGAIN_SIDE)
    places = _cells(region, cell)
    field = before.at(places.reshape(-1, 2)).reshape(places.shape).astype(np.float32)
    return _with_flow(first, second, field, region, cell, refined=False)


def _cells(region: Region, cell_px: float) -> FloatArray:
    """Centres (h, w, 2) of the cells of a region, px."""
    x0, y0, x1, y1 = region
    return np.asarray(grid_places((x1 - x0, y1 - y0), cell_px) + np.array([x0, y0]))


def _with_flow(
    first: Picture8, second: Picture8, field: Float32, region: Region, cell: float, *, refined: bool = True
) -> CoarseMap:
    """Add to a field (h, w, 2) of the region's cells what dense flow finds on top of it."""
    x0, y0, x1, y1 = region
    shape = (field.shape[1], field.shape[0])
    small1 = cv2.resize(first[y0:y1, x0:x1], shape, interpolation=cv2.INTER_AREA)
    other = _shrunk(second, cell)
    ratio = np.array([other.shape[1] / second.shape[1], other.shape[0] / second.shape[0]], dtype=np.float32)
    flow_finder = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_FAST)
    flow_finder.setFinestScale(0)
    if not refined:
        flow_finder.setVariationalRefinementIterations(0)
    warped = read_at(other.astype(np.float32), (field + 0.5) * ratio - 0.5, linear=True)
    still = np.zeros((*field.shape[:2], 2), dtype=np.float32)
    found = flow_finder.calc(_even(small1.astype(np.float32)), _even(warped), still)
    flow = cv2.GaussianBlur(cv2.medianBlur(found, 5), (0, 0), _FLOW_SMOOTHED)
    x, y = np.meshgrid(np.arange(shape[0], dtype=np.float32), np.arange(shape[1], dtype=np.float32))
    moved = np.stack([x, y], axis=-1) + flow
    moved_to = read_at(field.astype(np.float32), np.asarray(moved, dtype=np.float32), linear=True)
    return CoarseMap(field=np.ascontiguousarray(moved_to), size_px=(x1 - x0, y1 - y0), corner_px=(x0, y0))


def _shrunk(picture: Picture8, cell_px: float) -> NDArray[np.uint8]:
    size = _size_in_cells(picture, cell_px)
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _size_in_cells(picture: Picture8, cell_px: float) -> tuple[int, int]:
    height, width = (max(round(side / cell_px), 1) for side in picture.shape)
    return width, height


def _even(values: Float32) -> Picture8:
    """Take local mean and spread out, so that lamps seen from two places look alike; (H, W) uint8."""
    off = values - cv2.blur(values, (41, 41))
    spread = cv2.sqrt(cv2.blur(off * off, (41, 41)))
    scaled = off / cv2.max(spread, 2.0) * 40.0 + 128.0
    return np.asarray(np.clip(np.rint(scaled), 0, 255), dtype=np.uint8)


def _chosen(first: Picture8, second: Picture8, mask: NDArray[np.bool_], guide: Guide) -> Float32:
    """Per cell the candidate under which the two pictures correlate best, smoothed over the face."""
    rows, columns = guide.maps.shape[1:3]
    small1 = shrunk(first, (columns, rows)).astype(np.float32)
    other = shrunk(second, _size_in_cells(second, guide.cell_px)).astype(np.float32)
    ratio = np.array([other.shape[1] / second.shape[1], other.shape[0] / second.shape[0]], dtype=np.float32)
    window = (_WINDOW_CELLS, _WINDOW_CELLS)
    mean1 = cv2.blur(small1, window)
    spread1 = cv2.blur(small1 * small1, window) - mean1 * mean1
    wanted = shrunk(np.where(mask, np.uint8(255), np.uint8(0)), (columns, rows)) / np.float32(255)
    alike = np.zeros((len(guide.maps), rows, columns), dtype=np.float32)
    for number, candidate in enumerate(guide.maps):
        seen = read_at(other, (candidate + 0.5) * ratio - 0.5, linear=True)
        mean2 = cv2.blur(seen, window)
        spread2 = cv2.blur(seen * seen, window) - mean2 * mean2
        both = cv2.blur(small1 * seen, window) - mean1 * mean2
        alike[number] = both / np.sqrt(np.maximum(spread1, 1.0) * np.maximum(spread2, 1.0))
    best = alike.argmax(axis=0).astype(np.float32)
    sure = np.clip(alike.max(axis=0) - 0.3, 0.0, 1.0) ** 2 * wanted + 1e-4
    level = cv2.medianBlur(best, 5)
    for _ in range(3):
        smooth = cv2.GaussianBlur(level * sure, (0, 0), _CHOICE_SMOOTHED) / cv2.GaussianBlur(
            sure, (0, 0), _CHOICE_SMOOTHED
        )
        sure = sure * np.exp(-0.5 * ((best - smooth) / 2.0) ** 2) + 1e-6
        level = best
    return _blended(guide.maps, np.clip(smooth, 0, len(guide.maps) - 1))


def _blended(maps: Float32, level: Float32) -> Float32:
    low = np.minimum(level.astype(np.int64), len(maps) - 2)
    share = (level - low)[..., None]
    row, column = np.indices(level.shape)
    return np.asarray(
        maps[low, row, column] * (1 - share) + maps[low + 1, row, column] * share, dtype=np.float32
    )
