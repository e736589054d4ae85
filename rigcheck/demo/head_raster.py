"""Which triangle each pixel sees: exact rays of the distorted lens against every triangle, nearest wins."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rigcheck.demo.camera import project_points, ray_grid
from rigcheck.model import CameraModel
from rigcheck.model._arrays import FloatArray, IntArray
from rigcheck.opencv import cv2

__all__ = ["Seen", "pixel_rays", "see_triangles", "spread_over_triangles"]

Float32 = NDArray[np.float32]

_GRID_STEP_PX = 4
_EDGE_PAD_PX = 0.25  # a triangle's edge is straight in space, a little bent in the picture
_NOTHING = -1


@dataclass(frozen=True, kw_only=True, eq=False)
class Seen:
    """What the rays of the pixels met.

    Parameters
    ----------
    triangle : (H, W) int32
        Index of the nearest triangle, -1 where there is none.
    pixels : (M,) int64
        Flat indices of the pixels that met one.
    weights : (M, 3) float32
        Barycentric weights of the point met, in space (not in the picture).
    depth_mm : (M,) float32
        Along the optical axis.
    """

    triangle: NDArray[np.int32]
    pixels: IntArray
    weights: Float32
    depth_mm: Float32

    @property
    def triangles(self) -> NDArray[np.int32]:
        """(M,) triangle met by each of `pixels`."""
        return np.asarray(self.triangle.ravel()[self.pixels], dtype=np.int32)


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
    projected = project_points(camera, vertices_mm)
    corners_px = projected[triangles]
    usable = np.isfinite(corners_px).all(axis=(1, 2))
    width, height = camera.image_size_px
    with np.errstate(invalid="ignore"):
        edge1, edge2 = corners_px[:, 1] - corners_px[:, 0], corners_px[:, 2] - corners_px[:, 0]
        usable &= edge1[:, 0] * edge2[:, 1] - edge1[:, 1] * edge2[:, 0] < 0  # front side; y runs down
        low, high = corners_px.min(axis=1), corners_px.max(axis=1)
        usable &= (high > -0.5).all(axis=1) & (low[:, 0] < width - 0.5) & (low[:, 1] < height - 0.5)
    used = np.flatnonzero(usable)
    if len(used) == 0:
        return _nothing(camera)
    at, row, first, count = _spans(corners_px[used], (width, height))
    return _resolve(camera, vertices_mm[triangles[used]], used, (at, row, first, count))


def _nothing(camera: CameraModel) -> Seen:
    width, height = camera.image_size_px
    return Seen(
        triangle=np.full((height, width), _NOTHING, dtype=np.int32),
        pixels=np.zeros(0, dtype=np.int64),
        weights=np.zeros((0, 3), dtype=np.float32),
        depth_mm=np.zeros(0, dtype=np.float32),
    )


def _spans(corners_px: FloatArray, size_px: tuple[int, int]) -> tuple[IntArray, IntArray, IntArray, IntArray]:
    """Runs of pixels that triangles (T, 3, 2) may cover: triangle, row, first column, number of columns."""
    width, height = size_px
    y = corners_px[..., 1]
    top = np.maximum(np.ceil(y.min(axis=1) - _EDGE_PAD_PX), 0).astype(np.int64)
    bottom = np.minimum(np.floor(y.max(axis=1) + _EDGE_PAD_PX), height - 1).astype(np.int64)
    rows = np.maximum(bottom - top + 1, 0)
    at = np.repeat(np.arange(len(corners_px)), rows)
    row = np.arange(len(at)) - np.repeat(np.cumsum(rows) - rows, rows) + np.repeat(top, rows)
    left, right = np.full(len(at), np.inf), np.full(len(at), -np.inf)
    for k in range(3):
        start, end = corners_px[at, k], corners_px[at, (k + 1) % 3]
        fall = end[:, 1] - start[:, 1]
        level = np.abs(fall) < 1e-9
        share = (row - start[:, 1]) / np.where(level, 1.0, fall)
        # A row that passes just above or below an edge's end counts from that end.
        share = np.where(level, 0.0, np.clip(share, 0.0, 1.0))
        x = start[:, 0] + share * (end[:, 0] - start[:, 0])
        off = np.abs(start[:, 1] + share * fall - row) > _EDGE_PAD_PX
        left = np.minimum(left, np.where(off & ~level, np.inf, np.where(level, np.minimum(x, end[:, 0]), x)))
        right = np.maximum(
            right, np.where(off & ~level, -np.inf, np.where(level, np.maximum(x, end[:, 0]), x))
        )
    good = right >= left
    first = np.clip(np.ceil(np.where(good, left, 0) - _EDGE_PAD_PX), 0, width).astype(np.int64)
    last = np.clip(np.floor(np.where(good, right, -1) + _EDGE_PAD_PX), -1, width - 1).astype(np.int64)
    count = np.where(good, np.maximum(last - first + 1, 0), 0)
    return at, row, first, count


def _resolve(
    camera: CameraModel,
    corners_mm: FloatArray,
    used: IntArray,
    spans: tuple[IntArray, IntArray, IntArray, IntArray],
) -> Seen:
    """Meet each candidate pixel's ray with its triangle, and keep the nearest."""
    at, row, first, count = spans
    width, height = camera.image_size_px
    a, b, c = corners_mm[:, 0], corners_mm[:, 1], corners_mm[:, 2]
    across = np.stack([np.cross(b, c), np.cross(c, a), np.cross(a, b)], axis=1)  # (T, 3 weights, 3)
    volume = (a * across[:, 0]).sum(axis=-1)
    total = across.sum(axis=1)
    # Weights are divided by their sum, so each triangle may be scaled to unit depth at its first corner.
    planes = np.concatenate([across, (total / volume[:, None])[:, None]], axis=1)
    planes[:, :3] /= volume[:, None, None]
    flat = np.isfinite(planes).all(axis=(1, 2))
    planes = np.where(flat[:, None, None], planes, 0.0).astype(np.float32).reshape(-1, 12)
    run = np.repeat(np.arange(len(at)), count)
    start = row * width + first - (np.cumsum(count) - count)
    pixel = np.arange(len(run)) + np.repeat(start, count)
    triangle = at[run]
    ray = pixel_rays(camera).reshape(-1, 2)[pixel]
    plane = planes[triangle]
    w = [plane[:, k] * ray[:, 0] + plane[:, k + 1] * ray[:, 1] + plane[:, k + 2] for k in (0, 3, 6)]
    inverse = plane[:, 9] * ray[:, 0] + plane[:, 10] * ray[:, 1] + plane[:, 11]  # 1 / depth
    edge = np.float32(-1e-5) * inverse
    inside = np.flatnonzero((w[0] >= edge) & (w[1] >= edge) & (w[2] >= edge) & (inverse > 1e-6))
    pixel, inverse = pixel[inside], inverse[inside]
    nearest = np.zeros(width * height, dtype=np.float32)
    np.maximum.at(nearest, pixel, inverse)
    wins = np.flatnonzero(inverse == nearest[pixel])
    order = np.full(width * height, _NOTHING, dtype=np.int64)
    order[pixel[wins]] = inside[wins]
    pixels = np.flatnonzero(order >= 0)
    chosen = order[pixels]
    depth = np.float32(1) / nearest[pixels]
    weights = np.stack([each[chosen] for each in w], axis=1) * depth[:, None]
    weights /= weights.sum(axis=1, keepdims=True)
    seen = np.full(width * height, _NOTHING, dtype=np.int32)
    seen[pixels] = used[triangle[chosen]]
    return Seen(
        triangle=seen.reshape(height, width),
        pixels=pixels,
        weights=np.asarray(weights, dtype=np.float32),
        depth_mm=np.asarray(depth, dtype=np.float32),
    )


def spread_over_triangles(seen: Seen, corner_values: NDArray[np.floating]) -> Float32:
    """Interpolate values at triangles' corners (T, 3, C) at the points met: (M, C) float32."""
    corners = corner_values.astype(np.float32)[seen.triangles]
    return np.asarray(np.einsum("mk,mkc->mc", seen.weights, corners), dtype=np.float32)
