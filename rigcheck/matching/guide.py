"""Roughly where each place of picture 1 lies in picture 2: by calibration, by a few points, or by neither.

A guide only says where to look. Fitting a patch then moves freely in both directions, so that a pair that no
longer stands as calibrated shows in the matches.
"""

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import scipy
from numpy.typing import NDArray

from rigcheck.errors import EstimationError
from rigcheck.geometry.projection import intrinsics_vector, project, unproject
from rigcheck.matching.refine import read_at
from rigcheck.model import CameraModel, StereoRig
from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2

__all__ = ["Guide", "alike_guide", "plane_guides", "point_guide"]

Float32 = NDArray[np.float32]

_NEAREST_POINTS = 12
_LEAST_POINTS = 4
_SIFT_SIDE = 720  # longer side at which pictures are compared without any guide
_SIFT_RATIO = 0.8
_LEAST_ALIKE = 12


@dataclass(frozen=True, kw_only=True, eq=False)
class Guide:
    """Where places lie in picture 2: candidates on a coarse grid over picture 1.

    `maps` (K, h, w, 2) float32, px in picture 2 as recorded, NaN-free; the grid's cells of `cell_px` cover picture 1.
    One candidate, or K depths to choose from.
    """

    maps: Float32
    cell_px: float


def grid_places(size_px: tuple[int, int], cell_px: float) -> FloatArray:
    """Centres of a grid's cells (h, w, 2), px in a picture of (width, height)."""
    columns, rows = (max(round(side / cell_px), 1) for side in size_px)
    x = (np.arange(columns) + 0.5) * size_px[0] / columns - 0.5
    y = (np.arange(rows) + 0.5) * size_px[1] / rows - 0.5
    return np.stack(np.meshgrid(x, y), axis=-1)


@dataclass(frozen=True, kw_only=True)
class _Planes:
    """What guides for planes are made from; two alike by `key` give the same."""

    key: tuple[object, ...]
    rig: StereoRig = field(compare=False)
    nearest_mm: float
    farthest_mm: float
    cell_px: float


def plane_guides(rig: StereoRig, *, nearest_mm: float, farthest_mm: float, cell_px: float) -> Guide:
    """Guides for planes square to the pair's viewing direction, one cell of disparity apart.

    Parameters
    ----------
    rig : StereoRig
    nearest_mm, farthest_mm : float
        Distances of the planes from the middle of the baseline.
    cell_px : float

    Notes
    -----
    The last ones are kept: a day's takes are matched with one calibration.
    """
    pose = rig.camera2_from_camera1
    key = tuple(
        (camera.model, camera.image_size_px, intrinsics_vector(camera).tobytes())
        for camera in (rig.camera1, rig.camera2)
    )
    return _plane_guides(
        _Planes(
            key=(*key, pose.rotation.tobytes(), pose.translation_mm.tobytes()),
            rig=rig,
            nearest_mm=nearest_mm,
            farthest_mm=farthest_mm,
            cell_px=cell_px,
        )
    )


@lru_cache(maxsize=2)
def _plane_guides(asked: _Planes) -> Guide:
    rig, cell_px = asked.rig, asked.cell_px
    camera1, camera2 = rig.camera1, rig.camera2
    rotation, translation = rig.camera2_from_camera1.rotation, rig.camera2_from_camera1.translation_mm
    view = rotation[2] + np.array([0.0, 0.0, 1.0])
    view /= np.linalg.norm(view)
    middle = -0.5 * rotation.T @ translation
    places = grid_places(camera1.image_size_px, cell_px)
    seen = unproject(places.reshape(-1, 2), intrinsics_vector(camera1), camera1.model)
    rays = np.column_stack([np.nan_to_num(seen), np.ones(len(seen))])
    span = camera1.focal_px[0] * rig.baseline_mm * (1 / asked.nearest_mm - 1 / asked.farthest_mm) / cell_px
    count = int(np.clip(np.ceil(span) + 1, 2, 64))
    distances = 1 / np.linspace(1 / asked.farthest_mm, 1 / asked.nearest_mm, count)
    along = np.maximum(rays @ view, 0.2)
    maps = [
        _in_second(rays * ((distance + view @ middle) / along)[:, None], camera2, rig).reshape(places.shape)
        for distance in distances
    ]
    found = np.stack(maps).astype(np.float32)
    found.flags.writeable = False
    return Guide(maps=found, cell_px=cell_px)


def _in_second(points_mm: FloatArray, camera: CameraModel, rig: StereoRig) -> FloatArray:
    seen = rig.camera2_from_camera1.apply(points_mm)
    seen[:, 2] = np.maximum(seen[:, 2], 1.0)
    limit = 3.0 * max(camera.image_size_px)
    return np.clip(project(seen, intrinsics_vector(camera), camera.model), -limit, limit)


