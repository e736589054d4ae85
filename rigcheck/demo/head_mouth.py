"""Points of the mouth that a later tooth correction needs, and the gaps between lips and between rows of teeth."""

from functools import lru_cache

import numpy as np

from rigcheck.demo.head_mesh import head_data, head_surface
from rigcheck.demo.head_shape import LIP_EDGES, LOWER_TEETH, UPPER_TEETH, vertex_of
from rigcheck.model._arrays import FloatArray

__all__ = ["INCISOR_HALF_MM", "incisor_points", "lip_gaps_mm", "teeth_gap_mm"]

# From the middle of the mouth to the outer corner of a central incisor on the average head, mm.
INCISOR_HALF_MM = {"upper": 8.4, "lower": 5.2}
_FRONT_MM = 8.0  # an incisor's crown is no thicker
_STATIONS = 7


@lru_cache(maxsize=1)
def _corners() -> dict[str, tuple[int, int, float]]:
    """Each named point of the incisors as a share of the way between two vertices of `head_surface()`."""
    found = {}
    for row, part in (("upper", UPPER_TEETH), ("lower", LOWER_TEETH)):
        half = INCISOR_HALF_MM[row]
        for name, across in ((f"{row}_incisors_middle", 0.0), (f"{row}_incisor_left", half)):
            found[name] = _edge_at(part, across, 1.0 if row == "upper" else -1.0)
        found[f"{row}_incisor_right"] = _edge_at(part, -half, 1.0 if row == "upper" else -1.0)
    return found


def _edge_at(part: int, across_mm: float, down: float) -> tuple[int, int, float]:
    """Lowest (`down` 1) or highest (-1) place of a row of teeth in a plane square to the average head's x."""
    surface = head_surface()
    fine = surface.refine @ head_data().vertices_mm
    triangles = surface.triangles[surface.part == part]
    edges = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    start, end = fine[edges[:, 0]], fine[edges[:, 1]]
    # A hair beside the middle, so that edges within the plane of symmetry are met by their neighbours.
    away = across_mm + 1e-4
    met = (start[:, 0] <= away) & (end[:, 0] > away)
    share = (away - start[met, 0]) / (end[met, 0] - start[met, 0])
    place = start[met] + share[:, None] * (end[met] - start[met])
    height = np.where(place[:, 2] < place[:, 2].min() + _FRONT_MM, down * place[:, 1], -np.inf)
    best = int(height.argmax())
    first, second = edges[met][best]
    return int(first), int(second), float(share[best])


def incisor_points(vertices_mm: FloatArray) -> dict[str, FloatArray]:
    """Edges of the central incisors: the middle of each row and the outer corner on either side, (3,) each.

    Parameters
    ----------
    vertices_mm : (V', 3) float64
        Those of `head_surface()`, posed.
    """
    return {
        name: vertices_mm[first] + share * (vertices_mm[second] - vertices_mm[first])
        for name, (first, second, share) in _corners().items()
    }


def teeth_gap_mm(vertices_mm: FloatArray) -> float:
    """Height between the edges of the upper and lower incisors at the middle; negative where they overlap."""
    points = incisor_points(vertices_mm)
    return float(points["lower_incisors_middle"][1] - points["upper_incisors_middle"][1])


def lip_gaps_mm(vertices_mm: FloatArray) -> FloatArray:
    """Gap between the lips at seven places from the middle to three quarters of the way to the left corner, mm.

    Negative where one lip lies over the other.
    """
    at = np.linspace(0.0, 0.75, _STATIONS) * abs(vertices_mm[vertex_of("mouth_corner_left"), 0])
    top, low = (
        np.interp(at, vertices_mm[list(edge), 0] - vertices_mm[edge[0], 0], vertices_mm[list(edge), 1])
        for edge in LIP_EDGES
    )
    return np.asarray(low - top)
