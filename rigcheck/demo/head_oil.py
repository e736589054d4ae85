"""Oily places of a face: where skin shines more, or is powdered to shine less."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rigcheck.demo.head_material import Paint, ramp
from rigcheck.demo.head_mesh import head_data, head_surface
from rigcheck.demo.head_performer import Performer
from rigcheck.demo.head_raster import Patch
from rigcheck.demo.head_shape import vertex_of
from rigcheck.model._arrays import BoolArray, IntArray

__all__ = ["paint_oil"]

Float32 = NDArray[np.float32]

# Middle of each place on the average head, from a named point (across to the performer's left, down), and radius, mm.
_PLACES = {
    "forehead": ("sellion", 0.0, -34.0, 24.0),
    "nose": ("nose_tip", 0.0, -4.0, 13.0),
    "cheek_left": ("subnasale", 38.0, -10.0, 17.0),
    "cheek_right": ("subnasale", -38.0, -10.0, 17.0),
    "chin": ("chin", 0.0, -10.0, 14.0),
}
_FRONT_MM = -55.0  # nothing farther back than this on the average head


@lru_cache(maxsize=8)
def _reached(place: str) -> BoolArray:
    """Triangles that a place may touch, and last, never, a frame of glasses: (T + 1,)."""
    surface = head_surface()
    fine = surface.refine @ head_data().vertices_mm
    share = _share(place, fine[surface.triangles].reshape(-1, 3).T.astype(np.float32))
    near = share.reshape(-1, 3).max(axis=1) > 0
    return np.append(near & (surface.part == 0), False)


def _share(place: str, average_mm: NDArray[np.floating]) -> NDArray[np.floating]:
    """How much of a place each point (3, n) of the average head belongs to, 0–1, soft at its rim."""
    name, across, down, radius = _PLACES[place]
    middle = head_data().vertices_mm[vertex_of(name)] + [across, down, 0.0]
    away = np.hypot(average_mm[0] - middle[0], average_mm[1] - middle[1])
    return np.asarray(ramp(1.6 * radius - away, 0.0, radius) * (average_mm[2] < _FRONT_MM))


def paint_oil(paint: Paint, performer: Performer, patch: Patch, average: Float32) -> None:
    """Make the places of `performer.oily` shine by their factor, in place.

    Parameters
    ----------
    paint : Paint
    performer : Performer
    patch : Patch
    average : (T, 3, C) float32
        Place on the average head at the triangles' corners, mm, in the first three channels.
    """
    for place, factor in performer.oily:
        at: IntArray = np.flatnonzero(_reached(place).take(patch.triangle, mode="clip"))
        if len(at):
            share = _share(place, patch.spread(average, at)[:3])
            paint.shine[at] *= (1 + (factor - 1) * share).astype(np.float32)
