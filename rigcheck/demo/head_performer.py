"""One performer's head: who it is, how big, and its vertices in any expression."""

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from rigcheck.demo.head_expression import Expression, hinge_moved, jaw_follow
from rigcheck.demo.head_mesh import head_data, head_surface
from rigcheck.model._arrays import FloatArray, IntArray

__all__ = [
    "HEAD_VERTICES",
    "N_IDENTITIES",
    "EyeState",
    "Performer",
    "PosedHead",
    "posed_head",
    "random_performer",
]

N_IDENTITIES = 8

# Vertices of the data file that stand at named points. Sides are the performer's own.
HEAD_VERTICES = {
    "subnasale": 1607,
    "nose_tip": 1589,
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
# Each identity's distance between the eyes and face length (menton to sellion), mm. The file's heads are about a
# tenth too small; these lie well within the published ranges of adults.
_USUAL_SIZES_MM = (
    (61.5, 116.0),
    (60.5, 124.0),
    (60.5, 120.0),
    (59.5, 107.0),
    (62.0, 121.0),
    (60.0, 113.0),
    (62.0, 114.0),
    (61.5, 115.0),
)
# Of the hinge of the jaw from sellion and from menton in the average geometry, mm.
_HINGE_FROM_SELLION, _HINGE_FROM_MENTON = np.array([0.0, 30.0, 92.0]), np.array([0.0, -94.0, 80.0])
_FULL_FOLLOW = 0.93  # the file's jaw unit moves even the chin's skin by this much of a rigid jaw
_IRIS_ARM_MM = 10.3  # the iris moves on an arc of this radius as the eye turns
_SEAL_OVERLAP_MM = 0.5
_SEAL_REACH_MM = 7.0
# Edges along which upper and lower lip meet, from the middle to the performer's left; middle of the lids.
_LIP_EDGES = ((474, 2779, 2778, 2777, 2776, 4115, 2775), (493, 2792, 2786, 2780))
_LIDS = (3298, 3311)
_IRIS_ABOVE_MIDDLE_MM = 0.8  # the upper lid covers more of the iris than the lower one


@dataclass(frozen=True, kw_only=True)
class Performer:
    """Somebody invented. Two performers with the same values look the same, to the pore.

    Parameters
    ----------
    identity : int or tuple of 8 weights
        Shape: one of the eight heads, or a mixture (weights are normalised to sum 1).
    interpupillary_mm, face_length_mm : float or None
        Size; None takes the identity's usual one. Face length is menton to sellion.
    skin_luminance : float
        CIE luminance factor Y of the skin, about 0.05 (L* 27) to 0.41 (L* 70).
    texture_seed : int
        Pores, mottling, hairs.
    detail : float
        Contrast of the skin's texture: 1 usual, 0 none, 2 rough.
    freckles, stubble, moustache, beard : float
        0–1.
    brow_density : float
        0–1; 0 for brows too light to see.
    oil : float
        Shine of the skin: 0 powdered, 1 usual, 3 oily.
    hair : {"none", "short", "cap", "fringe"}
        Of the head; a fringe hangs over the brows.
    glasses : bool
    dots : tuple of int
        Vertices of the data file at which a black dot is painted; `dot_radius_mm` its size.
    """

    identity: int | tuple[float, ...] = 0
    interpupillary_mm: float | None = None
    face_length_mm: float | None = None
    skin_luminance: float = 0.26
    texture_seed: int = 0
    detail: float = 1.0
    freckles: float = 0.0
    stubble: float = 0.0
    moustache: float = 0.0
    beard: float = 0.0
    brow_density: float = 1.0
    oil: float = 1.0
    hair: str = "short"
    glasses: bool = False
    dots: tuple[int, ...] = ()
    dot_radius_mm: float = 1.2

    def __post_init__(self) -> None:
        """Refuse values that no skin or head has."""
        if len(self.weights) != N_IDENTITIES or abs(sum(self.weights)) < 1e-9:
            raise ValueError(f"identity: {self.identity} found, 0 to {N_IDENTITIES - 1} or 8 weights needed")
        if not 0.01 <= self.skin_luminance <= 0.8:
            raise ValueError(f"skin_luminance: {self.skin_luminance} found, 0.01 to 0.8 needed")
        if self.hair not in ("none", "short", "cap", "fringe"):
            raise ValueError(f"hair: {self.hair!r} found, none, short, cap or fringe needed")

    @property
    def weights(self) -> tuple[float, ...]:
        """Share of each identity, sum 1; empty when the identity is out of range."""
        if isinstance(self.identity, int):
            if not 0 <= self.identity < N_IDENTITIES:
                return ()
            return tuple(float(k == self.identity) for k in range(N_IDENTITIES))
        total = sum(self.identity) or 1.0
        return tuple(weight / total for weight in self.identity)

    @property
    def sizes_mm(self) -> tuple[float, float]:
        """Distance between the eyes and face length, mm."""
        usual = np.array(self.weights) @ np.array(_USUAL_SIZES_MM)
        eyes = self.interpupillary_mm if self.interpupillary_mm is not None else float(usual[0])
        length = self.face_length_mm if self.face_length_mm is not None else float(usual[1])
        return eyes, length


@dataclass(frozen=True, kw_only=True, eq=False)
class EyeState:
    """One eye: `centre_mm` (3,) and `axis` (3,), the direction from it to the middle of the iris; head frame."""

    centre_mm: FloatArray
    axis: FloatArray
    radius_mm: float


@dataclass(frozen=True, kw_only=True, eq=False)
class PosedHead:
    """A performer in an expression, head frame: origin at the nostril base of the neutral.

    `vertices_mm` (V', 3) are those of `head_surface()`, `rest_mm` the same in the neutral. `points_mm` holds
    the named points (3,). `eyes` are (left, right). `corners32` and `rest_corners32` are the vertices at the
    triangles' corners (T, 3, 3), float32.
    """

    vertices_mm: FloatArray
    rest_mm: FloatArray
    points_mm: dict[str, FloatArray]
    eyes: tuple[EyeState, EyeState]

    @cached_property
    def corners32(self) -> NDArray[np.float32]:
        """`vertices_mm` at the triangles' corners."""
        return self.vertices_mm.astype(np.float32)[head_surface().triangles]

    @cached_property
    def rest_corners32(self) -> NDArray[np.float32]:
        """`rest_mm` at the triangles' corners."""
        return self.rest_mm.astype(np.float32)[head_surface().triangles]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Shape:
    """What depends on identity and size only. All in the head frame, file's vertices (V, 3)."""

    vertices_mm: FloatArray
    scale: FloatArray
    hinge_mm: FloatArray
    follow: FloatArray
    seal: FloatArray
    eye_centres_mm: FloatArray
    eye_radius_mm: float
    eye_rest: float
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


def _eye_vertices(part: int) -> IntArray:
    surface = head_surface()
    used = np.unique(surface.triangles[surface.part == part])
    return np.asarray(used[used < len(head_data().vertices_mm)])


def _sphere(points: FloatArray) -> tuple[FloatArray, float]:
    """Centre and radius of the sphere nearest to points, by linear least squares."""
    rows = np.column_stack([2 * points, np.ones(len(points))])
    found = np.linalg.lstsq(rows, (points**2).sum(axis=1), rcond=None)[0]
    return found[:3], float(np.sqrt(found[3] + found[:3] @ found[:3]))


@lru_cache(maxsize=32)
def _shape(weights: tuple[float, ...], eyes_mm: float, length_mm: float) -> _Shape:
    data = head_data()
    base = data.vertices_mm + np.tensordot(np.array(weights), data.identities_mm, axes=1)
    spheres = [_sphere(base[_eye_vertices(part)]) for part in (1, 2)]
    apart = float(np.linalg.norm(spheres[0][0] - spheres[1][0]))
    length = float(np.linalg.norm(base[vertex_of("chin")] - base[vertex_of("sellion")]))
    scale = np.array([eyes_mm / apart, length_mm / length, 0.0])
    scale[2] = (scale[0] + scale[1]) / 2
    base = base * scale
    # The seal changes no point of the nose: the origin may be set before it.
    base -= (base[vertex_of("alar_base_left")] + base[vertex_of("alar_base_right")]) / 2
    hinge = (
        base[vertex_of("sellion")] + base[vertex_of("chin")] + _HINGE_FROM_SELLION + _HINGE_FROM_MENTON
    ) / 2
    hinge[0] = 0.0
    average = data.vertices_mm
    flat_hinge = (
        average[vertex_of("sellion")] + average[vertex_of("chin")] + _HINGE_FROM_SELLION + _HINGE_FROM_MENTON
    ) / 2
    follow = np.minimum(jaw_follow(data, flat_hinge) / _FULL_FOLLOW, 1.0)
    follow[_eye_vertices(4)] = 1.0  # lower teeth
    spheres = [_sphere(base[_eye_vertices(part)]) for part in (1, 2)]
    radius = float(np.mean([sphere[1] for sphere in spheres]))
    seal = _seal_field(follow)
    sealed = base
    for _ in range(3):  # smoothing moves the lips' edges: what is left is closed again
        sealed = sealed + seal * (_lip_gap(sealed) + _SEAL_OVERLAP_MM)[:, None]
    rest = head_surface().refine @ sealed
    return _Shape(
        vertices_mm=sealed,
        scale=scale,
        hinge_mm=hinge,
        follow=follow,
        seal=seal,
        eye_centres_mm=np.stack([sphere[0] for sphere in spheres]),
        eye_radius_mm=radius,
        eye_rest=(rest[list(_LIDS), 1].mean() - _IRIS_ABOVE_MIDDLE_MM - spheres[0][0][1]) / radius,
        rest_mm=rest,
    )


def _lip_gap(base: FloatArray) -> FloatArray:
    """Gap between the lips above or below each vertex (V,), mm: positive where they are apart."""
    fine = head_surface().refine @ base
    at = np.linspace(0.0, 0.75, 7) * abs(fine[vertex_of("mouth_corner_left"), 0])
    tops, lows = (np.interp(at, fine[list(edge), 0], fine[list(edge), 1]) for edge in _LIP_EDGES)
    return np.asarray(np.interp(np.abs(base[:, 0]), at, lows - tops))


@lru_cache(maxsize=1)
def _seal_field_cached() -> FloatArray:
    data = head_data()
    flat = data.vertices_mm
    edge = flat[[vertex for edge in _LIP_EDGES for vertex in edge]]
    lips = np.concatenate([edge, edge * [-1.0, 1.0, 1.0]])
    distance = np.full(len(flat), np.inf)
    close = np.flatnonzero((np.abs(flat - lips.mean(axis=0)) < 60).all(axis=1))
    for vertex in lips:
        distance[close] = np.minimum(distance[close], np.linalg.norm(flat[close] - vertex, axis=1))
    weight = np.exp(-((distance / _SEAL_REACH_MM) ** 2))
    corner = abs(flat[vertex_of("mouth_corner_left"), 0])
    weight *= np.clip((corner - np.abs(flat[:, 0])) / (0.15 * corner), 0, 1)
    for part in (3, 4, 5):
        weight[_eye_vertices(part)] = 0.0
    return weight


def _seal_field(follow: FloatArray) -> FloatArray:
    """Displacement (V, 3) that closes a gap of 1 mm: lower lip up by 0.7, upper down by 0.3."""
    weight = _seal_field_cached()
    field_mm = np.zeros((len(weight), 3))
    field_mm[:, 1] = weight * np.where(follow > 0.5, -0.7, 0.3)
    return field_mm


@lru_cache(maxsize=8)
def _posed(weights: tuple[float, ...], sizes: tuple[float, float], expression: Expression) -> PosedHead:
    shape, data = _shape(weights, *sizes), head_data()
    unknown = [name for name, _ in expression.units if name not in data.units_mm]
    if unknown:
        raise ValueError(f"expression: unit {unknown[0]!r} found, one of {sorted(data.units_mm)} needed")
    moved = np.array(shape.vertices_mm)
    for name, weight in expression.units:
        moved += weight * shape.scale * data.units_mm[name]
    if expression.lip_gap_mm:
        moved -= shape.seal * expression.lip_gap_mm
    moved = hinge_moved(moved, shape.follow, shape.hinge_mm, expression, float(shape.scale.mean()))
    vertices = head_surface().refine @ moved
    eyes = tuple(
        EyeState(
            centre_mm=shape.eye_centres_mm[side],
            axis=_axis(expression, side, shape),
            radius_mm=shape.eye_radius_mm,
        )
        for side in (0, 1)
    )
    points = {name: vertices[vertex_of(name)] for name in HEAD_VERTICES}
    for eye, name, part in zip(eyes, ("iris_left", "iris_right"), (1, 2), strict=True):
        points[name] = _pole(vertices, part, eye)
    return PosedHead(vertices_mm=vertices, rest_mm=shape.rest_mm, points_mm=points, eyes=(eyes[0], eyes[1]))


def posed_head(performer: Performer, expression: Expression) -> PosedHead:
    """Give the vertices and named points of a performer in an expression, head frame.

    Notes
    -----
    Head frame: mm, x towards the performer's left, y down, z into the head; origin at the nostril base (middle of
    the two alar bases) of the neutral, which no expression moves.
    """
    return _posed(performer.weights, performer.sizes_mm, expression)


def _axis(expression: Expression, side: int, shape: _Shape) -> FloatArray:
    """Direction from the eyeball's centre to the middle of its iris.

    The mesh's eyeball is larger than a real one: its iris is moved as far as a real one's, not turned as much.
    """
    inward = expression.vergence_deg / 2 * (-1.0 if side == 0 else 1.0)
    yaw = np.deg2rad(expression.gaze_deg[0] + inward)
    pitch = np.deg2rad(expression.gaze_deg[1])
    shift = _IRIS_ARM_MM / shape.eye_radius_mm
    x, y = shift * np.sin(yaw) * np.cos(pitch), shape.eye_rest - shift * np.sin(pitch)
    return np.array([x, y, -np.sqrt(1 - x * x - y * y)])


def _pole(vertices: FloatArray, part: int, eye: EyeState) -> FloatArray:
    """Point of the eyeball's triangles that its axis passes through."""
    surface = head_surface()
    a, b, c = np.moveaxis(vertices[surface.triangles[surface.part == part]] - eye.centre_mm, 1, 0)
    weights = np.stack([np.cross(b, c), np.cross(c, a), np.cross(a, b)]) @ eye.axis
    total = weights.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = np.einsum("tk,tk->t", a, np.cross(b, c)) / total
        met = (weights / total >= -1e-6).all(axis=0)
    return np.asarray(eye.centre_mm + np.nanmax(np.where(met, reach, -np.inf)) * eye.axis)


def random_performer(rng: np.random.Generator, **fixed: object) -> Performer:
    """Invent a performer: shape, size, skin and hair at random, adult ranges; `fixed` overrides."""
    weights = rng.dirichlet(np.full(N_IDENTITIES, 0.35))
    usual = np.array(weights) @ np.array(_USUAL_SIZES_MM)
    bearded = rng.random() < 0.25
    values: dict[str, object] = {
        "identity": tuple(float(weight) for weight in weights),
        "interpupillary_mm": float(np.clip(usual[0] + rng.normal(0, 1.2), 57.0, 63.0)),
        "face_length_mm": float(np.clip(usual[1] + rng.normal(0, 4.0), 104.0, 134.0)),
        "skin_luminance": float(np.exp(rng.uniform(np.log(0.05), np.log(0.41)))),
        "texture_seed": int(rng.integers(1 << 31)),
        "detail": float(rng.uniform(0.7, 1.4)),
        "freckles": float(rng.random() ** 3),
        "stubble": float(rng.random()) if bearded else 0.0,
        "brow_density": float(rng.uniform(0.5, 1.0)),
        "oil": float(rng.uniform(0.4, 1.6)),
    }
    values.update(fixed)
    return Performer(**values)  # type: ignore[arg-type]  # values are named and typed as Performer's own fields
