"""Which triangle each pixel sees: exact rays of the distorted lens against every triangle, nearest wins."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rigcheck.demo.camera import project_points, ray_grid
from rigcheck.model import CameraModel
from rigcheck.model._arrays import FloatArray, IntArray
from rigcheck.opencv import cv2

__all__ = ["Patch", "Seen", "pixel_rays", "see_triangles"]

Float32 = NDArray[np.float32]

_GRID_STEP_PX = 4
_EDGE_PAD_PX = 0.25  # a triangle's edge is straight in space, a little bent in the picture
_NOTHING = -1
_GROUP_PX, _PATCH_PX = 40_000, 24_576


@dataclass(frozen=True, kw_only=True, eq=False)
class Seen:
    """What the rays of the pixels met.

    Parameters
    ----------
    triangle : (H, W) int32
        Index of the nearest triangle, -1 where there is none.
    pixels : (M,) int64
        Flat indices of the pixels that met one, in order.
    depth_mm : (M,) float32
        Along the optical axis.
    planes : (T, 9) float32
        Of each triangle: times the ray (x, y, 1) the first two weights over the depth, and 1 / depth.
    rays : (H W, 2) float32
    """

    triangle: NDArray[np.int32]
    pixels: IntArray
    depth_mm: Float32
    planes: Float32
    rays: Float32

    def patches(self) -> Iterator[tuple[slice, "Patch"]]:
        """Go through the pixels in runs that stay in a processor's cache: (where in `pixels`, what is met there)."""
        owner = self.triangle.reshape(-1)
        for start in range(0, len(self.pixels), _PATCH_PX):
            some = slice(start, start + _PATCH_PX)
            pixels = self.pixels[some]
            triangle = owner[pixels]
            plane, ray = self.planes[triangle], self.rays[pixels]
            x, y, depth = ray[:, 0], ray[:, 1], self.depth_mm[some]
            first = (plane[:, 0] * x + plane[:, 1] * y + plane[:, 2]) * depth
            second = (plane[:, 3] * x + plane[:, 4] * y + plane[:, 5]) * depth
            yield (
                some,
                Patch(
                    triangle=triangle,
                    weights=np.stack([first, second, 1 - first - second]),
                    depth_mm=depth,
                    camera_mm=np.stack([x * depth, y * depth, depth]),
                ),
            )


@dataclass(frozen=True, kw_only=True, eq=False)
class Patch:
    """A run of pixels: triangle (m,), barycentric weights (3, m), depth (m,), place in the camera frame (3, m)."""

    triangle: NDArray[np.int32]
    weights: Float32
    depth_mm: Float32
    camera_mm: Float32

    def spread(self, corners: Float32, at: IntArray | None = None) -> Float32:
        """Interpolate values at triangles' corners (T, 3, C): (C, m), or (C, n) at some of the pixels."""
        triangle, weights = self.triangle, self.weights
        if at is not None:
            triangle, weights = triangle[at], weights[:, at]
        rows = corners[triangle]
        met = np.zeros((corners.shape[2], len(triangle)), dtype=np.float32)
        for channel in range(len(met)):
            for corner in range(3):
                met[channel] += weights[corner] * rows[:, corner, channel]
        return met


@lru_cache(maxsize=8)
def pixel_rays(camera: CameraModel) -> Float32:
    """Ray of each pixel: x and y at depth 1, (H, W, 2) float32, NaN outside the lens's field.

    Notes
    -----
    Exact every 4 px and linear in between: within 1e-3 px for the demo's lenses.
    """
    grid = ray_grid(camera, _GRID_STEP_PX)
    width, height = camera.image_size_px
    rows, columns = grid.rays.shape[:2]
    full = cv2.resize(
        grid.rays[..., :2], (_GRID_STEP_PX * columns, _GRID_STEP_PX * rows), interpolation=cv2.INTER_LINEAR
    )
    start = round(-(grid.first_px - (_GRID_STEP_PX - 1) / 2))
    rays = np.ascontiguousarray(full[start : start + height, start : start + width], dtype=np.float32)
    rays.setflags(write=False)
    return rays


def see_triangles(camera: CameraModel, vertices_mm: FloatArray, triangles: IntArray) -> Seen:
    """Find the nearest triangle along the ray of every pixel.

    Parameters
    ----------
    camera : CameraModel
    vertices_mm : (V, 3) float64, mm, camera frame
    triangles : (T, 3) int
        Corners; a triangle is seen only from its front, from where they run counter-clockwise.

    Notes
    -----
    A triangle with a corner behind the camera or outside the lens's field is left out. With d the ray and
    a, b, c the corners, the weights are d·(b×c), d·(c×a), d·(a×b) over their sum, the depth a·(b×c) over it.
    """
    # Corner first, (3, T): reducing over a short last axis is slow.
    x, y = (way[triangles.T] for way in np.ascontiguousarray(project_points(camera, vertices_mm).T))
    width, height = camera.image_size_px
    with np.errstate(invalid="ignore"):
        turn = (x[1] - x[0]) * (y[2] - y[0]) - (y[1] - y[0]) * (x[2] - x[0])
        inside = (x.max(axis=0) > -0.5) & (x.min(axis=0) < width - 0.5)
        inside &= (y.max(axis=0) > -0.5) & (y.min(axis=0) < height - 0.5)
        used = np.flatnonzero((turn < 0) & inside)  # the front side runs so, as y runs down; NaN is left out
    x, y = x[:, used], y[:, used]
    planes = _planes(vertices_mm[triangles[used]])
    rays = pixel_rays(camera).reshape(-1, 2)
    nearest = np.zeros(width * height, dtype=np.float32)
    owner = np.full(width * height, _NOTHING, dtype=np.int32)
    for some in _groups(x, y):
        at, pixel = _candidates(x[:, some], y[:, some], (width, height))
        if len(pixel) == 0:
            continue
        at = at + some.start
        _keep_nearest(planes, rays, at, pixel, (nearest, owner))
    pixels = np.flatnonzero(owner >= 0)
    owner[pixels] = used[owner[pixels]]
    all_planes = np.zeros((len(triangles), 9), dtype=np.float32)
    all_planes[used] = planes
    return Seen(
        triangle=owner.reshape(height, width),
        pixels=pixels,
        depth_mm=np.float32(1) / nearest[pixels],
        planes=all_planes,
        rays=rays,
    )


