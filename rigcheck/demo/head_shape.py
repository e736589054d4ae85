"""One head's shape and size, and how it moves: jaw, sealed lips, closing teeth, place of the eyes."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from rigcheck.demo.head_expression import jaw_follow
from rigcheck.demo.head_mesh import head_data, head_surface
from rigcheck.model._arrays import FloatArray, IntArray

__all__ = [
    "HEAD_VERTICES",
    "LIP_EDGES",
    "LOWER_TEETH",
    "UPPER_TEETH",
    "HeadShape",
    "head_shape",
    "part_vertices",
    "vertex_of",
]

# Vertices of the data file that stand at named points. Sides are the performer's own.
HEAD_VERTICES = {
    "subnasale": 343,
    "nose_tip": 297,
    "alar_base_right": 286,
    "alar_base_left": 2605,
    "wing_right": 1590,
    "wing_left": 3823,
    "mouth_corner_right": -3747,
    "mouth_corner_left": 3747,
    "upper_lip_inner": 474,
    "lower_lip_inner": 493,
    "chin": 1831,
    "eye_outer_right": -2355,
    "eye_inner_right": -2401,
    "eye_inner_left": 2401,
    "eye_outer_left": 2355,
    "sellion": 132,
    "zygion_right": -4177,
    "zygion_left": 4177,
}
# Of the hinge of the jaw from sellion and from menton in the average geometry, mm.
_HINGE_FROM_SELLION, _HINGE_FROM_MENTON = np.array([0.0, 30.0, 92.0]), np.array([0.0, -94.0, 80.0])
_AVERAGE_LENGTH_MM = float(np.linalg.norm(_HINGE_FROM_SELLION - _HINGE_FROM_MENTON))
# The file's jaw unit moves even the chin's skin by less than a rigid jaw, and the nose a little.
_NO_FOLLOW, _FULL_FOLLOW = 0.06, 0.93
_SEAL_OVERLAP_MM = 0.5
_SEAL_REACH_MM = 7.0
# Edges along which upper and lower lip meet, from the middle to the performer's left; middle of the lids.
LIP_EDGES = ((474, 2779, 2778, 2777, 2776, 4115, 2775), (493, 2792, 2786, 2780))
_LIDS = (3298, 3311)
UPPER_TEETH, LOWER_TEETH = 3, 4  # parts
_OVERBITE_MM, _OVERJET_MM = 2.0, 2.5  # overlap of the incisors; upper edge before the lower front
_IRIS_ABOVE_MIDDLE_MM = 0.8  # the upper lid covers more of the iris than the lower one


@dataclass(frozen=True, kw_only=True, eq=False)
class HeadShape:
    """What depends on identity and size only. All in the head frame, file's vertices (V, 3)."""

    vertices_mm: FloatArray
    scale: FloatArray
    jaw_scale: float
    hinge_mm: FloatArray
    follow: FloatArray
    seal: FloatArray
    eye_centres_mm: FloatArray
    eye_radius_mm: float
    eye_rest: float
    teeth_mm: FloatArray
    rest_mm: FloatArray


@lru_cache(maxsize=1)
def _vertices() -> dict[str, int]:
    """Vertex of each named point; a negative number means its mirror image."""
    flat = head_data().vertices_mm
    found = {}
    for name, vertex in HEAD_VERTICES.items():
        mirrored = flat[abs(vertex)] * [-1.0, 1.0, 1.0]
        found[name] = vertex if vertex >= 0 else int(np.linalg.norm(flat - mirrored, axis=1).argmin())
    return found


def vertex_of(name: str) -> int:
    """Vertex of the data file at a named point."""
    return _vertices()[name]


def part_vertices(part: int) -> IntArray:
    """Vertices of the data file that belong to a part (index into `PARTS`)."""
    surface = head_surface()
    used = np.unique(surface.triangles[surface.part == part])
    return np.asarray(used[used < len(head_data().vertices_mm)])


def _sphere(points: FloatArray) -> tuple[FloatArray, float]:
    """Centre and radius of the sphere nearest to points, by linear least squares."""
    rows = np.column_stack([2 * points, np.ones(len(points))])
    found = np.linalg.lstsq(rows, (points**2).sum(axis=1), rcond=None)[0]
    return found[:3], float(np.sqrt(found[3] + found[:3] @ found[:3]))


