"""How much of the open sky each place of the average head sees: nostrils, lids and the lip seam are darker."""

from functools import lru_cache

import numpy as np

from rigcheck.demo.head_mesh import head_data, head_surface
from rigcheck.demo.head_raster import see_triangles
from rigcheck.model import CameraModel
from rigcheck.model._arrays import FloatArray

__all__ = ["open_sky"]

_DIRECTIONS = 40
_SIZE_PX, _FAR_MM, _FIELD_MM = 220, 20000.0, 330.0
_BIAS_MM = 2.2


@lru_cache(maxsize=1)
def open_sky() -> FloatArray:
    """Share of the directions above the surface from which each file vertex is seen, (V,) 0–1, cosine-weighted.

    Notes
    -----
    The head is looked at from far away in many directions of the front hemisphere; a vertex is open to a
    direction when nothing lies more than 2 mm before it.
    """
    data, surface = head_data(), head_surface()
    fine = surface.refine @ data.vertices_mm
    fine = fine - np.array([0.0, fine[:, 1].mean(), 0.0])
    a, b, c = (fine[surface.triangles[:, k]] for k in range(3))
    normal = np.zeros_like(fine)
    for k in range(3):
        np.add.at(normal, surface.triangles[:, k], np.cross(b - a, c - a))
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    focal = _SIZE_PX / _FIELD_MM * _FAR_MM
    camera = CameraModel(
        name="far",
        image_size_px=(_SIZE_PX, _SIZE_PX),
        model="brown",
        focal_px=(focal, focal),
        principal_point_px=((_SIZE_PX - 1) / 2, (_SIZE_PX - 1) / 2),
    )
    seen, possible = np.zeros(len(fine)), np.full(len(fine), 1e-6)
    for direction in _front_directions():
        turned = fine @ _facing(direction).T
        depth = np.full(_SIZE_PX * _SIZE_PX, np.inf)
        met = see_triangles(camera, turned + np.array([0, 0, _FAR_MM]), surface.triangles)
        depth[met.pixels] = met.depth_mm() - _FAR_MM
        pixel = np.rint(turned[:, :2] * _SIZE_PX / _FIELD_MM + (_SIZE_PX - 1) / 2).astype(np.int64)
        inside = ((pixel >= 0) & (pixel < _SIZE_PX)).all(axis=1)
        at = np.clip(pixel, 0, _SIZE_PX - 1)
        cosine = np.clip(normal @ direction, 0, None)
        open_here = turned[:, 2] <= depth[at[:, 1] * _SIZE_PX + at[:, 0]] + _BIAS_MM
        seen += cosine * (open_here | ~inside)
        possible += cosine
    share = seen / possible
    share[possible < 0.5] = 0.3
    return np.asarray(np.clip(share[: len(data.vertices_mm)], 0.05, 1.0))


def _front_directions() -> FloatArray:
    """Directions towards the viewer's side, evenly spread (a spiral), head frame."""
    k = np.arange(_DIRECTIONS) + 0.5
    height = k / _DIRECTIONS
    turn = k * np.pi * (3 - np.sqrt(5))
    ring = np.sqrt(1 - height**2)
    return np.stack([ring * np.cos(turn), ring * np.sin(turn), -height], axis=1)


def _facing(direction: FloatArray) -> FloatArray:
    """Rotation after which the direction points at the viewer (-z)."""
    back = -direction
    side = np.cross([0.0, 1.0, 0.0], back)
    side = side / np.linalg.norm(side)
    return np.stack([side, np.cross(back, side), back])