def _planes(corners_mm: FloatArray) -> Float32:
    """Rows that give, times the ray (x, y, 1): first and second weight over depth, and 1 / depth: (T, 9)."""
    a, b, c = corners_mm[:, 0], corners_mm[:, 1], corners_mm[:, 2]
    first, second = np.cross(b, c), np.cross(c, a)
    volume = (a * first).sum(axis=1)[:, None]
    flat = np.abs(volume[:, 0]) < 1e-9
    total = first + second + np.cross(a, b)
    planes = np.concatenate([first, second, total], axis=1) / np.where(flat[:, None], 1.0, volume)
    planes[flat] = 0.0
    return planes.astype(np.float32)


def _groups(x: FloatArray, y: FloatArray) -> list[slice]:
    """Runs of triangles that together cover about as many pixels as stay in a processor's cache."""
    size = [np.ptp(way, axis=0) + 2 * _EDGE_PAD_PX for way in (x, y)]
    area = np.cumsum(0.6 * size[0] * size[1] + 1.0)
    if len(area) == 0:
        return []
    ends = np.searchsorted(area, np.arange(1, int(area[-1] / _GROUP_PX) + 1) * _GROUP_PX)
    edges = [0, *[int(end) for end in ends if 0 < end < len(area)], len(area)]
    return [slice(start, end) for start, end in pairwise(edges) if end > start]


def _candidates(x: FloatArray, y: FloatArray, size_px: tuple[int, int]) -> tuple[IntArray, IntArray]:
    """Pixels that triangles with corners (3, T) may cover, row by row: triangle and flat pixel, (N,) each."""
    width, height = size_px
    top = np.maximum(np.ceil(y.min(axis=0) - _EDGE_PAD_PX), 0).astype(np.int64)
    bottom = np.minimum(np.floor(y.max(axis=0) + _EDGE_PAD_PX), height - 1).astype(np.int64)
    rows = np.maximum(bottom - top + 1, 0)
    at = np.repeat(np.arange(x.shape[1]), rows)
    row = np.arange(len(at)) + np.repeat(top - np.cumsum(rows) + rows, rows)
    left, right = np.full(len(at), np.inf), np.full(len(at), -np.inf)
    for k in range(3):
        x0, y0, x1, y1 = (way[j][at] for j in (k, (k + 1) % 3) for way in (x, y))
        fall = y1 - y0
        level = np.abs(fall) < 1e-9
        share = (row - y0) / np.where(level, 1.0, fall)
        near = np.abs(share - 0.5) * np.abs(fall) <= 0.5 * np.abs(fall) + _EDGE_PAD_PX
        near |= level & (np.abs(row - y0) <= _EDGE_PAD_PX)
        met = x0 + np.clip(share, 0.0, 1.0) * (x1 - x0)
        left = np.minimum(left, np.where(near, np.where(level, np.minimum(x0, x1), met), np.inf))
        right = np.maximum(right, np.where(near, np.where(level, np.maximum(x0, x1), met), -np.inf))
    first = np.clip(np.ceil(np.minimum(left, 1e6) - _EDGE_PAD_PX), 0, width).astype(np.int64)
    last = np.clip(np.floor(np.maximum(right, -1e6) + _EDGE_PAD_PX), -1, width - 1).astype(np.int64)
    count = np.maximum(last - first + 1, 0)
    start = row * width + first - (np.cumsum(count) - count)
    return np.repeat(at, count), np.arange(int(count.sum())) + np.repeat(start, count)


def _keep_nearest(
    planes: Float32,
    rays: Float32,
    at: IntArray,
    pixel: IntArray,
    buffers: tuple[Float32, NDArray[np.int32]],
) -> None:
    """Meet candidate pixels' rays with their triangles; enter those nearer than what is there, in place."""
    nearest, owner = buffers
    plane, ray = planes[at], rays[pixel]
    x, y = ray[:, 0], ray[:, 1]
    first = plane[:, 0] * x + plane[:, 1] * y + plane[:, 2]
    second = plane[:, 3] * x + plane[:, 4] * y + plane[:, 5]
    inverse = plane[:, 6] * x + plane[:, 7] * y + plane[:, 8]
    edge = np.float32(-1e-5) * inverse
    met = (first >= edge) & (second >= edge) & (inverse - first - second >= edge) & (inverse > 1e-6)
    hits = np.flatnonzero(met & (inverse > nearest[pixel]))
    pixel, inverse, at = pixel[hits], inverse[hits], at[hits]
    np.maximum.at(nearest, pixel, inverse)
    wins = inverse == nearest[pixel]
    owner[pixel[wins]] = at[wins]