@lru_cache(maxsize=32)
def head_shape(weights: tuple[float, ...], eyes_mm: float, length_mm: float) -> HeadShape:
    """Mix the identities, bring the head to size, seal its lips.

    Parameters
    ----------
    weights : tuple of 8 float
        Share of each identity.
    eyes_mm, length_mm : float
        Distance between the eyes; menton to sellion.
    """
    data = head_data()
    base = data.vertices_mm + np.tensordot(np.array(weights), data.identities_mm, axes=1)
    centres = [_sphere(base[part_vertices(part)])[0] for part in (1, 2)]
    across = eyes_mm / float(np.linalg.norm(centres[0] - centres[1]))
    down = length_mm / float(np.linalg.norm(base[vertex_of("chin")] - base[vertex_of("sellion")]))
    scale = np.array([across, down, (across + down) / 2])
    base = base * scale
    # The seal changes no point of the nose: the origin may be set before it.
    base -= (base[vertex_of("alar_base_left")] + base[vertex_of("alar_base_right")]) / 2
    spheres = [_sphere(base[part_vertices(part)]) for part in (1, 2)]
    radius = float(np.mean([sphere[1] for sphere in spheres]))
    follow = _follow()
    seal = _seal_field(follow)
    sealed = base
    for _ in range(3):  # smoothing moves the lips' edges: what is left is closed again
        sealed = sealed + seal * (_lip_gap(sealed) + _SEAL_OVERLAP_MM)[:, None]
    rest = head_surface().refine @ sealed
    return HeadShape(
        vertices_mm=sealed,
        scale=scale,
        jaw_scale=length_mm / _AVERAGE_LENGTH_MM,
        hinge_mm=_hinge(base, length_mm / _AVERAGE_LENGTH_MM),
        follow=follow,
        seal=seal,
        eye_centres_mm=np.stack([sphere[0] for sphere in spheres]),
        eye_radius_mm=radius,
        eye_rest=(rest[list(_LIDS), 1].mean() - _IRIS_ABOVE_MIDDLE_MM - spheres[0][0][1]) / radius,
        teeth_mm=_closing(rest),
        rest_mm=rest,
    )


def _hinge(base: FloatArray, scale: float) -> FloatArray:
    """Middle between the jaw joints, from sellion and menton alike, (3,) mm."""
    offsets = scale * (_HINGE_FROM_SELLION + _HINGE_FROM_MENTON)
    hinge = (base[vertex_of("sellion")] + base[vertex_of("chin")] + offsets) / 2
    hinge[0] = 0.0
    return np.asarray(hinge)


@lru_cache(maxsize=1)
def _follow() -> FloatArray:
    """How far each vertex follows the lower jaw, (V,) 0–1."""
    data = head_data()
    share = jaw_follow(data, _hinge(data.vertices_mm, 1.0))
    follow = np.clip((share - _NO_FOLLOW) / (_FULL_FOLLOW - _NO_FOLLOW), 0.0, 1.0)
    follow[part_vertices(LOWER_TEETH)] = 1.0
    follow.setflags(write=False)
    return follow


def _closing(fine: FloatArray) -> FloatArray:
    """Shift (3,) of the lower teeth that brings their incisors behind the upper ones, mm."""
    rows = []
    for part in (UPPER_TEETH, LOWER_TEETH):
        teeth = fine[part_vertices(part)]
        front = teeth[np.abs(teeth[:, 0]) < 8.0]
        rows.append(front[front[:, 2] < front[:, 2].min() + 5.0])
    upper, lower = rows
    edge = upper[upper[:, 1].argmax()]
    return np.array(
        [0.0, edge[1] - _OVERBITE_MM - lower[:, 1].min(), edge[2] + _OVERJET_MM - lower[:, 2].min()]
    )


def _lip_gap(base: FloatArray) -> FloatArray:
    """Gap between the lips above or below each vertex (V,), mm: positive where they are apart."""
    fine = head_surface().refine @ base
    at = np.linspace(0.0, 0.75, 7) * abs(fine[vertex_of("mouth_corner_left"), 0])
    tops, lows = (np.interp(at, fine[list(edge), 0], fine[list(edge), 1]) for edge in LIP_EDGES)
    return np.asarray(np.interp(np.abs(base[:, 0]), at, lows - tops))


@lru_cache(maxsize=1)
def _seal_field_cached() -> FloatArray:
    data = head_data()
    flat = data.vertices_mm
    edge = flat[[vertex for edge in LIP_EDGES for vertex in edge]]
    lips = np.concatenate([edge, edge * [-1.0, 1.0, 1.0]])
    distance = np.full(len(flat), np.inf)
    close = np.flatnonzero((np.abs(flat - lips.mean(axis=0)) < 60).all(axis=1))
    for vertex in lips:
        distance[close] = np.minimum(distance[close], np.linalg.norm(flat[close] - vertex, axis=1))
    weight = np.exp(-((distance / _SEAL_REACH_MM) ** 2))
    corner = abs(flat[vertex_of("mouth_corner_left"), 0])
    weight *= np.clip((corner - np.abs(flat[:, 0])) / (0.15 * corner), 0, 1)
    for part in (3, 4, 5):
        weight[part_vertices(part)] = 0.0
    return weight


def _seal_field(follow: FloatArray) -> FloatArray:
    """Displacement (V, 3) that closes a gap of 1 mm: lower lip up by 0.7, upper down by 0.3."""
    weight = _seal_field_cached()
    field_mm = np.zeros((len(weight), 3))
    field_mm[:, 1] = weight * np.where(follow > 0.5, -0.7, 0.3)
    return field_mm
