"""Which triangle each pixel sees: exact rays of the distorted lens against every triangle, nearest wins."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rigcheck.demo.camera import project_points, ray_grid
from rigcheck.model import CameraModel
from rigcheck.model._arrays import FloatArray, IntArray
from rigcheck.opencv import cv2

__all__ = ["Patch", "Seen", "pixel_rays", "see_triangles", "taken"]

Float32 = NDArray[np.float32]

_GRID_STEP_PX = 4
_NOTHING = -1
_PATCH_PX = 24_576


@dataclass(frozen=True, kw_only=True, eq=False)
class Patch:
    """A run of pixels: triangle (m,), barycentric weights (3, m), depth (m,), place in the camera frame (3, m)."""

    triangle: IntArray
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

    def spread_all(self, table: Float32) -> Float32:
        """Interpolate values at triangles' corners, laid out (C, 3, T) for speed, at all pixels: (C, m)."""
        met = np.empty((len(table), len(self.triangle)), dtype=np.float32)
        for out, channel in zip(met, table, strict=True):
            np.multiply(self.weights[0], taken(channel[0], self.triangle), out=out)
            out += self.weights[1] * taken(channel[1], self.triangle)
            out += self.weights[2] * taken(channel[2], self.triangle)
        return met


@dataclass(frozen=True, kw_only=True, eq=False)
class Seen:
    """What the rays of the pixels met.

    Parameters
    ----------
    triangle : (H, W) int32
        Index of the nearest triangle, -1 where there is none.
    pixels : (M,) int64
        Flat indices of the pixels that met one, in order.
    owner : (M,) int64
        Their triangles, counted among those that face the camera: columns of `planes`.
    used : (T',) int64
        Number of each of these among all.
    planes : (11, T') float32
        See `_planes`.
    rays : (H W, 2) float32
    """

    triangle: NDArray[np.int32]
    pixels: IntArray
    owner: IntArray
    used: IntArray
    planes: Float32
    rays: Float32

    def patches(self) -> Iterator[tuple[slice, Patch]]:
        """Go through the pixels in runs that stay in a processor's cache: (where in `pixels`, what is met there)."""
        for start in range(0, len(self.pixels), _PATCH_PX):
            some = slice(start, start + _PATCH_PX)
            near, ray = self.owner[some], self.rays[self.pixels[some]]
            x, y = np.ascontiguousarray(ray[:, 0]), np.ascontiguousarray(ray[:, 1])
            depth = np.float32(1) / _inverse_depth(self.planes, near, x, y)
            weights = np.empty((3, len(near)), dtype=np.float32)
            for k in (0, 1):
                np.multiply(taken(self.planes[3 * k], near), x, out=weights[k])
                weights[k] += taken(self.planes[3 * k + 1], near) * y
                weights[k] += taken(self.planes[3 * k + 2], near)
                weights[k] *= depth
            np.subtract(np.float32(1), weights[0], out=weights[2])
            weights[2] -= weights[1]
            place = np.stack([x * depth, y * depth, depth])
            yield (
                some,
                Patch(triangle=self.used[near], weights=weights, depth_mm=depth, camera_mm=place),
            )

    def depth_mm(self) -> Float32:
        """Depth along the optical axis of every pixel that met a triangle, (M,)."""
        x, y = self.rays[self.pixels].T
        return np.asarray(np.float32(1) / _inverse_depth(self.planes, self.owner, x, y), dtype=np.float32)


