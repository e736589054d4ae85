"""One performer's head: who it is, how big, and its vertices in any expression."""

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from rigcheck.demo.head_expression import Expression, hinge_moved
from rigcheck.demo.head_mesh import head_data, head_surface
from rigcheck.demo.head_mouth import incisor_points, lip_gaps_mm, teeth_gap_mm
from rigcheck.demo.head_shape import (
    HEAD_VERTICES,
    LOWER_TEETH,
    HeadShape,
    head_shape,
    part_vertices,
    vertex_of,
)
from rigcheck.model._arrays import FloatArray

__all__ = [
    "N_IDENTITIES",
    "OILY_PLACES",
    "EyeState",
    "Performer",
    "PosedHead",
    "gaze_direction",
    "posed_head",
    "posed_shape",
    "random_performer",
]

N_IDENTITIES = 8
OILY_PLACES = ("forehead", "nose", "cheek_left", "cheek_right", "chin")

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
_IRIS_ARM_MM = 10.3  # the iris moves on an arc of this radius as the eye turns


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
    oily : tuple of (place, factor)
        Places whose shine is that many times the rest's: "forehead", "nose", "cheek_left", "cheek_right", "chin".
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
    oily: tuple[tuple[str, float], ...] = ()
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
        unknown = [place for place, _ in self.oily if place not in OILY_PLACES]
        if unknown:
            raise ValueError(f"oily: {unknown[0]!r} found, one of {OILY_PLACES} needed")

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
    """One eye, head frame.

    `centre_mm` (3,) of the mesh's eyeball and `axis` (3,) from it to the middle of the painted iris: the mesh's
    eyeball is larger than a real one. `pivot_mm` (3,) is where a real eye that moves its iris so would turn, and
    `gaze` (3,) the unit direction in which that eye looks.
    """

    centre_mm: FloatArray
    axis: FloatArray
    radius_mm: float
    pivot_mm: FloatArray
    gaze: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class PosedHead:
    """A performer in an expression, head frame: origin at the nostril base of the neutral.

    `vertices_mm` (V', 3) are those of `head_surface()`, `rest_mm` the same in the neutral. `points_mm` holds
    the named points (3,). `eyes` are (left, right). `corners32` and `rest_corners32` are the vertices at the
    triangles' corners (T, 3, 3), float32. `lip_gaps_mm` and `teeth_gap_mm`: see `head_mouth`.
    """

    vertices_mm: FloatArray
    rest_mm: FloatArray
    points_mm: dict[str, FloatArray]
    eyes: tuple[EyeState, EyeState]
    lip_gaps_mm: FloatArray
    teeth_gap_mm: float

    @cached_property
    def corners32(self) -> NDArray[np.float32]:
        """`vertices_mm` at the triangles' corners."""
        return self.vertices_mm.astype(np.float32)[head_surface().triangles]

    @cached_property
    def rest_corners32(self) -> NDArray[np.float32]:
        """`rest_mm` at the triangles' corners."""
        return self.rest_mm.astype(np.float32)[head_surface().triangles]


@lru_cache(maxsize=8)
def posed_shape(weights: tuple[float, ...], sizes: tuple[float, float], expression: Expression) -> PosedHead:
    """Vertices and named points of a head given by its shape alone: see :func:`posed_head`."""
    shape, data = head_shape(weights, *sizes), head_data()
    unknown = [name for name, _ in expression.units if name not in data.units_mm]
    if unknown:
        raise ValueError(f"expression: unit {unknown[0]!r} found, one of {sorted(data.units_mm)} needed")
    moved = np.array(shape.vertices_mm)
    for name, weight in expression.units:
        moved += weight * shape.scale * data.units_mm[name]
    if expression.lip_gap_mm:
        moved -= shape.seal * expression.lip_gap_mm
    if expression.teeth_closed:
        moved[part_vertices(LOWER_TEETH)] += expression.teeth_closed * shape.teeth_mm
    moved = hinge_moved(moved, shape.follow, shape.hinge_mm, expression, shape.jaw_scale)
    vertices = head_surface().refine @ moved
    eyes = tuple(
        EyeState(
            centre_mm=shape.eye_centres_mm[side],
            axis=_axis(expression, side, shape),
            radius_mm=shape.eye_radius_mm,
            pivot_mm=_pivot(side, shape),
            gaze=gaze_direction(*_turned(expression, side)),
        )
        for side in (0, 1)
    )
    points = {name: vertices[vertex_of(name)] for name in HEAD_VERTICES}
    for eye, name, part in zip(eyes, ("iris_left", "iris_right"), (1, 2), strict=True):
        points[name] = _pole(vertices, part, eye)
    points.update(incisor_points(vertices))
    return PosedHead(
        vertices_mm=vertices,
        rest_mm=shape.rest_mm,
        points_mm=points,
        eyes=(eyes[0], eyes[1]),
        lip_gaps_mm=lip_gaps_mm(vertices),
        teeth_gap_mm=teeth_gap_mm(vertices),
    )


def posed_head(performer: Performer, expression: Expression) -> PosedHead:
    """Give the vertices and named points of a performer in an expression, head frame.

    Notes
    -----
    Head frame: mm, x towards the performer's left, y down, z into the head; origin at the nostril base (middle of
    the two alar bases) of the neutral, which no expression moves.
    """
    return posed_shape(performer.weights, performer.sizes_mm, expression)


def _axis(expression: Expression, side: int, shape: HeadShape) -> FloatArray:
    """Direction from the eyeball's centre to the middle of its iris.

    The mesh's eyeball is larger than a real one: its iris is moved as far as a real one's, not turned as much.
    """
    yaw, pitch = np.deg2rad(_turned(expression, side))
    return _towards(shape, yaw, pitch)


def _towards(shape: HeadShape, yaw: float, pitch: float) -> FloatArray:
    shift = _IRIS_ARM_MM / shape.eye_radius_mm
    x, y = shift * np.sin(yaw) * np.cos(pitch), shape.eye_rest - shift * np.sin(pitch)
    return np.array([x, y, -np.sqrt(1 - x * x - y * y)])


def _turned(expression: Expression, side: int) -> tuple[float, float]:
    """Yaw and pitch of one eye, degrees; side 0 is the left."""
    inward = expression.vergence_deg / 2 * (-1.0 if side == 0 else 1.0)
    return expression.gaze_deg[0] + inward, expression.gaze_deg[1]


def gaze_direction(yaw_deg: float, pitch_deg: float) -> FloatArray:
    """Unit direction (3,) of an eye turned towards the performer's left and up, head frame."""
    yaw, pitch = np.deg2rad(yaw_deg), np.deg2rad(pitch_deg)
    return np.array([np.sin(yaw) * np.cos(pitch), -np.sin(pitch), -np.cos(yaw) * np.cos(pitch)])


def _pivot(side: int, shape: HeadShape) -> FloatArray:
    """As far behind the resting iris as the arc's radius on which it moves, (3,) mm."""
    centre = shape.eye_centres_mm[side]
    return np.asarray(centre + shape.eye_radius_mm * _towards(shape, 0.0, 0.0) + [0.0, 0.0, _IRIS_ARM_MM])


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


def fair_exposure_stops(performer: Performer) -> float:
    """Exposure at which this skin is well lit by the usual lamps, stops.

    Darker skin is lit up by 0.7 of the whole difference: its highlights and the whites of the eyes are as bright
    as anybody's.
    """
    return 0.3 + 0.7 * float(np.log2(0.26 / performer.skin_luminance))


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