def point_guide(
    points1_px: FloatArray, points2_px: FloatArray, *, size_px: tuple[int, int], cell_px: float
) -> Guide:
    """Guide through points known in both pictures, such as those of the face mesh.

    Parameters
    ----------
    points1_px, points2_px : (N, 2) float64, px
        At least 4 finite pairs; rows that are not finite are left out.
    size_px : (width, height) of picture 1
    cell_px : float

    Notes
    -----
    At each cell an affine map is fitted to the 12 nearest points, weighted by nearness, with a global affine map as
    its prior, so that places beyond the points continue smoothly.
    """
    known = np.isfinite(points1_px).all(axis=1) & np.isfinite(points2_px).all(axis=1)
    first, second = points1_px[known], points2_px[known]
    if len(first) < _LEAST_POINTS:
        raise EstimationError(
            f"matching: {len(first)} points known in both pictures, {_LEAST_POINTS} needed",
            hint="use pictures that show the same face, or give a calibration",
        )
    grid = grid_places(size_px, cell_px)
    places = grid.reshape(-1, 2)
    whole = np.column_stack([first, np.ones(len(first))])
    affine = np.linalg.lstsq(whole, second, rcond=None)[0]
    off = second - whole @ affine
    nearest = min(_NEAREST_POINTS, len(first))
    tree = scipy.spatial.cKDTree(first)
    away, index = tree.query(places, k=nearest)  # nearest first, so that the middle one is the median
    width = np.maximum(away[:, [(nearest - 1) // 2, nearest // 2]].mean(axis=1, keepdims=True), 1.0)
    weight = np.exp(-0.5 * (away / width) ** 2)
    moved = np.einsum("nk,nkc->nc", weight, off[index]) / np.maximum(weight.sum(axis=1), 1e-6)[:, None]
    moved *= np.exp(-0.5 * (away[:, :1] / (4 * np.median(tree.query(first, k=2)[0][:, 1]) + 50)) ** 2)
    found = np.column_stack([places, np.ones(len(places))]) @ affine + moved
    return Guide(maps=found.reshape(1, *grid.shape).astype(np.float32), cell_px=cell_px)


def alike_guide(
    first: NDArray[np.uint8], second: NDArray[np.uint8], mask: NDArray[np.uint8] | None, *, cell_px: float
) -> Guide:
    """Guide from the pictures alone: one affine map through places that look alike.

    Parameters
    ----------
    first, second : (H, W) uint8
    mask : (H, W) uint8 or None
        Of picture 1, zero where nothing is to be compared.
    cell_px : float

    Raises
    ------
    EstimationError
        When too few places agree on one map.

    References
    ----------
    Lowe, IJCV 60(2), 2004 (scale-invariant features and the ratio test).
    """
    scale = min(_SIFT_SIDE / max(first.shape), 1.0)
    finder = cv2.SIFT.create(nfeatures=3000, contrastThreshold=0.01)
    small = [cv2.resize(p, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) for p in (first, second)]
    lit = [cv2.createCLAHE(4.0, (6, 6)).apply(p) for p in small]
    where = None if mask is None else cv2.resize(mask, small[0].shape[::-1], interpolation=cv2.INTER_NEAREST)
    keys1, words1 = finder.detectAndCompute(lit[0], where)
    keys2, words2 = finder.detectAndCompute(lit[1], None)
    pairs: list[tuple[int, int]] = []
    if len(keys1) >= 2 and len(keys2) >= 2:
        for best, next_best in cv2.BFMatcher(cv2.NORM_L2).knnMatch(words1, words2, k=2):
            if best.distance < _SIFT_RATIO * next_best.distance:
                pairs.append((best.queryIdx, best.trainIdx))
    at1 = np.array([keys1[a].pt for a, _ in pairs]).reshape(-1, 2)
    at2 = np.array([keys2[b].pt for _, b in pairs]).reshape(-1, 2)
    kept = np.zeros(0, dtype=bool)
    if len(pairs) >= _LEAST_ALIKE:
        _, inlier = cv2.estimateAffine2D(
            at1, at2, method=cv2.RANSAC, ransacReprojThreshold=24.0 * scale, maxIters=4000, confidence=0.999
        )
        kept = np.asarray(inlier, dtype=bool).reshape(-1)
    if kept.sum() < _LEAST_ALIKE:
        raise EstimationError(
            f"matching: {int(kept.sum())} places of the two pictures look alike, {_LEAST_ALIKE} needed",
            hint="give a calibration, or pictures of one moment in which both cameras see the face",
        )
    at1, at2 = ((at[kept] + 0.5) / scale - 0.5 for at in (at1, at2))
    whole = np.column_stack([at1, np.ones(len(at1))])
    affine = np.linalg.lstsq(whole, at2, rcond=None)[0]
    places = grid_places((first.shape[1], first.shape[0]), cell_px)
    found = np.concatenate([places, np.ones((*places.shape[:2], 1))], axis=-1) @ affine
    return Guide(maps=found[None].astype(np.float32), cell_px=cell_px)


def map_at(field: Float32, places_px: FloatArray, size_px: tuple[int, int]) -> Float32:
    """Read a coarse map (h, w, C) over a picture of (width, height) at places (..., 2), linearly, edges carried on."""
    rows, columns = field.shape[:2]
    ratio = np.array([columns / size_px[0], rows / size_px[1]])
    return read_at(field, (places_px + 0.5) * ratio - 0.5, linear=True)