def taken(values: Float32, at: IntArray) -> Float32:
    """`values[at]` for indices that are known to be right: faster than checking each."""
    return np.asarray(values.take(at, mode="clip"), dtype=np.float32)


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
    A triangle with a corner behind the camera or outside the lens's field is left out. Which pixels a triangle
    covers is decided between its projected corners along straight lines, each pixel on a common edge given to one
    of its two triangles; the lens bends an edge of 16 px by less than 0.01 px. What is met there, and which of
    several triangles is nearest, is exact for the pixel's ray: with d the ray and a, b, c the corners, the
    weights are d·(b×c), d·(c×a), d·(a×b) over their sum, the depth a·(b×c) over it.
    """
    # Corner first, (3, T): reducing over a short last axis is slow.
    x, y = (way[triangles.T] for way in np.ascontiguousarray(project_points(camera, vertices_mm).T))
    width, height = camera.image_size_px
    with np.errstate(invalid="ignore"):
        turn = (x[1] - x[0]) * (y[2] - y[0]) - (y[1] - y[0]) * (x[2] - x[0])
        inside = (x.max(axis=0) > -0.5) & (x.min(axis=0) < width - 0.5)
        inside &= (y.max(axis=0) > -0.5) & (y.min(axis=0) < height - 0.5)
        used = np.flatnonzero((turn < 0) & inside)  # the front side runs so, as y runs down; NaN is left out
    planes = _planes(vertices_mm[triangles[used]])
    rays = pixel_rays(camera).reshape(-1, 2)
    at, pixel = _covered(x[:, used], y[:, used], (width, height))
    owner = np.full(width * height, _NOTHING, dtype=np.int32)
    owner[pixel] = at
    _keep_nearest(planes, rays, (at, pixel), owner)
    pixels = np.flatnonzero(owner >= 0)
    near = owner[pixels].astype(np.int64)
    owner[pixels] = used[near]
    return Seen(
        triangle=owner.reshape(height, width), pixels=pixels, owner=near, used=used, planes=planes, rays=rays
    )


def _planes(corners_mm: FloatArray) -> Float32:
    """What gives, times the ray (x, y, 1), first and second weight over depth and 1 / depth; and that one's range.

    (11, T): three numbers each, then least and greatest 1 / depth of the corners.
    """
    a, b, c = corners_mm[:, 0], corners_mm[:, 1], corners_mm[:, 2]
    first, second = np.cross(b, c), np.cross(c, a)
    volume = (a * first).sum(axis=1)[:, None]
    flat = np.abs(volume[:, 0]) < 1e-9
    total = first + second + np.cross(a, b)
    planes = np.concatenate([first, second, total], axis=1) / np.where(flat[:, None], 1.0, volume)
    planes[flat] = 0.0
    inverse = 1.0 / corners_mm[:, :, 2]
    limits = [inverse.min(axis=1), inverse.max(axis=1)]
    return np.concatenate([planes.T, limits]).astype(np.float32)


def _inverse_depth(planes: Float32, triangle: IntArray, x: Float32, y: Float32) -> Float32:
    """1 / depth at which rays (x, y, 1) meet the planes of their triangles, never beyond the corners'."""
    inverse = taken(planes[6], triangle) * x
    inverse += taken(planes[7], triangle) * y
    inverse += taken(planes[8], triangle)
    np.maximum(inverse, taken(planes[9], triangle), out=inverse)
    np.minimum(inverse, taken(planes[10], triangle), out=inverse)
    return inverse


def _covered(x: FloatArray, y: FloatArray, size_px: tuple[int, int]) -> tuple[IntArray, IntArray]:
    """Pixels that triangles with corners (3, T) cover, row by row: triangle and flat pixel, (N,) each."""
    width, height = size_px
    top = np.clip(np.ceil(y.min(axis=0)), 0, height).astype(np.int64)
    bottom = np.clip(np.ceil(y.max(axis=0)), 0, height).astype(np.int64)
    rows = np.maximum(bottom - top, 0)
    at = np.repeat(np.arange(x.shape[1]), rows)
    row = np.arange(len(at)) + np.repeat(top - np.cumsum(rows) + rows, rows)
    left, right = np.full(len(at), np.inf), np.full(len(at), -np.inf)
    for k in range(3):
        # From the upper to the lower end, so that both triangles of an edge compute the same numbers.
        down = y[k] <= y[k - 1]
        high_x, low_x = (np.where(way, x[k], x[k - 1]) for way in (down, ~down))
        high_y, low_y = (np.where(way, y[k], y[k - 1]) for way in (down, ~down))
        slope = (low_x - high_x) / np.where(low_y > high_y, low_y - high_y, 1.0)
        met = high_x[at] + (row - high_y[at]) * slope[at]
        crossed = (row >= high_y[at]) & (row < low_y[at])
        np.minimum(left, met, out=left, where=crossed)
        np.maximum(right, met, out=right, where=crossed)
    first = np.ceil(np.clip(left, 0, width)).astype(np.int64)
    end = np.ceil(np.clip(right, 0, width)).astype(np.int64)
    count = np.maximum(end - first, 0)
    start = row * width + first - (np.cumsum(count) - count)
    return np.repeat(at, count), np.arange(int(count.sum())) + np.repeat(start, count)


def _keep_nearest(
    planes: Float32, rays: Float32, covered: tuple[IntArray, IntArray], owner: NDArray[np.int32]
) -> None:
    """Where several triangles cover a pixel, leave it to the nearest, in place."""
    at, pixel = covered
    several = np.zeros(len(owner), dtype=bool)
    several[pixel[owner[pixel] != at]] = True
    some = np.flatnonzero(several[pixel])
    at, pixel = at[some], pixel[some]
    inverse = _inverse_depth(planes, at, rays[pixel, 0], rays[pixel, 1])
    nearest = np.zeros(len(owner), dtype=np.float32)
    np.maximum.at(nearest, pixel, inverse)
    wins = inverse == nearest[pixel]
    owner[pixel[wins]] = at[wins]
